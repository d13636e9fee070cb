"""Whether the error carried a join past a switch point, and everything that the document says of it.

In come a capture, its reckoned tree and the evidence at hand; out come costs, switch points, margins and verdicts.
Open `judge.py` first.
"""
