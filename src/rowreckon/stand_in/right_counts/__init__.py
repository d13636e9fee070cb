"""Right counts, the pure part: what was counted, queries for parts of a query, and what two plans have in common.

In come an executed plan and its query; out come the row counts that a planner should have had, and queries that ask a
stand-in for each of them. Nothing here asks a server: that is `server/stand_in/right_counts/`.
"""
