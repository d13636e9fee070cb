"""The labels of logarithmic scales, in every drawing: the last decade's always, and no two in one another's way."""

from __future__ import annotations

import re

import pytest

from rowreckon.report.drawings.plan_picture import NodeLine, PlanPicture, Rails, RowStrip
from rowreckon.report.drawings.plan_svg import scale_svg
from rowreckon.report.drawings.plan_text import as_text, plan_text
from rowreckon.report.drawings.ruler import Ruler
from rowreckon.report.drawings.ruler_svg import ruler_svg
from rowreckon.report.drawings.ruler_text import ruler_text
from rowreckon.report.drawings.scale import centred, fitting, short_decade

HIGHS = range(2, 13)


def _picture(high: int) -> PlanPicture:
    line = NodeLine(0, Rails((), last=True, opens=False), "Seq Scan", " on huts", RowStrip(0.0, float(high)), 1.0)
    return PlanPicture(high, 1.0, (line,))


@pytest.mark.parametrize("width", [50, 60, 80, 100, 120])
@pytest.mark.parametrize("high", HIGHS)
def test_the_plans_scale_in_text_ends_with_its_last_decade(high: int, width: int) -> None:
    """The first and the last label stand at the ends; blanks part them all."""
    scale, line = as_text(plan_text(_picture(high), width)).splitlines()[:2]
    labels = scale.removesuffix("own time").split()[1:]

    assert labels[0] == "1"
    assert labels[-1] == short_decade(high)
    assert labels == [short_decade(n) for n in range(high + 1) if short_decade(n) in labels]
    assert scale.index(" 1 ") + 1 == line.index("○")
    assert scale.rindex(labels[-1]) + len(labels[-1]) == line.index("●") + 1


@pytest.mark.parametrize("width", [24, 56, 76, 100])
@pytest.mark.parametrize("high", HIGHS)
def test_a_rulers_axis_in_text_ends_with_its_last_decade(high: int, width: int) -> None:
    """However narrow; the labels that stand there are powers of ten in rising order."""
    axis = ruler_text(Ruler("outer", "Outer rows", 0, high, (), ()), width)[1]
    labels = [int(label.replace(",", "")) for label in axis.split()]

    assert labels[-1] == 10**high
    assert labels == sorted(labels)
    assert all(10 ** (len(str(label)) - 1) == label for label in labels)


@pytest.mark.parametrize("high", HIGHS)
def test_the_scales_of_the_page_end_with_their_last_decade(high: int) -> None:
    """For a narrow screen and for a wide one: what is for the wide one only says so."""
    for drawn, last in (
        (scale_svg(_picture(high)), short_decade(high)),
        (ruler_svg(Ruler("outer", "Outer rows", 0, high, (), ())), f"{10**high:,}"),
    ):
        labels = re.findall(r'class="(decade[^"]*)">([^<]*)<', drawn)
        assert labels[-1] == ("decade", last)
        assert labels[0] == ("decade", "1")


def test_what_fits_is_kept_and_what_does_not_is_left_out() -> None:
    """A label that would touch the last one goes, not the last one."""
    assert fitting([(0, 1), (4, 6), (8, 11), (13, 15), (17, 20), (18, 22)], 1) == [0, 1, 2, 3, 5]
    assert fitting([(0, 1), (4, 6), (9, 13)], 1) == [0, 1, 2]
    assert fitting([(0, 10), (4, 14)], 1) == [1]
    assert centred(0, 4, 100) == (0, 4)
    assert centred(50, 4, 100) == (48, 52)
    assert centred(100, 4, 100) == (96, 100)
