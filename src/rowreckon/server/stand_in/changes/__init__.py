"""A change in force on a stand-in, in a transaction that is rolled back, and what it does to a list of queries."""
