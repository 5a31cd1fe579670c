"""Confirming orthosis episodes for billing: what a payer's rules ask, what proves it, and which codes fit.

Local payer rules and licensed practice decide; nothing here chooses a code, and nothing here holds a measurement.
"""
