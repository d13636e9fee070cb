"""Counts: what is comparable in a plan, and where an error enters.

`reckon` turns a plan tree into totals with intervals and count states, `find_origins` says where errors enter,
`own_times` charges wall-clock time to the node that spent it.
"""

from rowreckon.counts.origin import Entering, Origins, find_origins
from rowreckon.counts.reckon import NodeCount, ReckonedTree, reckon
from rowreckon.counts.timing import own_times, wall_times

__all__ = ["Entering", "NodeCount", "Origins", "ReckonedTree", "find_origins", "own_times", "reckon", "wall_times"]
