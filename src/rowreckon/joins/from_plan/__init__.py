"""What the plan alone tells of a join's inputs: printed costs, row counts, widths, and what follows from them.

In come a reckoned plan tree and a join's facts; out come inputs for the cost model, with the sizes that stay possible.
Open `inputs.py` first.
"""
