"""The same data and the same questions in other tools, for `tests/measure/archive.rs`.

archive.py formats HOME COUNT          bytes a reading of one month as CSV and in SQLite
archive.py daily HOME FROM_MS TO_MS    daily figures of one enclosure by DuckDB SQL and by pandas, on the archive's own files
"""

import os
import sqlite3
import sys
import time
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow.dataset as ds

SENSORS = ["tank-000-check", "tank-000-low", "tank-000-stat"]


def fastest(work, tries=3):
    took = []
    for _ in range(tries):
        started = time.perf_counter()
        rows = work()
        took.append(time.perf_counter() - started)
    return min(took), rows


def formats(home, count):
    files = f"{home}/data/readings/*/*.parquet"
    csv = home / "readings.csv"
    columns = "strftime(r.at at time zone 'UTC', '%Y-%m-%dT%H:%M:%S.%gZ') as time, enclosure, sensor, quantity, value"
    duckdb.sql(f"copy (select {columns} from read_parquet('{files}') r) to '{csv}' (header)")
    print(f"| CSV of time, enclosure, sensor, quantity, value | {csv.stat().st_size / count:.2f} |")
    table = duckdb.execute(
        "select epoch_ms(r.at), epoch_ms(coalesce(received, r.at)), time_source, enclosure, sensor, quantity, value, mark "
        f"from read_parquet('{files}') r order by sensor, r.at"
    )
    store = home / "readings.sqlite"
    store.unlink(missing_ok=True)
    out = sqlite3.connect(store)
    out.execute(
        "create table readings (at integer, received integer, time_source text, enclosure text, sensor text, "
        "quantity text, value real, mark text)"
    )
    while batch := table.fetchmany(200_000):
        out.executemany("insert into readings values (?, ?, ?, ?, ?, ?, ?, ?)", batch)
    out.commit()
    plain = os.path.getsize(store)
    out.execute("create index by_sensor on readings (sensor, quantity, at)")
    out.commit()
    print(f"| SQLite, one table | {plain / count:.2f} |")
    print(f"| SQLite with an index by sensor, quantity, time | {os.path.getsize(store) / count:.2f} |")


def daily(home, from_ms, to_ms):
    folder = home / "data" / "readings"
    names = ", ".join(f"'{sensor}'" for sensor in SENSORS)
    query = f"""
        select sensor, quantity, time_bucket(interval 1 day, r.at) as day, count(*), min(value), avg(value), max(value)
        from read_parquet('{folder}/*/*.parquet') r
        where sensor in ({names}) and r.at >= make_timestamptz({from_ms} * 1000) and r.at < make_timestamptz({to_ms} * 1000)
        group by all
    """
    duckdb.sql("set timezone = 'UTC'")
    duckdb.sql("set threads = 2")
    took, rows = fastest(lambda: len(duckdb.sql(query).fetchall()))
    print(f"| the same by DuckDB {duckdb.__version__} SQL ({rows} rows) | {took:.3f} s |")

    def by_pandas():
        start, end = pd.Timestamp(from_ms, unit="ms", tz="UTC"), pd.Timestamp(to_ms, unit="ms", tz="UTC")
        wanted = ds.field("sensor").isin(SENSORS) & (ds.field("at") >= start) & (ds.field("at") < end)
        dataset = ds.dataset(sorted(str(file) for file in folder.glob("*/*.parquet")), format="parquet")
        table = dataset.to_table(columns=["at", "sensor", "quantity", "value"], filter=wanted).to_pandas()
        groups = table.groupby(["sensor", "quantity", table["at"].dt.floor("D")], observed=True)["value"]
        return len(groups.agg(["count", "min", "mean", "max"]))

    took, rows = fastest(by_pandas)
    print(f"| the same by pandas {pd.__version__} over pyarrow ({rows} rows) | {took:.3f} s |")


home = Path(sys.argv[2])
if sys.argv[1] == "formats":
    formats(home, float(sys.argv[3]))
elif sys.argv[1] == "daily":
    daily(home, int(sys.argv[3]), int(sys.argv[4]))
else:
    sys.exit(f"unknown: {sys.argv[1]}")
