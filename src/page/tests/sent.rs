//! What is sent as a file: export, reports, metrics.

use super::*;

#[tokio::test]
async fn an_export_is_tidy_csv_and_refuses_what_is_no_span() {
    let served = served().await;
    let csv = served.get("/export.csv?from=2026-02-28&until=2026-03-01").await;
    assert!(
        csv.contains("time,enclosure,sensor,quantity,value,unit\n"),
        "{csv}"
    );
    for wrong in [
        "from=2026-03-02&until=2026-03-01",
        "from=soon&until=2026-03-01",
        "from=2020-01-01&until=2026-03-01",
        "from=2026-02-28&until=2026-03-01&enclosure=mossy-2",
    ] {
        let refused = served.get(&format!("/export.csv?{wrong}")).await;
        assert!(refused.starts_with("HTTP/1.1 422"), "{wrong}: {refused}");
    }
}

#[tokio::test]
async fn reports_are_listed_and_sent_without_script() {
    let served = served().await;
    let dir = mosswarden_config::table::reports_dir(&served.page.site.data_dir);
    fs_err::create_dir_all(&dir).expect("room");
    let written = [
        "report-2026-W08.html",
        "report-2026-W09.html",
        "report-2026-W09.json",
        "report-2026-02-20-1130-to-2026-02-27-mossy-1.txt",
        "audit-mossy-1-2026-03-01-0730.pdf",
        "handover-gone-2-2026-02-28.html",
        "something-else.html",
    ];
    for name in written {
        fs_err::write(dir.join(name), "<p>old</p>").expect("room");
    }
    fs_err::write(dir.join("report-2026-W09.html"), "<p>new</p>").expect("room");
    let list = served.get("/reports").await;
    let shown = [
        "<li>Weekly report, Monday 23 February to Sunday 1 March 2026: <a href=\"/reports/report-2026-W09.html\">read<",
        "/reports/report-2026-W09.json\">for programs (JSON)<",
        "<li>Audit of Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs, up to Sunday 1 March 2026, 07:30: <a",
        "<li>Hand-over of gone-2, Saturday 28 February 2026: <a",
        "<li>Report of Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs, Friday 20 February, 11:30 to Friday 27 February 2026: <a",
        "<li>Weekly report, Monday 16 February to Sunday 22 February 2026: <a",
        "<li>something-else: <a",
    ];
    let places: Vec<usize> = shown
        .iter()
        .map(|text| list.find(text).unwrap_or_else(|| panic!("no {text} in {list}")))
        .collect();
    assert!(places.is_sorted(), "the newest first: {list}");
    let file = served.get("/reports/report-2026-W09.html").await;
    assert!(file.ends_with("<p>new</p>"), "{file}");
    assert!(file.contains("sandbox"), "{file}");
}

#[tokio::test]
async fn metrics_are_open_metrics() {
    let served = served().await;
    let answer = served.get("/metrics").await;
    let (head, body) = answer.split_once("\r\n\r\n").expect("a head and a body");
    assert!(
        head.contains("application/openmetrics-text; version=1.0.0"),
        "{head}"
    );
    assert!(
        body.contains("# TYPE mosswarden_readings_stored counter\n"),
        "{body}"
    );
    assert!(
        body.contains("\nmosswarden_sensor_readings_total{sensor=\"mossy-1-stat\"} 0\n"),
        "{body}"
    );
    let feed = "{sensor=\"mossy-1-stat\",topic=\"nature-room/mossy-1/stat\"} 0\n";
    for name in [
        "messages_received",
        "readings_stored",
        "messages_refused",
        "redelivered",
        "readings_late",
    ] {
        let line = format!("\nmosswarden_feed_{name}_total{feed}");
        assert!(body.contains(&line), "{line} is not in {body}");
    }
    assert!(body.ends_with("# EOF\n"), "{body}");
}
