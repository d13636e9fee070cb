"""From items and a connection to captures with their facts: sweeps, checks, facts for plans from elsewhere, the demo.

In come items or plans; out come captures.  Open `sweep.py` first.
"""
