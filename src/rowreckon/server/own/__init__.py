"""A throw-away PostgreSQL server of one's own, for the demonstration and the tests.

In comes an installation, out comes a connection string for as long as a `with` block lasts.  Open `embedded.py` first.
"""
