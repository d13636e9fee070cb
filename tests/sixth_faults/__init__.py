"""A sixth bench of seeded faults: a ferry line, a seed bank, a youth hostel ledger, a tram depot, a choir's library
and a beekeepers' association.

It shares the second bench's model, sessions and judge, and none of its cases. Every truth comes from the report
named beside it, and every cure was proven on a live server before the product was asked. `bench.py` lists all.
"""
