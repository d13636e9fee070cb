"""Query lists: files of SQL and of parameter values, read into items.

In come paths; out come items, each with what has to go before it and why it may not be run.  Open `querylist.py` first.
"""
