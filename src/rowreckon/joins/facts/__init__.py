"""What a plan says of each join, before anything is priced.

In come a reckoned plan tree and its settings; out come a join's sides, clauses, permitted methods and limits, and
`inputs.py`, the typed value that the cost model needs whatever evidence it came from.  Open `sides.py` first.
"""
