"""What a statement may execute, judged from its tree and the catalogs before the server is given the statement.

Comes in: a statement's text and an open transaction with its settings.  Goes out: a `Verdict`.  Open `judge.py` first:
`names` finds what the text names, `lookups` asks the catalogs, `closure` follows what is reached, `reviewed` knows
PostgreSQL's own functions.  What is not known to be harmless is refused.

Trusted remains: C code, functions that act although they are declared immutable or stable (those in a procedural
language are named beforehand), login triggers, loaded modules.
"""
