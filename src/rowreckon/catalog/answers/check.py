"""Whether an answer that came as a file has the shape that the script prints (`model`)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from rowreckon.bounds import check_bounds
from rowreckon.catalog.answers.model import SECTIONS, Answer, Section, Server, Told
from rowreckon.errors import BrokenPlan

_AGAIN = "ask for the output as a file: psql -X -f ask.sql -o answer.txt"
_PLANNED = frozenset({"relation", "clause", "pair", "end", "height"})
_NEEDED = ("node", "rows", "width", "startup", "total", "index", "index_cond", "filter")
_MAY_BE_EMPTY = frozenset({"index", "index_cond", "filter"})


def check_answer(answer: Mapping[str, Any]) -> None:
    """Nothing where an answer has the shape that the script prints. Raises BrokenPlan that names the field."""
    check_bounds(answer, "the answer")
    try:
        typed = Answer.model_validate(answer)
    except ValidationError as error:
        raise broken_answer(error, ()) from None
    for number, told in enumerate(typed.answers):
        _check_told(told, f"answers > {number}")
    for number, failure in enumerate(typed.failures):
        if failure.for_ is None and failure.part is None:
            raise BrokenPlan("a failure belongs to no question", where=f"failures > {number}", hint=_AGAIN)
    for section in typed.sections:
        _check_section(section)


def _check_told(told: Told, where: str) -> None:
    """Whether an answer to a question about a plan holds what every plan has."""
    kinds = [(t.kind, t.n, t.what) for t in told.for_] if told.for_ is not None else [(told.kind, told.n, told.what)]
    for kind, number, what in kinds:
        if kind is None or number is None:
            raise BrokenPlan("an answer belongs to no question", where=where, hint=_AGAIN)
        needed: tuple[str, ...] = (
            _NEEDED if kind != "height" else () if told.height is not None else ("startup", "index", "node")
        )
        if kind in _PLANNED and what is None:
            needed = ("what",)
        lacking = [name for name in needed if name not in told.model_fields_set or _empty(told, name)]
        if kind in _PLANNED and lacking:
            raise BrokenPlan(f"an answer lacks {lacking[0]}", where=where, hint=_AGAIN)


def _empty(told: Told, name: str) -> bool:
    return name not in _MAY_BE_EMPTY and getattr(told, name) is None


def _check_section(section: Section) -> None:
    content = section.content
    place: tuple[str, ...] = (section.name,)
    try:
        if section.name == "server":
            Server.model_validate(content)
        elif isinstance(content, list):
            model = SECTIONS.get(section.name)
            for number, row in enumerate(content):
                place = (section.name, str(number))
                if not isinstance(row, dict):
                    raise BrokenPlan("a row belongs here", where=f"{section.name} > {number}", hint=_AGAIN)
                if model is not None:
                    model.model_validate(row)
        elif content is not None:
            raise BrokenPlan("a list of rows belongs here", where=section.name, hint=_AGAIN)
    except ValidationError as error:
        raise broken_answer(error, place) from None


def broken_answer(error: ValidationError, place: tuple[str, ...]) -> BrokenPlan:
    """The first fault that a model found in an answer, as an error that names the field."""
    first = error.errors(include_url=False, include_context=False, include_input=False)[0]
    where = " > ".join((*place, *(str(step) for step in first["loc"])))
    return BrokenPlan(f"the answer holds a value that does not belong: {first['msg']}", where=where, hint=_AGAIN)
