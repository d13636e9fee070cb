"""rowreckon audits PostgreSQL execution plans for misestimated joins that crossed a switch point."""

__version__ = "0.1.0"
