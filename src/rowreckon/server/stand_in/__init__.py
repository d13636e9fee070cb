"""The stand-in: a throw-away server that plans as somebody else's does, built from that database's facts.

`gather` reads the facts from a live server, `built` makes the server, `planning` asks it, `proof` says whether it plans
as the source did.  Open `standing.py` first.
"""
