"""Opens an archive by DuckDB and by pyarrow as it lies there and prints, as JSON, what each of them sees."""

import json
import sys
from pathlib import Path

import duckdb
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq

folder = sys.argv[1]
source = f"read_parquet('{folder}/*/*.parquet', hive_partitioning = true)"
duckdb.sql("set timezone = 'UTC'")


def one(query):
    return duckdb.sql(query).fetchall()[0][0]


by_duckdb = {
    "types": {name: kind for name, kind, *_ in duckdb.sql(f"describe select * from {source}").fetchall()},
    "rows": one(f"select count(*) from {source}"),
    "rows_by_date": dict(
        duckdb.sql(f"select cast(date as varchar), count(*) from {source} group by date order by date").fetchall()
    ),
    "astray": one(f"select count(*) from {source} where cast(\"at\" at time zone 'UTC' as date) <> date"),
    "warmest_c": one(f"select max(value) from {source} where quantity = 'temperature'"),
}

dataset = ds.dataset(folder, format="parquet", partitioning="hive")
table = dataset.to_table()
dates = table["date"].to_pylist()
temperatures = dataset.to_table(columns=["value"], filter=pc.field("quantity") == "temperature")
by_pyarrow = {
    "types": {field.name: str(field.type) for field in dataset.schema},
    "rows": table.num_rows,
    "rows_by_date": {date: dates.count(date) for date in sorted(set(dates))},
    "astray": sum(at.strftime("%Y-%m-%d") != date for at, date in zip(table["at"].to_pylist(), dates)),
    "warmest_c": pc.max(temperatures["value"]).as_py(),
}

metadata, compression = {}, set()
for file in sorted(Path(folder).glob("*/*.parquet")):
    about = pq.ParquetFile(file).metadata
    found = {key.decode(): value.decode() for key, value in about.metadata.items() if key.startswith(b"mosswarden.")}
    # One check for each row group; all else is the same in every file.
    checks = found.pop("mosswarden.readings-crc32").split(",")
    assert len(checks) == about.num_row_groups and all(len(check) == 8 for check in checks), file
    assert metadata in ({}, found), file
    metadata = found
    for group in range(about.num_row_groups):
        for column in range(about.num_columns):
            compression.add(about.row_group(group).column(column).compression)

print(
    json.dumps(
        {"duckdb": by_duckdb, "pyarrow": by_pyarrow, "metadata": metadata, "compression": sorted(compression)}
    )
)
