"""The answer to what was asked about plans: its shape, and the facts that it tells for each plan.

In comes the program's one JSON document, out go catalogs.  Open `catalogs.py` first; `check.py` bounds what is let in.
"""
