"""A fourth bench of seeded faults: a box office, a translation bureau, a town's bicycles, a seed bank and others.

It shares the second bench's model, sessions and judge, and none of its cases. Every truth comes from the description
named beside it, and every cure was proven on live servers before the product was asked. `bench.py` lists all.
"""
