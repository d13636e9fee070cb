"""What is asked of the server that a stand-in is to plan as: open `program.py` first, its parts are the queries."""
