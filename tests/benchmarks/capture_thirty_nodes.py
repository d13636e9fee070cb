"""Captures the plan of thirty nodes that the start-up benchmark audits.

    python -m tests.benchmarks.capture_thirty_nodes

From the embedded server and the sample database of `rowreckon demo`.
"""

from __future__ import annotations

import json
from pathlib import Path

import psycopg

from rowreckon.server.sweeping.demo import sample_database

PLAN = Path(__file__).parent / "data" / "thirty-nodes.18.json"

QUERY = """
select h.name, v.name, g.home_city, count(*), sum(b.nights), max(i.weight_kg)
from huts h
join valleys v on v.id = h.valley_id
join wardens w on w.id = h.warden_id
join bunks k on k.hut_id = h.id
join bookings b on b.hut_id = k.hut_id and b.bunk_code = k.bunk_code
join guests g on g.id = b.guest_id
join payments p on p.booking_id = b.id
left join (select hut_id, max(id) as id from supply_flights group by hut_id) f on f.hut_id = h.id
left join flight_items i on i.flight_id = f.id
where g.home_land = (select home_land from guests where id = 4000) and b.nights > 2 and b.channel = 'phone'
  and exists (select from trail_reports t where t.hut_id = h.id and t.reported_on > date '2026-01-01')
  and h.altitude_m > (select avg(altitude_m) from huts)
group by h.name, v.name, g.home_city
order by count(*) desc
limit 20
"""


def main() -> None:
    """Run the query and keep its plan."""
    with sample_database() as dsn, psycopg.connect(dsn) as connection:
        connection.execute("set default_transaction_read_only = on")
        row = connection.execute(
            f"explain (analyze, verbose, buffers, settings, format json) {QUERY}".encode()
        ).fetchone()
        assert row is not None
        PLAN.write_text(json.dumps(row[0], indent=1) + "\n")
        print(PLAN.name, json.dumps(row[0]).count('"Node Type"'), "nodes")


if __name__ == "__main__":
    main()
