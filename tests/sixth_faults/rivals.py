"""Cures of other causes, which must leave a fault as it is: what its name in the matrix rests on."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault

_REFRESHED: Final = frozenset({"stale_statistics", "never_analyzed", "partition_parent_not_analyzed"})
_LENGTHENED: Final = frozenset({"column_target_too_low", "join_key_skew"})
_SAMPLED: Final = frozenset({"passes at a turnstile, a few of them all day"})
"""A sample of all rows counts the values too."""

_REFRESH: Final = ("analyze",)
_LONGER: Final = ("set default_statistics_target = 3000", "analyze")

_OWN: Final[dict[str, tuple[tuple[str, ...], ...]]] = {
    "a new association among old ones": (("create statistics on association_id, colony_id from weighings",),),
    "orders that were printed since": (("alter table copies alter column state set statistics 1000",),),
    "analyzed while it was empty": (("create statistics on accession_id, outcome from germinations",),),
    "a restored table without ANALYZE": (("analyze cars, depots, lines",),),
    "a materialized view that nobody analyzed": (("analyze bookings, routes, vessels",),),
    "loans by year, analyzed year by year": (("analyze loans_2021, loans_2022, loans_2023, loans_2024",),),
    "nights and breakfasts, each in partitions": (
        ("analyze bed_nights_0, bed_nights_1, breakfasts_0, breakfasts_1, hostels, towns",),
    ),
    "the largest agent through a prepared statement": (
        ("create statistics on agent_id, route_id from bookings", "analyze bookings"),
    ),
    "facts of cars as keys and values": (("create statistics (ndistinct) on key, value from car_facts", "analyze"),),
    "a province, its country and its climate": (
        ("create statistics (dependencies, mcv) on collector_id, species_id from findings", "analyze"),
    ),
    "a state that one agent alone uses": (("create index on vouchers (agent_id, state)", "analyze"),),
    "prices valid on a day": (("create statistics (dependencies) on valid_from, valid_to from prices", "analyze"),),
    "watches that run at a moment, by the week": (("create statistics (mcv) on starts, ends from watches", "analyze"),),
    "repairs opened and closed since last week": (
        ("create statistics (dependencies, ndistinct) on opened_week, closed_week from repairs", "analyze"),
    ),
    "a thread below the longest hundred": (
        ("create statistics on thread_no, work_id from remarks", "analyze remarks"),
        ("alter table remarks alter column work_id set statistics 90", "analyze remarks"),
    ),
    "a few yards of middling size": (("create statistics on yard_no, colony_id from harvests", "analyze harvests"),),
    "bookings grouped by both ports": (("create statistics (mcv) on from_port, class from legs", "analyze"),),
    "runs grouped by line, car and timetable": (("create statistics (mcv) on line_id, day from runs", "analyze"),),
    "passes at a turnstile, a few of them all day": (
        ("create statistics on pass_no, hostel_id from turnstiles", "analyze turnstiles"),
    ),
    "tickets of a sailing, by route and number": (
        (
            "create statistics on route_id, sailing_no from tickets",
            "create statistics on route_id, sailing_no from sailings",
            "analyze",
        ),
    ),
    "tests of a lot, by site, year and number": (
        (
            "create statistics on site_id, year, lot_no from tests",
            "create statistics on site_id, year, lot_no from lots",
            "analyze",
        ),
    ),
    "brakings and alarms on the same segments of track": (
        ("create statistics on segment_no, car_id from brakings", "analyze"),
        ("create index on alarms (segment_no)", "create index on brakings (segment_no)", "analyze"),
    ),
    "quotations and recordings of the same melodies": (
        ("create statistics on melody_no, work_id from quotations", "analyze"),
        ("alter table quotations alter column melody_no set statistics 1000", "analyze quotations"),
    ),
    "old members who never came again": (("create index on stays (member_id)", "analyze"),),
    "tags of hives that were bought elsewhere": (("create index on seen_tags (tag_no)", "analyze"),),
    "the most common theme, looked up by its name": (
        ("create statistics on work_id, theme_id from work_themes", "analyze"),
        ("create index on themes (label)", "analyze"),
    ),
    "asked for before midsummer, sent after it": (("create statistics on order_id, sent from parcels", "analyze"),),
    "lorries go on the freight vessel alone": (
        ("create statistics on vessel_id, category from loadings", "analyze"),
        ("create statistics on vessel_id, kind from vessels", "analyze"),
    ),
    "treatments of one apiary's colonies": (("create statistics on colony_id, note from treatments", "analyze"),),
}
"""What a hasty reader would try, for faults of which more than one cause comes to mind."""


def rivals(fault: Fault) -> tuple[tuple[str, ...], ...]:
    """Lists of statements, each of which is another cause's cure."""
    general: list[tuple[str, ...]] = []
    if fault.code not in _REFRESHED:
        general.append(_REFRESH)
        if fault.code not in _LENGTHENED and fault.name not in _SAMPLED:
            general.append(_LONGER)
    return (*general, *_OWN.get(fault.name, ()))
