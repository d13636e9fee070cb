"""Read plans once more where they stand: of millions, only the worst of each fold is kept, and only as a place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from rowreckon.archive.files import PACKED, open_plain, unpacked
from rowreckon.archive.folds import Place
from rowreckon.archive.work import file_plans, log_plans
from rowreckon.errors import InputError
from rowreckon.reading.limits import Limits
from rowreckon.reading.logs.files import is_log
from rowreckon.reading.raw import RawPlan

_HEAD = 4096


def plans_at(paths: Sequence[str], places: Iterable[Place], limits: Limits) -> dict[Place, RawPlan]:
    """The plans at these places; those that can no longer be read are left out."""
    found: dict[Place, RawPlan] = {}
    for number, group in groupby(sorted(places), key=lambda place: place.input):
        try:
            found.update(_of_input(paths[number], list(group), limits))
        except (InputError, OSError, EOFError):
            continue
    return found


def _of_input(path: str, places: list[Place], limits: Limits) -> dict[Place, RawPlan]:
    with open_plain(path) as stream:
        packed = stream.read(4).startswith(PACKED)
        if places[0].numbered:
            plans = file_plans(path, limits)
            return {p: raw for p in places if p.at < len(plans) and isinstance(raw := plans[p.at], RawPlan)}
        found: dict[Place, RawPlan] = {}
        if not packed:
            for place in places:
                stream.seek(place.at)
                if not is_log(stream.read(_HEAD)):
                    continue  # the file is no longer what it was
                stream.seek(place.at)
                first = next(log_plans(stream, place.input, limits), None)
                if first is not None and first[0].at == 0 and isinstance(first[1], RawPlan):
                    found[place] = first[1]
            return found
    wanted = {place.at: place for place in places}
    with unpacked(path) as stream:
        for place, raw in log_plans(stream, places[0].input, limits):
            if place.at in wanted and isinstance(raw, RawPlan):
                found[wanted[place.at]] = raw
                if len(found) == len(wanted):
                    break
    return found
