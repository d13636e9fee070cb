"""The configuration file: which servers may be swept without asking.

# config.toml in the user's configuration folder (`rowreckon check` says where), or where ROWRECKON_CONFIG points
[servers]
allow = ["dev-db.example", "10.0.0.5:5433", "staging.example/huts"]
"""

from __future__ import annotations

import os
from pathlib import Path

from rowreckon.bounded import read_toml
from rowreckon.errors import UsageError
from rowreckon.frozen import frozen


@frozen
class Config:
    """`allow` names servers as host, host:port, host/database or host:port/database."""

    allow: tuple[str, ...] = ()


def config_path() -> Path:
    """Where the file is looked for; it need not exist."""
    named = os.environ.get("ROWRECKON_CONFIG")
    if named:
        return Path(named)
    import platformdirs

    return platformdirs.user_config_path("rowreckon") / "config.toml"


def read_config() -> Config:
    """The configuration, or its defaults where there is no file. Raises UnreadableFile, InputTooLarge or UsageError."""
    path = config_path()
    if not path.exists():
        return Config()
    document = read_toml(path, "the configuration")
    servers = document.get("servers", {})
    unknown = [
        *(set(document) - {"servers"}),
        *(set(servers) - {"allow"} if isinstance(servers, dict) else ["servers"]),
    ]
    allow = servers.get("allow", []) if isinstance(servers, dict) else None
    if unknown or not isinstance(allow, list) or not all(isinstance(entry, str) for entry in allow):
        what = f"knows no {', '.join(sorted(unknown))}" if unknown else "needs a list of texts for allow"
        raise UsageError(f"the configuration {what}", where=str(path), hint='write [servers] and allow = ["host"]')
    return Config(tuple(allow))
