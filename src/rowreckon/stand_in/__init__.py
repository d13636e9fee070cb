"""What an empty server needs in order to plan as somebody else's does, and whether it then does; the pure part.

In come a database's facts (`facts`, gathered by the program in `program`), out come the statements that rebuild its
definitions (`definitions`), its pages (`pages`), and the comparison of two plans (`compare`).  Open `facts.py` first.
"""
