"""Prints every row of an archive as pyarrow reads it: at,sensor,quantity,value,mark,time_source. Repeats stay repeats."""

import sys
from pathlib import Path

import pyarrow.dataset as ds
import pyarrow.parquet as pq

folder = Path(sys.argv[1])
files = sorted(folder.glob("*/*.parquet"))
dataset = ds.dataset([str(file) for file in files], format="parquet")
rows = dataset.to_table(columns=["at", "sensor", "quantity", "value", "mark", "time_source"]).to_pylist()
assert len(rows) == sum(pq.ParquetFile(file).metadata.num_rows for file in files)
lines = []
for row in rows:
    at = row["at"].strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
    lines.append(f"{at},{row['sensor']},{row['quantity']},{row['value']!r},{row['mark']},{row['time_source']}")
print("\n".join(sorted(lines)))
