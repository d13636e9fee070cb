"""The sample database: a network of mountain huts, as SQL scripts, and the query list that goes with it."""
