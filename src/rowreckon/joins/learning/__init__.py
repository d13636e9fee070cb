"""What the nodes of one plan tell of its relations, for the other plans of the same database.

In comes a reckoned plan with its settings; out comes evidence (`rowreckon.learned`). Open `plan_evidence.py` first.
"""
