"""What the plans of one database tell of its relations together: named facts, each with bounds and where they are from.

In comes what single plan nodes tell (`evidence.py`); out come facts of relations (`facts.py`), for each plan from those
plans that do not contradict it. Open `facts.py` first.
"""
