"""Families of plan nodes: which keys their models read, and that a model is made only where a plan needs it."""

from __future__ import annotations

import subprocess
import sys

import pytest
from pydantic import BaseModel

from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import FAMILIES, IndexScanNode, JoinNode, OtherNode, ScanNode, model_of

EVERY = sorted({*FAMILIES.values(), OtherNode}, key=lambda family: str(family))


@pytest.mark.parametrize("family", EVERY, ids=str)
def test_a_model_reads_the_keys_of_all_nodes_and_those_of_its_family(family: type[PlanNode]) -> None:
    """The keys of the families above it too; loading the families made no model of any."""
    own = {name for above in family.__mro__ for name in vars(above).get("__annotations__", {}) if name[0] != "_"}

    assert not issubclass(family, BaseModel)
    assert set(model_of(family).model_fields) == own | set(PlanNode.model_fields)
    assert model_of(family) is model_of(family)


def test_a_node_is_of_its_family_and_of_those_above() -> None:
    """What `isinstance` tells of a node that was read, and the keys that it does not know."""
    node = model_of(IndexScanNode).model_validate(
        {"Node Type": "Index Scan", "Index Name": "huts_pkey", "Moon": "full"}
    )

    assert isinstance(node, IndexScanNode)
    assert isinstance(node, ScanNode)
    assert isinstance(node, PlanNode)
    assert not isinstance(node, JoinNode)
    assert (node.index_name, node.relation_name, node.unknown_keys) == ("huts_pkey", None, {"Moon": "full"})


def test_masking_knows_the_keys_of_every_family() -> None:
    """Of those too of which no plan was read yet: a key that it does not know loses its value."""
    asked = "from rowreckon.captures.masking import _known_keys; print(*sorted(_known_keys()), sep='\\n')"
    told = subprocess.run([sys.executable, "-c", asked], check=True, capture_output=True, text=True).stdout

    every = {field.alias for family in EVERY for field in model_of(family).model_fields.values()}
    assert every <= set(told.splitlines())
