"""Connecting to somebody's server, and the guards that hold there whatever is run.

In comes a connection string; out comes a connection, whose word it needs, what its role may do, and the containment
that is asked of the server around each statement.  Open `connection.py` first, then `containment.py`.
"""
