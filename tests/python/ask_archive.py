"""Puts the questions of collector/ARCHIVE.md to an archive, as they stand there, and prints the count of rows of each answer as JSON.

ask_archive.py duckdb ARCHIVE_MD HOME            every statement of its SQL block, in the folder above `data`
ask_archive.py spark ARCHIVE_MD HOME             its Spark lines; prints whether daily means are those of DuckDB on the same folder
ask_archive.py spark ARCHIVE_MD HOME ENDPOINT    its Spark lines for a bucket, at host:port, which holds what the folder holds; prints the same
"""

import json
import os
import re
import sys
from pathlib import Path

import duckdb

engine, page, home = sys.argv[1], Path(sys.argv[2]).read_text(encoding="utf-8"), sys.argv[3]
endpoint = sys.argv[4] if len(sys.argv) > 4 else None
os.chdir(home)


def block(language):
    return re.search(rf"```{language}\n(.*?)```", page, re.DOTALL).group(1)


sql = "\n".join(line for line in block("sql").splitlines() if not line.startswith("--"))
answers = []
for statement in filter(None, map(str.strip, sql.split(";"))):
    rows = duckdb.execute(statement).fetchall()
    if statement.startswith("select"):
        answers.append(rows)

if engine == "duckdb":
    print(json.dumps([len(rows) for rows in answers]))
else:
    from pyspark.sql import SparkSession
    from pyspark.sql import functions as F

    # What the workers are: this Python, with the key that the tests' store takes, as any.
    os.environ |= {"PYSPARK_PYTHON": sys.executable, "AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_REGION": "us-east-1"}
    spark = (
        SparkSession.builder.master("local[1]")
        .config("spark.sql.session.timeZone", "UTC")
        .config("spark.ui.enabled", "false")
        .config("spark.driver.host", "127.0.0.1")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .getOrCreate()
    )
    lines = block("python spark" if endpoint else "python").strip()
    lines = lines.replace('"store.example.org"', f'"{endpoint}", scheme="http"').splitlines()
    scope = {"spark": spark, "F": F}
    exec("\n".join(lines[:-1]), scope)  # the page's own lines
    means = eval(lines[-1], scope).collect()
    by_spark = {(row[0], str(row[1])): row[2] for row in means}
    by_duckdb = {(row[0], row[1].strftime("%Y-%m-%d")): row[2] for row in answers[0]}
    same = by_spark.keys() == by_duckdb.keys() and all(abs(by_spark[key] - by_duckdb[key]) < 1e-9 for key in by_spark)
    print(json.dumps({"days": len(by_spark), "same": same, "readings": scope["readings"].count()}))
    spark.stop()
