"""Two audits of the same queries, laid side by side.

In come two audit documents; out comes the comparison, as values and as its own document.  Open `compare.py` first.
"""
