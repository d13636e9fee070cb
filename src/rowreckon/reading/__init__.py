"""Every way a plan arrives, turned into documents of the shape that PostgreSQL's FORMAT JSON has."""

from __future__ import annotations

from rowreckon.reading.limits import Limits
from rowreckon.reading.raw import RawPlan, Rejected
from rowreckon.reading.text import read_plans

__all__ = ["Limits", "RawPlan", "Rejected", "read_plans"]
