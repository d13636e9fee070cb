"""Tables that many cases share: four of 20,000 rows with a key, and the other queries that read them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

_PADDING: Final = "repeat(md5(i::text), 4)"


def _keyed(name: str, columns: str, values: str) -> str:
    return f"""
create table {name} (id int primary key, {columns}, remark text);
insert into {name} select i, {values}, {_PADDING} from generate_series(1, 20000) i;
analyze {name};
"""


TAPES: Final = _keyed("tapes", "shelf int, label text", "i % 250, 'label ' || i % 40")
PLANTS: Final = _keyed("plants", "bed int, species text", "i % 500, 'species ' || i % 90")
PASSENGERS: Final = _keyed("passengers", "home_port int, name text", "i % 60, 'passenger ' || i")
PLAYERS: Final = _keyed("players", "club int, name text", "i % 400, 'player ' || i")

_GROUPED: Final = {"tapes": "shelf", "plants": "bed", "passengers": "home_port", "players": "club"}


NO_STATISTICS: Final = frozenset({"refresh_statistics", "more_statistics", "distinct_count", "drop_index"})
"""What must not come first where no statistics of any kind can mend the estimate."""
NO_DETOUR: Final = frozenset({"new_index", "drop_index", "query_rewrite", "statement_setting"})
"""What must not come first where the statistics alone are to blame."""


def others(table: str, key: str, partner: str, *more: str) -> Mapping[str, str]:
    """Three everyday queries on a table and the one whose key it holds, and one on each of `more`."""
    joined = f"from {table} x join {partner} y on y.id = x.{key}"
    return {
        f"one of {partner}": f"select y.remark from {partner} y where y.id = 4711",
        f"{table} of every group": f"select y.{_GROUPED[partner]}, count(*) {joined} group by y.{_GROUPED[partner]}",
        f"partners of {table}": f"select count(*), max(y.remark) {joined}",
        **{f"last of {name}": f"select count(*), max({name}::text) from {name}" for name in more},
    }
