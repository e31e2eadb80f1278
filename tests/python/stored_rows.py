"""Prints every row of an archive as pyarrow reads it: at,sensor,quantity,value,mark,time_source. Repeats stay repeats.

stored_rows.py FOLDER            an archive's `readings`
stored_rows.py FOLDER ENDPOINT   the same in an object store: BUCKET/PREFIX/readings at host:port, read in place
"""

import sys

import pyarrow.dataset as ds
import pyarrow.parquet as pq
from pyarrow import fs

folder = sys.argv[1]
if len(sys.argv) > 2:
    place = fs.S3FileSystem(access_key="test", secret_key="test", region="us-east-1", scheme="http", endpoint_override=sys.argv[2])
else:
    place = fs.LocalFileSystem()


def stored():
    entries = place.get_file_info(fs.FileSelector(folder, recursive=True, allow_not_found=True))
    # Names that begin with a dot are being written.
    files = sorted(entry.path for entry in entries if entry.extension == "parquet" and not entry.base_name.startswith("."))
    dataset = ds.dataset(files, format="parquet", filesystem=place)
    rows = dataset.to_table(columns=["at", "sensor", "quantity", "value", "mark", "time_source"]).to_pylist()
    assert len(rows) == sum(pq.ParquetFile(file, filesystem=place).metadata.num_rows for file in files)
    return rows


try:
    rows = stored()
except OSError:
    rows = stored()  # a merge took a file away between its listing and its reading
lines = []
for row in rows:
    at = row["at"].strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
    lines.append(f"{at},{row['sensor']},{row['quantity']},{row['value']!r},{row['mark']},{row['time_source']}")
print("\n".join(sorted(lines)))
