"""The typed plan tree: what EXPLAIN prints, with a type and a unit for every key.

`parse_document` validates one raw EXPLAIN object, `lay_out` numbers its nodes,
`plan.conditions.parse_condition` reads a condition's text.
"""

from rowreckon.plan.base import PlanNode
from rowreckon.plan.document import ExplainDocument, parse_document
from rowreckon.plan.tree import PlanTree, lay_out

__all__ = ["ExplainDocument", "PlanNode", "PlanTree", "lay_out", "parse_document"]
