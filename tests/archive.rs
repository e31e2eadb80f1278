//! The archive as other programs see it: DuckDB and pyarrow open the files where they lie.

use serde_json::json;

use crate::harness::{Home, Python, root};

/// The sample day's site and readings in a home of their own.
pub(crate) fn sample_home() -> Home {
    let sample =
        |name: &str| fs_err::read_to_string(root().join("sample-logs").join(name)).expect("a sample");
    let home = Home::new(&sample("site.toml"));
    home.write("sample.csv", &sample("readings.csv"));
    home.run(&["import", "sample.csv"]).expect_code(0);
    home
}

#[test]
fn duckdb_and_pyarrow_open_it_unchanged() {
    let Some(python) = Python::find() else {
        return;
    };
    let home = sample_home();
    let rows = home.exported().len();
    let seen = python
        .run(
            "open_archive.py",
            &[&home.path("data/readings").to_string_lossy()],
        )
        .expect_code(0)
        .json();
    let instant = "TIMESTAMP WITH TIME ZONE";
    assert_eq!(
        seen["duckdb"]["types"],
        json!({
            "at": instant, "received": instant, "time_source": "VARCHAR", "enclosure": "VARCHAR",
            "sensor": "VARCHAR", "quantity": "VARCHAR", "value": "DOUBLE", "mark": "VARCHAR", "date": "DATE",
        })
    );
    let instant = "timestamp[ms, tz=UTC]";
    assert_eq!(
        seen["pyarrow"]["types"],
        json!({
            "at": instant, "received": instant, "time_source": "string", "enclosure": "string",
            "sensor": "string", "quantity": "string", "value": "double", "mark": "string", "date": "string",
        })
    );
    for engine in ["duckdb", "pyarrow"] {
        assert_eq!(seen[engine]["rows"], rows, "{engine}");
        // The local day in Lisbon in summer begins at 23:00 UTC of the day before.
        let dates = seen[engine]["rows_by_date"].as_object().expect("dates");
        let dates: Vec<&str> = dates.keys().map(String::as_str).collect();
        assert_eq!(dates, ["2026-06-10", "2026-06-11"], "{engine}");
        assert_eq!(
            seen[engine]["astray"], 0,
            "{engine}: rows outside their partition's UTC day"
        );
    }
    assert_eq!(seen["duckdb"]["rows_by_date"], seen["pyarrow"]["rows_by_date"]);
    assert_eq!(seen["duckdb"]["warmest_c"], seen["pyarrow"]["warmest_c"]);
    let metadata = &seen["metadata"];
    assert_eq!(metadata["mosswarden.format"], "1");
    let units: serde_json::Value =
        serde_json::from_str(metadata["mosswarden.units"].as_str().expect("units")).expect("units are JSON");
    for column in ["at", "received", "value", "quantity", "mark"] {
        assert!(units[column].is_string(), "no word about {column} in {units}");
    }
    assert!(
        units["quantity"]
            .as_str()
            .is_some_and(|text| text.contains("temperature Cel, humidity %RH"))
    );
    assert_eq!(seen["compression"], json!(["ZSTD"]));
}

#[test]
fn a_file_that_is_none_is_told_by_name() {
    let home = sample_home();
    home.write("data/readings/date=2026-06-11/part-1.parquet", "not Parquet");
    let said = home
        .run(&["flags", "--from", "2026-06-11", "--to", "2026-06-12"])
        .expect_code(1);
    assert!(
        said.stderr
            .contains("part-1.parquet is not a readable Parquet file"),
        "{}",
        said.stderr
    );
}
