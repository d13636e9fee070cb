"""Plans in server logs, as the auto_explain module writes them: streamed, whatever the size of the log.

`read_log` gives plan after plan from a binary stream: stderr logs with any log_line_prefix, csvlog and jsonlog, each
with plans in json, text, yaml or xml; `open_log` opens plain and compressed files.
"""

from __future__ import annotations

from rowreckon.reading.logs.files import is_log, open_log
from rowreckon.reading.logs.plans import read_log

__all__ = ["is_log", "open_log", "read_log"]
