"""The one way in which a statement of somebody's is planned or run, and what else is asked with it.

In comes an item of a list under a permission; out comes its run, its planned alternatives, contests and probes.
Open `execute.py` first.
"""
