"""What a stand-in is built from, out of a dump of definitions and statistics alone: nobody asks the source.

In come the texts of files that `pg_dump --no-data --statistics` of 18 wrote, out come facts.  Open `facts.py` first.
"""
