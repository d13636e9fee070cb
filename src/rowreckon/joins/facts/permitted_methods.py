"""Which join methods a join's condition, type and key types permit, and why the others are out.

Source: hash_inner_and_outer, sort_inner_and_outer, match_unsorted_outer and select_mergejoin_clauses in
optimizer/path/joinpath.c, releases 13 to 18; operator classes read from pg_operator on 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable

from rowreckon.cost import CostSettings
from rowreckon.document.audit import Method
from rowreckon.joins.facts.clauses import JoinClause
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.sql.questions import cast_types

_WITHOUT_HASH = frozenset({"money", "bit", "varbit", "tsvector", "tsquery", "box", "circle"})
_WITHOUT_MERGE = frozenset({"xid", "cid", "aclitem", "box", "circle"})

Abilities = Callable[[JoinClause], tuple[bool | None, bool | None]]
"""What the catalog knows of a clause: whether its operator can hash, and whether it can merge; None: unknown."""


def nothing_known(clause: JoinClause) -> tuple[bool | None, bool | None]:
    """The abilities of a clause where no catalog was captured."""
    return None, None


def can_hash(clause: JoinClause, known: Abilities = nothing_known) -> bool:
    """Whether a hash join may use the clause; an equality of unknown types is taken to."""
    told = known(clause)[0]
    return clause.is_equality and (told if told is not None else not cast_types(clause.text) & _WITHOUT_HASH)


def can_merge(clause: JoinClause, known: Abilities = nothing_known) -> bool:
    """Whether a merge join may use the clause; an equality of unknown types is taken to."""
    told = known(clause)[1]
    return clause.is_equality and (told if told is not None else not cast_types(clause.text) & _WITHOUT_MERGE)


def excluded_methods(
    facts: JoinFacts, known: Abilities = nothing_known, settings: CostSettings | None = None
) -> dict[Method, str]:
    """The methods that can't be used, each with the reason; what the session switched off is out like the rest."""
    out: dict[Method, str] = _switched_off(settings) if settings is not None else {}
    if facts.join_type == "full":
        out["nested_loop"] = "a nested loop can't produce the unmatched rows of both sides of a full join"
    equalities = [c for c in facts.clauses if c.is_equality]
    lateral = _is_lateral(facts)
    if lateral:
        out["hash"] = out["merge"] = "the inner side can't be computed without a row of the outer side"
    elif not equalities:
        what = "has no condition" if not facts.clauses else "has no equality between its sides"
        out["hash"] = out["merge"] = f"the join {what}"
    else:
        if not any(can_hash(c, known) for c in equalities):
            out["hash"] = "the type of the join key has no hash operator class"
        mergeable = [c for c in equalities if can_merge(c, known)]
        if not mergeable:
            out["merge"] = "the type of the join key can't be merged"
        elif facts.join_type == "full" and len(mergeable) < len(facts.clauses):
            out["merge"] = "a full merge join needs every clause of its condition to be an equality that can be merged"
    out.pop(facts.method, None)  # it ran, so it was possible
    return out


def _switched_off(settings: CostSettings) -> dict[Method, str]:
    switches: tuple[tuple[Method, str, bool], ...] = (
        ("nested_loop", "enable_nestloop", settings.enable_nestloop),
        ("hash", "enable_hashjoin", settings.enable_hashjoin),
        ("merge", "enable_mergejoin", settings.enable_mergejoin),
    )
    return {method: f"the session had switched it off ({name} = off)" for method, name, on in switches if not on}


def _is_lateral(facts: JoinFacts) -> bool:
    """Whether the inner side needs the outer row for more than a clause that could as well stand at the join."""
    pushed = [c for c in facts.clauses if c.inner_node is not None]
    return bool(pushed) and facts.inner.scan is None and facts.inner.partitioned is None
