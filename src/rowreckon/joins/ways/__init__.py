"""The ways to run a join, each as a cost function of its outer rows.

In comes `facts.inputs`; out comes a cost model: every permitted method, order of the sides and inner access, with the
row counts at which the lead may change.  Open `model.py` first, then `all_ways.py`.
"""
