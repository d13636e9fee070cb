"""Joins: what each permitted method would have cost, where the lead changes, and whether the error crossed it.

`judge_joins` takes a capture and its reckoned tree and gives every join's verdict; pure.
"""

from rowreckon.joins.judge import JoinVerdicts, judge_joins

__all__ = ["JoinVerdicts", "judge_joins"]
