"""Outcomes over a release: its tables read into lines, and the answers written as tables, figure and codebook."""
