"""A fifth bench of seeded faults: a vineyard's cellar, a wardrobe, a lighthouse, a veterinary practice and others.

It shares the second bench's model, sessions and judge, and none of its cases. Every truth comes from the description
named beside it, and every cure was proven on a live server before the product was asked. `bench.py` lists all.
"""
