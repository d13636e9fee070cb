"""What captured catalog facts tell of a join's inputs: sizes, statistics, indexes, in the planner's own terms.

In come a catalog, a reckoned plan tree and a join's facts; out come inputs for the cost model.  Open `inputs.py` first.
"""
