"""One list of releases: what it holds is what the guide tells."""

from __future__ import annotations

from importlib.resources import files

from rowreckon import releases


def test_the_list_is_in_order() -> None:
    """Each major once, oldest first; all but the newest have a packed server of their own major; those that are read
    only come first."""
    majors = [release.major for release in releases.RELEASES]

    assert majors == sorted(set(majors)) == list(releases.READ)
    assert [int(r.packed.split(".")[0]) for r in releases.RELEASES[:-1] if r.packed is not None] == majors[:-1]
    assert releases.RELEASES[-1].packed is None
    assert releases.READ[-len(releases.MODELLED) :] == releases.MODELLED


def test_the_guide_names_the_same_releases() -> None:
    """What users are told is what the list holds."""
    told = files("rowreckon").joinpath("guide", "plans.md").read_text("utf-8")

    assert f"PostgreSQL {releases.READ[0]} to {releases.READ[-1]} are read" in told
    assert f"costs are modelled for {releases.OLDEST} to {releases.NEWEST}" in told
