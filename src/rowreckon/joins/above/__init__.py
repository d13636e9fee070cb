"""How the planner weighs paths against each other, and what it makes of the uppermost join's rows.

Open `top.py` first: rows are put in order, grouped or freed of repetitions, by one process or by several.
"""
