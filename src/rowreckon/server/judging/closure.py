"""Following everything that a statement reaches, object by object, until nothing new is found.

The catalogs are asked once for each layer of objects, for all of the layer together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.judging import lookups
from rowreckon.server.judging.functions import judge_function
from rowreckon.server.judging.names import Names, names_of
from rowreckon.server.judging.node_trees import FIRST_OWN, referred
from rowreckon.server.judging.relations import follow_relation
from rowreckon.server.judging.reviewed import FILLS_RECORDS
from rowreckon.server.judging.types import follow_type
from rowreckon.server.judging.verdict import Concern, Verdict

Facts = dict[str, Any]
Member = tuple[str, int]


@dataclass(slots=True)
class Known:
    """What one connection has told: asked for once, and kept from statement to statement.

    `objects` are by kind and OID, None where there is no such object; `casts` those that users made; `members` what
    users added to operator classes, by type (its default classes) or by class.
    """

    objects: dict[tuple[str, int], Facts | None] = field(default_factory=dict)
    casts: list[tuple[Any, ...]] | None = None
    members: dict[tuple[str, int], list[Member]] = field(default_factory=dict)

    def casts_of(self, connection: Connection) -> list[tuple[Any, ...]]:
        """(source, target, function, context) of every cast that is none of PostgreSQL's own."""
        if self.casts is None:
            self.casts = lookups.own_casts(connection)
        return self.casts

    def members_of(self, connection: Connection, types: set[int], classes: set[int]) -> Iterator[Member]:
        """(kind, OID) of what users added to the default operator classes of these types, or to these classes."""
        asked = [*(("of a type", oid) for oid in types), *(("class", oid) for oid in classes)]
        new = [key for key in asked if key not in self.members]
        if new:
            by_kind = {by: {oid for one, oid in new if one == by} for by in ("of a type", "class")}
            self.members.update({key: [] for key in new})
            for by, oid, kind, member in lookups.class_members(connection, by_kind["of a type"], by_kind["class"]):
                self.members[by, oid].append((kind, member))
        return (member for key in asked for member in self.members[key])


_KINDS: Final = ("function", "operator", "type", "relation")
# what a looked-up name is, and how it is looked at
_MODES: Final = {
    "function": ("function", ""),
    "attribute": ("function", "attribute"),
    "operator": ("operator", "by name"),
    "type": ("type", "made"),
    "relation": ("relation", "direct"),
    "written": ("relation", "written"),
}
_MOST_LAYERS: Final = 100
"""More layers than views upon views have; what goes on longer is refused."""
# types that constants have before anything is known of them: bool, int8, int4, text, bit, numeric
_CONSTANTS: Final = (16, 20, 23, 25, 1560, 1700)
# anyelement, anyarray, anynonarray, anyenum, anyrange, anymultirange and the anycompatible family
_POLYMORPHIC: Final = frozenset({2283, 2277, 2776, 3500, 3831, 4537, 5077, 5078, 5079, 5080, 4538})


@dataclass(slots=True)
class Closure:
    """What is reached from a statement, and the concerns that it raises.

    `path` are the schemas that names without one are looked for in; `known` is kept from statement to statement;
    `writing` says that the statement changes rows; `columns` are those that its own text may mean (None: all).
    """

    connection: Connection
    path: list[str]
    known: Known
    writing: bool = False
    columns: frozenset[str] | None = None
    named: set[str] = field(default_factory=set)
    _concerns: set[Concern] = field(default_factory=set)
    _seen: set[tuple[str, int, str]] = field(default_factory=set)
    _waiting: dict[tuple[str, int, str], str | None] = field(default_factory=dict)
    _bodies: list[tuple[str, list[str], str]] = field(default_factory=list)
    _read: set[tuple[str, tuple[str, ...]]] = field(default_factory=set)
    _classes: set[int] = field(default_factory=set)
    _met: set[int] = field(default_factory=set)
    _domains_of_columns: set[int] = field(default_factory=set)
    _named_types: set[int] = field(default_factory=set)
    _set_aside: dict[int, str | None] = field(default_factory=dict)
    _fills_columns: bool = False

    def of(self, names: Names) -> Verdict:
        """Judge everything that the names may mean, and all that follows from it."""
        self.columns = None if names.all_columns else frozenset(names.columns)
        self._met.update(_CONSTANTS)
        self._reach_names(names, self.path, None)
        self._settle()
        return Verdict(tuple(sorted(self._concerns, key=_order)), tuple(sorted(self.named)))

    # what the other modules of this package call

    def reach(self, kind: str, oid: int, through: str | None, mode: str = "") -> None:
        """Look at this object too. Modes: of a function `attribute`, of an operator `by name`, of a type `column` (read
        from a table) or `made`, of a relation `direct` (by the statement's own text), `written` or `row`."""
        key = (kind, oid, mode)
        if oid and key not in self._seen:
            self._seen.add(key)
            self._waiting[key] = through

    def reach_tree(self, tree: str | None, through: str | None, *, written: bool = False) -> None:
        """Look at all that a stored expression or rule refers to."""
        found = referred(tree)
        for oid in found.functions | found.objects:
            self.reach("function", oid, through)
        for oid in found.objects:
            self.reach("operator", oid, through)
            self.reach("type", oid, through, "made" if oid in found.made else "column")
            self.reach("relation", oid, through, "written" if written else "")

    def fold_tree(self, tree: str, through: str) -> None:
        """Look at what the planner alone may call of a stored expression: what is not declared volatile."""
        found = referred(tree)
        self.fetch("operator", found.objects)
        functions = set(found.functions | found.objects)
        for oid in found.objects:
            functions.update((self.known.objects.get(("operator", oid)) or {}).get("functions", ()))
        self.fetch("function", functions)
        for oid in functions:
            facts = self.known.objects.get(("function", oid))
            if facts is not None and facts["volatility"] != "v":
                self.reach("function", oid, through)

    def reach_body(self, text: str, path: list[str] | None, through: str) -> None:
        """Read a function's body of SQL, whose names are found by this path, else by the statement's."""
        key = (text, tuple(path or self.path))
        if key not in self._read:
            self._read.add(key)
            self._bodies.append((text, path or self.path, through))

    def use_classes(self, oids: Iterable[int]) -> None:
        """These operator classes are used."""
        self._classes.update(oids)

    def concern(self, what: str, why: str, through: str | None) -> None:
        """Something speaks against running the statement."""
        self._concerns.add(Concern(what, why, through))

    def fetch(self, kind: str, oids: Iterable[int]) -> None:
        """Have these objects known."""
        self._fetch({(kind, oid) for oid in oids})

    # the work

    def _reach_names(self, names: Names, path: list[str], through: str | None) -> None:
        for kind, oid in lookups.look_up(self.connection, names, path, first=through is None):
            if kind == "type":
                self._named_types.add(oid)
            what, mode = _MODES[kind]
            self.reach(what, oid, through, "" if mode == "direct" and through is not None else mode)

    def _settle(self) -> None:
        for _ in range(_MOST_LAYERS):
            if self._waiting or self._bodies:
                self._layer()
                self._texts()
            else:
                self._implied()
                if not self._waiting:
                    return
        self.concern("", "more is reached from it than can be followed", None)

    def _layer(self) -> None:
        """Look at everything that waits."""
        layer, self._waiting = self._waiting, {}
        self._fetch({(kind, oid) for kind, oid, _ in layer})
        for (kind, oid, mode), through in layer.items():
            facts = self.known.objects.get((kind, oid))
            if facts is None:
                continue
            if kind == "function":
                self._function(oid, facts, mode, through)
            elif kind == "operator":
                self._operator(oid, facts, mode, through)
            elif kind == "type":
                self._type(oid, facts, mode, through)
            else:
                follow_relation(self, oid, facts, mode, through)

    def _fetch(self, wanted: set[tuple[str, int]]) -> None:
        unknown = wanted - self.known.objects.keys()
        if not unknown:
            return
        self.known.objects.update(dict.fromkeys(unknown))
        by_kind = {kind: {oid for k, oid in unknown if k == kind} for kind in _KINDS}
        for kind, oid, facts in lookups.objects(self.connection, by_kind):
            self.known.objects[kind, oid] = facts

    def _texts(self) -> None:
        """Read the bodies of SQL that wait."""
        from rowreckon.sql.grammar import NotSql

        bodies, self._bodies = self._bodies, []
        for text, path, through in bodies:
            try:
                names = names_of(text)
            except NotSql:
                self.concern(through, "whose body can't be read as SQL", None)
                continue
            if names.kinds - {"SelectStmt"} or names.written:
                self.concern(through, "whose body does more than read", None)
            self._reach_names(names, path, through)

    def _function(self, oid: int, facts: Facts, mode: str, through: str | None) -> None:
        if mode == "attribute" and not self._takes_a_row(facts):
            return
        polymorphic = sum(argument in _POLYMORPHIC for argument in facts["arguments"])
        if polymorphic > 1 or facts["name"].endswith(FILLS_RECORDS):
            self._fills_columns = True
        # what it gives may be cast or sorted by what a user made for that type
        self._met.add(facts["result"])
        judge_function(self, oid, facts, through)

    def _takes_a_row(self, facts: Facts) -> bool:
        """Whether `guest.name` can mean this function: its first argument is a row, or may be anything."""
        if not facts["arguments"]:
            return False
        first = facts["arguments"][0]
        self.fetch("type", [first])
        row = self.known.objects.get(("type", first))
        return row is not None and (row["kind"] in "cp" or row["relation"] != 0)

    def _operator(self, oid: int, facts: Facts, mode: str, through: str | None) -> None:
        """A user's operator, found by its name, counts as soon as values of its own types occur."""
        if oid < FIRST_OWN:
            # PostgreSQL's own act in nothing; what they give is met, as with functions
            self._met.add(facts["result"])
            return
        if mode == "by name" and not self._operands_met(facts):
            self._set_aside[oid] = through
            return
        for function in facts["functions"]:
            self.reach("function", function, through or f"the operator {facts['name']}")
        for occurring in (*facts["operands"], facts["result"]):
            self.reach("type", occurring, through, "made")

    def _operands_met(self, facts: Facts) -> bool:
        return all(operand in self._met for operand in facts["operands"] if operand >= FIRST_OWN)

    def _type(self, oid: int, facts: Facts, mode: str, through: str | None) -> None:
        self._met.add(oid)
        if facts["kind"] == "d" and mode == "column":
            self._domains_of_columns.add(oid)
        follow_type(self, oid, facts, mode, through)

    def _implied(self) -> None:
        """What no name shows: operators set aside, casts, operator classes, columns' own domains."""
        for oid, through in list(self._set_aside.items()):
            facts = self.known.objects.get(("operator", oid))
            if facts is not None and self._operands_met(facts):
                del self._set_aside[oid]
                self.reach("operator", oid, through)
        if self._fills_columns:
            for oid in self._domains_of_columns:
                self.reach("type", oid, None, "made")
        for source, target, function, context in self.known.casts_of(self.connection):
            if self._cast_counts(source, target, context):
                self.reach("function", function, "a cast")
        for kind, oid in self.known.members_of(self.connection, self._met, self._classes):
            self.reach(kind, oid, "an operator class", "column" if kind == "type" else "")

    def _cast_counts(self, source: int, target: int, context: str) -> bool:
        """Whether a user's cast may be meant: its own types occur, or it is from and to PostgreSQL's types and is
        taken unasked, or asked for."""
        own = [oid for oid in (source, target) if oid >= FIRST_OWN]
        if own:
            return all(oid in self._met for oid in own)
        if source not in self._met:
            return False
        return context == "i" or (context == "a" and self.writing) or target in self._named_types


def _order(concern: Concern) -> tuple[str, str, str]:
    return (concern.why, concern.what, concern.through or "")
