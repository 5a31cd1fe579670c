"""Acts that put right what was wrong, and what rests on what they change.

Each act is one transaction with one Provenance, which is the act: it names every version before and after. A dry run
is the real act, rolled back; it gives the mark (`seen`) without which the real one is not carried out, and which holds
only while nothing of what was seen has changed. Every act can be undone, and an undoing is an act like the others.
"""
