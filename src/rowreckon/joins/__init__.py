"""Joins: what each permitted method would have cost, where the lead changes, and whether the error crossed it.

`judge_joins` takes a capture and its reckoned tree and gives every join's verdict; pure. Its rooms, from the ground:
`facts/` (what a plan says of a join), `above/` (what is made of its rows), `ways/` (how it could run, as cost
functions), `from_plan/`, `from_catalog/` (what the cost model needs, by the evidence at hand), `verdict/` (open
`verdict/judge.py` first).
"""

from rowreckon.joins.verdict.judge import JoinVerdicts, judge_joins

__all__ = ["JoinVerdicts", "judge_joins"]
