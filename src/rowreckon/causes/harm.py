"""Does an error harm anything? The joins that suffer from it, and whether any of them would be run otherwise."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.causes.site import Context, Site
from rowreckon.document.audit import Join
from rowreckon.plan.nodes import AggregateNode, HashNode, SortNode


def sufferers(joins: Sequence[Join]) -> dict[int, tuple[Join, ...]]:
    """For each node at which an error enters, the misestimated joins that it reaches."""
    found: dict[int, list[Join]] = {}
    for join in joins:
        if join.verdict != "accurate":
            for node in join.origin:
                found.setdefault(node, []).append(join)
    return {node: tuple(reached) for node, reached in found.items()}


def harm_of(site: Site, joins: Sequence[Join], context: Context) -> str:
    """Whether a join is `crossed`, `undecided`, or `nothing` suffers; overflowed memory is open as well."""
    verdicts = {j.verdict for j in joins}
    if "crossed" in verdicts:
        return "crossed"
    if "undecided" in verdicts:
        return "undecided"
    return "undecided" if site.direction == "under" and _overflowed(site, context) else "nothing"


def _overflowed(site: Site, context: Context) -> bool:
    """Whether a sort, hash or aggregate directly fed by the site went to disk."""
    tree = context.tree
    for number in (site.number, tree.parent[site.number]):
        if number < 0:
            continue
        node = tree.nodes[number]
        if isinstance(node, HashNode) and (node.hash_batches or 1) > (
            node.original_hash_batches or node.hash_batches or 1
        ):
            return True
        if isinstance(node, SortNode) and node.sort_space_type == "Disk" and number != site.number:
            return False  # it would go to disk at a right estimate as well
        if isinstance(node, AggregateNode) and node.disk_usage and number == site.number:
            return True
    return False
