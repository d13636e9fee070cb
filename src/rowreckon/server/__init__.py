"""The edge towards a PostgreSQL server: starting a throw-away one, connecting, running statements safely.

Nothing outside this package imports psycopg; importing the package itself imports neither psycopg nor a binary.
"""
