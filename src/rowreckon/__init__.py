"""rowreckon audits PostgreSQL execution plans for misestimated joins that crossed a switch point.

    from rowreckon import audit, read_path, render

    print(render(audit(read_path("plan.json"))))

`read_text` and `read_path` turn inputs into captures, `audit` judges captures, `render` prints an audit. All of it is
loaded when first used, and none of it needs psycopg or a terminal.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rowreckon.api import Audit, Capture, Format, Rejected, audit, read_path, read_text, render

from rowreckon.version import __version__

__all__ = ["Audit", "Capture", "Format", "Rejected", "__version__", "audit", "read_path", "read_text", "render"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'rowreckon' has no attribute {name!r}")
    import rowreckon.api

    return getattr(rowreckon.api, name)
