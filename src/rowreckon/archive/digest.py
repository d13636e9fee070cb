"""One plan as the few numbers that a fold adds up; its typed form is built only where a join has to be judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

from pydantic import ValidationError

from rowreckon.archive.figures import JoinPlace, Template, join_places
from rowreckon.archive.literals import normalised
from rowreckon.archive.shape import NotPlain, Raw, Shapes, shape_digest
from rowreckon.capture import Capture
from rowreckon.counts.parallel import DEFAULT_MOST_WORKERS
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.counts.timing import wall_times
from rowreckon.intake import capture_of
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.joins.verdict.verdicts_only import verdicts_alone
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.tree import lay_out
from rowreckon.reading.raw import RawPlan

_MOST_SHAPES = 1_000
_MOST_SEEN = 100_000
_MOST_SHARINGS = 100
"""Most templates of one shape: settings of workers are few, but a log may name any."""
_MOST_QUERIES = 5_000
_QUERY_SHOWN = 300
_MOST_MS = 1e12
_PLAIN_TOP = {"Query Text": str, "Query Identifier": int, "Query Parameters": str}
_TOP_NUMBERS = frozenset({"Planning Time", "Execution Time"})


@dataclass(slots=True)
class Digest:
    """What an archive keeps of one execution; times in microseconds, whole, so that sums do not depend on order.

    `worst` is the largest q-error between nearest ends over all nodes, None where no count permits one. `lost_us` is
    a claim of the cost model: each crossed join's time × (1 − 1 ÷ loss factor).
    """

    fingerprint: bytes
    query_id: str | None = None
    query: str | None = None
    at: str | None = None
    worst: float | None = None
    misestimated: int = 0
    joins: int = 0
    crossed: int = 0
    held: int = 0
    undecided: int = 0
    lost_us: int = 0
    execution_us: int | None = None


@dataclass(slots=True)
class _Known:
    """A shape's digest, and its templates by who takes part in the work below a Gather."""

    digest: bytes
    templates: dict[tuple[bool, int], Template]


class Digester:
    """Digests plan after plan, and works out once what depends on the shape alone.

    `threshold` is the q-error from which a count is misestimated; with `judge` off no join is judged: joins without
    a misestimate count as accurate, the others as undecided. With `mask` no query is kept with its literals.
    """

    def __init__(self, *, threshold: float, judge: bool = True, mask: bool = False) -> None:
        self.threshold = threshold
        self.judge = judge
        self.mask = mask
        self.shapes = Shapes()
        self.known: dict[tuple[Any, ...], _Known] = {}
        self.seen: set[bytes] = set()
        self.queries: dict[str, bytes] = {}

    def quick(self, raw: RawPlan, signs: bool) -> Digest | None:
        """The digest of a plan that was read the quick way; None where it has to be read with care.

        `signs` says whether there may be a minus sign in it.
        """
        document = raw.document
        try:
            _check_top(document)
            walked = None if signs else self.shapes.quick_walk(document["Plan"])
            shape, nodes, counted = walked or self.shapes.walk(document["Plan"])
            if not counted or (walked is None and any("Workers" in node for node in nodes)):
                return None
            return self.of_nodes(raw, nodes, self.known_shape(shape))
        except Exception:  # whatever it is, the careful way says it of this plan
            return None

    def digest(self, raw: RawPlan) -> Digest:
        """The digest of one plan. Raises BrokenPlan where PostgreSQL would never print it."""
        document = raw.document
        if raw.form == "capture":
            return self.of_capture(raw, capture_of(raw, ""), None)
        try:
            _check_top(document)
            shape, nodes, counted = self.shapes.walk(document["Plan"])
            known = self.known_shape(shape)
            if not counted:
                return self.of_capture(raw, capture_of(raw, ""), known.digest)
            return self.of_nodes(raw, nodes, known)
        except NotPlain:
            # Only the typed form can say what is wrong, or that nothing is.
            return self.of_capture(raw, capture_of(raw, ""), None)

    def of_nodes(self, raw: RawPlan, nodes: list[Raw], known: _Known) -> Digest:
        """The digest of a plan whose shape is known. Raises NotPlain where a count is no number."""
        template = self.template(known, raw.document, nodes)
        errors = template.errors(nodes)
        found = self.started(raw, known.digest, _execution_us(raw, nodes[0]))
        self.count_errors(found, errors, template.joins, [node["Actual Loops"] for node in nodes])
        if self.judge and found.held:
            self.judged(found, capture_of(raw, ""), None)
        return found

    def of_capture(self, raw: RawPlan, capture: Capture, digest: bytes | None) -> Digest:
        """The digest of a plan in its typed form."""
        explain = capture.explain
        if explain is None:
            return self.started(raw, digest or shape_digest(("no plan",)), None)
        if digest is None:
            digest = self.typed_digest(raw, capture)
        reckoned = reckoned_of(capture)
        root = explain.plan
        took = explain.execution_time
        if took is None:
            took = raw.extra.get("duration_ms")
        if took is None and root.actual_total_time is not None:
            took = root.actual_total_time * root.loops
        found = self.started(raw, digest, _microseconds(took), capture=capture)
        errors = [count.q_error_low for count in reckoned.counts]
        loops = [node.actual_loops for node in reckoned.tree.nodes]
        self.count_errors(found, errors, join_places(reckoned.tree), loops)
        if self.judge and found.held:
            self.judged(found, capture, reckoned)
        return found

    def started(
        self, raw: RawPlan, digest: bytes, execution_us: int | None, *, capture: Capture | None = None
    ) -> Digest:
        """A digest that knows who, when and how long."""
        document = raw.document
        number = document.get("Query Identifier")
        query = raw.query or document.get("Query Text")
        if capture is not None:
            query = capture.query or query
            if capture.explain is not None and capture.explain.query_identifier is not None:
                number = capture.explain.query_identifier
        if number is not None and number != 0:
            query_id, key = str(number), f"id {number}".encode()
        elif isinstance(query, str):
            query_id, key = None, self.query_digest(query)
        else:
            logged = raw.extra.get("query_id")
            query_id = None if logged is None else str(logged)
            key = f"logged {logged}".encode()
        at = raw.extra.get("timestamp") or (capture.captured_at if capture is not None else None)
        return Digest(
            fingerprint=blake2b(key, key=digest, digest_size=8).digest(),
            query_id=query_id,
            query=self.shown(query) if isinstance(query, str) else None,
            at=at if isinstance(at, str) else None,
            execution_us=execution_us,
        )

    def count_errors(
        self,
        found: Digest,
        errors: Sequence[float | None],
        joins: Sequence[JoinPlace],
        loops: Sequence[float | None],
    ) -> None:
        """Put in the worst error and how many are at the threshold; misestimated joins are `held` until judged."""
        threshold = self.threshold
        known = [e for e in errors if e is not None]
        if known:
            found.worst = max(known)
            if found.worst >= threshold:
                found.misestimated = sum(1 for e in known if e >= threshold)
        found.joins = len(joins)
        wrong = found.misestimated > 0
        for join in joins:
            if not loops[join.node]:
                found.undecided += 1
            elif wrong and any((errors[n] or 0.0) >= threshold for n in (join.node, join.outer, join.inner)):
                found.held += 1
        if not self.judge:
            found.undecided, found.held = found.undecided + found.held, 0

    def judged(self, found: Digest, capture: Capture, reckoned: ReckonedTree | None) -> None:
        """Replace the misestimated joins' provisional verdicts by real ones, and reckon the time lost."""
        if reckoned is None:
            assert capture.explain is not None
            reckoned = reckoned_of(capture)
        verdicts = verdicts_alone(capture, reckoned, threshold=self.threshold)
        found.held = 0
        spent: list[float | None] = []
        lost = 0.0
        for verdict in verdicts:
            if not reckoned.tree.nodes[verdict.node].actual_loops:
                continue  # counted already: it never ran
            if verdict.verdict == "crossed":
                found.crossed += 1
                spent = spent or wall_times(reckoned)
                took = spent[verdict.node]
                if took is None:
                    took = None if found.execution_us is None else found.execution_us / 1000
                if took is not None and verdict.loss_factor is not None:
                    lost += took * (1.0 - 1.0 / verdict.loss_factor)
            elif verdict.verdict == "held":
                found.held += 1
            elif verdict.verdict == "undecided":
                found.undecided += 1
        found.lost_us = round(lost * 1000)
        if found.execution_us is not None:
            found.lost_us = min(found.lost_us, found.execution_us)

    def template(self, known: _Known, document: Raw, nodes: list[Raw]) -> Template:
        """What the shape decides; kept when it comes for the second time, as most that come once never come again.

        Raises NotPlain where the shape is new and a value is of a type that a plan does not have.
        """
        leader, most = sharing = _sharing(document)
        template = known.templates.get(sharing)
        if template is not None:
            return template
        self.shapes.check(nodes)
        template = Template(nodes, leader_takes_part=leader, most_workers=most)
        if known.digest in self.seen:
            if len(known.templates) >= _MOST_SHARINGS:
                known.templates.clear()
            known.templates[sharing] = template
        elif len(self.seen) >= _MOST_SEEN:
            self.seen.clear()
        self.seen.add(known.digest)
        return template

    def known_shape(self, shape: tuple[Any, ...]) -> _Known:
        """What is kept of a shape."""
        known = self.known.get(shape)
        if known is None:
            if len(self.known) >= _MOST_SHAPES:
                self.known.clear()
            known = self.known[shape] = _Known(shape_digest(shape), {})
        return known

    def typed_digest(self, raw: RawPlan, capture: Capture) -> bytes:
        """The shape of a plan of which only the typed form can be trusted."""
        assert capture.explain is not None
        try:
            return self.known_shape(self.shapes.walk(capture.explain.to_explain()["Plan"])[0]).digest
        except NotPlain:
            kinds = [node.node_type for node in lay_out(capture.explain.plan).nodes]
            return shape_digest(tuple(kinds))

    def shown(self, query: str) -> str:
        """The beginning of a query's text, for people."""
        if self.mask:
            from rowreckon.sql.masking import mask_statement

            query = mask_statement(query)
        return query[:_QUERY_SHOWN]

    def query_digest(self, query: str) -> bytes:
        known = self.queries.get(query)
        if known is None:
            if len(self.queries) >= _MOST_QUERIES:
                self.queries.clear()
            text = normalised(query).encode(errors="backslashreplace")
            known = self.queries[query] = b"text " + blake2b(text, digest_size=16).digest()
        return known


def _check_top(document: Raw) -> None:
    """Raise NotPlain where something beside the plan is what PostgreSQL never prints."""
    if type(document.get("Plan")) is not dict:
        raise NotPlain
    for name, value in document.items():
        kind = type(value)
        if name in _TOP_NUMBERS:
            if (kind is not int and kind is not float) or not 0 <= value < float("inf"):
                raise NotPlain
        elif name != "Plan" and _PLAIN_TOP.get(name) is not kind:
            break
    else:
        return
    rest = {name: tuple(value) if type(value) is list else value for name, value in document.items()}
    try:
        ExplainDocument.model_validate(rest)  # which takes the plan as it is
    except ValidationError:
        raise NotPlain from None


def _sharing(document: Raw) -> tuple[bool, int]:
    """Whether the leader of a Gather takes part, and the most workers that one may have."""
    settings = document.get("Settings") or {}
    most = settings.get("max_parallel_workers_per_gather", "")
    return (
        settings.get("parallel_leader_participation", "on") != "off",
        int(most) if isinstance(most, str) and most.isdecimal() and len(most) < 5 else DEFAULT_MOST_WORKERS,
    )


def _execution_us(raw: RawPlan, root: Raw) -> int | None:
    took = raw.document.get("Execution Time")
    if took is None:
        took = raw.extra.get("duration_ms")
    if took is None and "Actual Total Time" in root:
        took = root["Actual Total Time"] * root["Actual Loops"]
    return _microseconds(took)


def _microseconds(took: float | None) -> int | None:
    """Milliseconds as whole microseconds; None where nobody can have waited that long."""
    return None if took is None or not 0 <= took < _MOST_MS else round(took * 1000)
