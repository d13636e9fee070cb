"""What to ask a server about some plans: relation names, each scan's own restrictions, the clauses of the joins.

A plan can come from anywhere, so nothing of its text reaches SQL unless `safe_expression` accepts it as one expression
without comments, statement ends or subqueries. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from rowreckon.plan.base import PlanNode
from rowreckon.plan.conditions import Clause, ColumnReference, parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, FunctionScanNode, IndexScanNode, JoinNode, ScanNode
from rowreckon.plan.tree import PlanTree, index_of

from .parts import Fact

_TEXTS = ("filter", "index_cond", "recheck_cond", "tid_cond", "join_filter", "hash_cond", "merge_cond", "cache_key")
_LISTS = ("output", "sort_key", "group_key", "presorted_key")
_COMPARISONS = ("=", "<", "<=", ">", ">=")
_MAX_TEXT = 20_000
_TOKEN = re.compile(
    r"""(?P<string>(?:\b[EeBbXx])?'(?:[^']|'')*')|(?P<quoted>"(?:[^"]|"")+")|(?P<word>[^\W\d]\w*)|(?P<rest>.)""", re.S
)
# a query inside an expression needs one of the first three; the last two are EXPLAIN's own notation
_FORBIDDEN_WORDS = frozenset({"select", "values", "table", "subplan", "initplan"})


class WantedRelation(Fact):
    """A scan of a relation: its names, its own restrictions, the columns needed above it, the indexes it reads.

    Without VERBOSE a plan tells only the columns that conditions and keys name; `columns_complete` is then False.
    """

    plan: int
    schema_name: str | None = None
    name: str
    alias: str
    conditions: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    columns_complete: bool = False
    indexes: tuple[str, ...] = ()


class WantedClause(Fact):
    """One comparison between columns or expressions of two scans, as the plan prints it."""

    plan: int
    left_alias: str
    left: str
    left_column: str | None = None
    right_alias: str
    right: str
    right_column: str | None = None
    operator: str


class WantedPair(Fact):
    """Two scans and all clauses that name both of them and nothing else."""

    plan: int
    left_alias: str
    right_alias: str
    clauses: tuple[str, ...]


class FactsRequest(Fact):
    """Everything to ask about a number of plans; `plan` in its parts is the plan's position."""

    plans: int = 1
    relations: tuple[WantedRelation, ...] = ()
    clauses: tuple[WantedClause, ...] = ()
    pairs: tuple[WantedPair, ...] = ()
    functions: tuple[str, ...] = ()
    operators: tuple[str, ...] = ("=",)
    with_values: bool = False


def wanted_facts(plans: Sequence[PlanTree], *, with_values: bool = False) -> FactsRequest:
    """The request for these plans, in their order; linear in nodes."""
    relations: list[WantedRelation] = []
    clauses: dict[WantedClause, None] = {}
    pairs: list[WantedPair] = []
    functions: dict[str, None] = {}
    operators: dict[str, None] = {"=": None}
    for number, tree in enumerate(plans):
        scans = [_relation(number, tree, at, node) for at, node in _scans(tree)]
        above = _columns_above(tree)
        scans = [s.model_copy(update={"columns": s.columns or tuple(sorted(above.get(s.alias, ())))}) for s in scans]
        relations.extend(scans)
        aliases = {s.alias for s in scans}
        together: dict[tuple[str, str], dict[str, None]] = {}
        for node in tree.nodes:
            own_alias = node.alias if isinstance(node, ScanNode) else None
            for clause in _clauses(node):
                operators.update(dict.fromkeys([clause.operator] if clause.operator in _COMPARISONS else ()))
                functions.update(dict.fromkeys(clause.functions))
                named = sorted(_tables(clause.columns, own_alias))
                if len(named) != 2 or not aliases.issuperset(named) or not _askable(clause):
                    continue
                wanted = _wanted_clause(number, clause, own_alias)
                if wanted is not None and _turned(wanted) not in clauses:
                    clauses[wanted] = None
                text = clause.text if all(c.table for c in clause.columns) else None
                if wanted is not None:
                    text = f"{wanted.left} {wanted.operator} {wanted.right}"
                if text is not None:
                    together.setdefault((named[0], named[1]), {})[text] = None
            if isinstance(node, FunctionScanNode) and node.function_name:
                functions[node.function_name] = None
        pairs.extend(
            WantedPair(plan=number, left_alias=a, right_alias=b, clauses=tuple(texts))
            for (a, b), texts in sorted(together.items())
        )
    return FactsRequest(
        plans=len(plans),
        relations=tuple(relations),
        clauses=tuple(clauses),
        pairs=tuple(pairs),
        functions=tuple(sorted(functions)),
        operators=tuple(operators),
        with_values=with_values,
    )


def safe_expression(text: str) -> bool:
    """Whether the text can stand in generated SQL as one expression: balanced, no comment, no `;`, no subquery."""
    if len(text) > _MAX_TEXT or "\0" in text:
        return False
    depth = 0
    previous = ""
    for token in _TOKEN.finditer(text):
        kind, value = token.lastgroup, token.group()
        if kind == "word" and value.lower() in _FORBIDDEN_WORDS:
            return False
        if kind == "string" and value[0] in "Ee" and _unsure_escape(value):
            return False
        if kind == "rest":
            if value in ";'\"\\$" or previous + value in ("--", "/*", "*/"):
                return False
            depth += (value in "([") - (value in ")]")
            if depth < 0:
                return False
        previous = value if kind == "rest" else ""
    return depth == 0


def _unsure_escape(value: str) -> bool:
    """A backslash before a quote: where the literal ends then depends on a setting."""
    return "\\'" in value


def _scans(tree: PlanTree) -> Iterator[tuple[int, ScanNode]]:
    for at, node in enumerate(tree.nodes):
        if isinstance(node, ScanNode) and node.relation_name and node.alias:
            yield at, node


def _relation(plan: int, tree: PlanTree, at: int, node: ScanNode) -> WantedRelation:
    assert node.relation_name is not None
    assert node.alias is not None
    own: dict[str, None] = {}
    left_out: dict[str, None] = {}
    texts = [node.filter, node.tid_cond]
    if isinstance(node, IndexScanNode):
        texts.append(node.index_cond)
    if isinstance(node, BitmapHeapScanNode):
        texts.append(node.recheck_cond)
    for text in texts:
        if not text:
            continue
        condition = parse_condition(text)
        if not condition.parsed:
            left_out[text] = None
        for clause in condition.clauses:
            if _tables(clause.columns, node.alias) - {node.alias}:
                continue  # a join clause, pushed down with a parameter
            (own if _askable(clause) else left_out)[clause.text] = None
    indexes = {name for n in tree.subtree(at) if (name := index_of(tree.nodes[n])) is not None}
    columns = tuple(node.output or ()) if at == 0 else ()
    complete = node.output is not None and all(map(safe_expression, node.output))
    return WantedRelation(
        plan=plan,
        schema_name=node.schema_name,
        name=node.relation_name,
        alias=node.alias,
        conditions=tuple(own),
        left_out=tuple(left_out),
        columns=tuple(c for c in columns if safe_expression(c)),
        columns_complete=complete,
        indexes=tuple(sorted(indexes)),
    )


def _askable(clause: Clause) -> bool:
    return not clause.subplans and not clause.parameters and safe_expression(clause.text)


def _clauses(node: PlanNode) -> Iterator[Clause]:
    for key in _TEXTS:
        text = getattr(node, key, None)
        if isinstance(text, str) and key != "cache_key":
            yield from parse_condition(text).clauses


def _tables(columns: Sequence[ColumnReference], own_alias: str | None) -> set[str]:
    """Aliases of the references; a scan's own columns stand without one unless EXPLAIN was VERBOSE."""
    return {alias for c in columns if (alias := c.table or own_alias) is not None}


def _wanted_clause(plan: int, clause: Clause, own_alias: str | None) -> WantedClause | None:
    """The clause with its sides, where each side belongs to one scan and the operator compares."""
    left, right = (_tables(side, own_alias) for side in (clause.left_columns, clause.right_columns))
    if clause.operator not in _COMPARISONS or len(left) != 1 or len(right) != 1 or left == right:
        return None
    (left_alias,), (right_alias,) = left, right
    left_text = _qualified(clause.left_text, clause.left_column, clause.left_columns, left_alias)
    right_text = _qualified(clause.right_text, clause.right_column, clause.right_columns, right_alias)
    if left_text is None or right_text is None:
        return None
    return WantedClause(
        plan=plan,
        left_alias=left_alias,
        left=left_text,
        left_column=clause.left_column.column if clause.left_column else None,
        right_alias=right_alias,
        right=right_text,
        right_column=clause.right_column.column if clause.right_column else None,
        operator=clause.operator,
    )


def _qualified(text: str, column: ColumnReference | None, columns: Sequence[ColumnReference], alias: str) -> str | None:
    """A side's text with its columns under their alias; None where an expression names them without one."""
    if not text:
        return None
    if all(c.table for c in columns):
        return text
    if column is None:
        return None
    for spelling in (column.column, quoted(column.column)):
        if text == spelling:
            return quoted(alias, column.column)
        if text.startswith(f"({spelling})::"):
            return f"({quoted(alias, column.column)}){text[len(spelling) + 2 :]}"
    return None


def _turned(clause: WantedClause) -> WantedClause:
    mirror = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}
    return clause.model_copy(
        update={
            "left_alias": clause.right_alias,
            "left": clause.right,
            "left_column": clause.right_column,
            "right_alias": clause.left_alias,
            "right": clause.left,
            "right_column": clause.left_column,
            "operator": mirror.get(clause.operator, clause.operator),
        }
    )


def _columns_above(tree: PlanTree) -> dict[str, set[str]]:
    """Per alias the columns, quoted, that nodes other than its own scan name: what the scan must hand up."""
    found: dict[str, set[str]] = {}
    for node in tree.nodes:
        own = node.alias if isinstance(node, ScanNode) else None
        texts: list[str] = [t for key in _TEXTS if isinstance(t := getattr(node, key, None), str)]
        if not isinstance(node, ScanNode):  # a scan may hand up columns that nobody needs
            for key in _LISTS:
                texts.extend(getattr(node, key, None) or ())
        if isinstance(node, JoinNode) or texts:
            for text in texts:
                for reference in parse_condition(text).columns:
                    if reference.table is not None and reference.table != own and reference.column != "*":
                        found.setdefault(reference.table, set()).add(quoted(reference.table, reference.column))
    return found


def quoted(*names: str) -> str:
    """Names joined by dots, each quoted for SQL."""
    return ".".join('"' + name.replace('"', '""') + '"' for name in names)
