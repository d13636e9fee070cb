"""For which values of a literal or parameter the planner takes which plan; the pure part.

In come a query and a database's facts.  `places` finds where in the query a value stands against a column, `spread`
what statistics say of that column, `kinds` how its values are read and put in order, `mapping` asks for a plan value by
value, and `told` puts the answers into the document's words; `sequence` draws values for a statement's executions.
Open `mapping.py` first.
"""
