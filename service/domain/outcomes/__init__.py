"""Outcomes across patients, over the tables of a release: how hands went, how soon, and how much they differ.

Everything here is a pure function of lines (`lines.Line`): one measure at one place of one hand over days. Patients,
hands and digits are told apart, intervals count patients, and whoever drops out is counted where. Nothing here says
why anything went as it did.
"""
