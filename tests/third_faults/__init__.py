"""A third bench of seeded faults: a radio archive, a greenhouse, ferries, a chess league.

It shares the second bench's model, sessions and judge, and none of its cases. Every truth comes from the description
named beside it, and every cure was proven on live servers before the product was asked. `bench.py` lists all.
"""
