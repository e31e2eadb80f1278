//! What is written by the page: journal, care.

use super::*;

#[tokio::test]
async fn the_journal_takes_an_entry_with_the_token_and_none_without() {
    let served = served().await;
    let token = served.page.token.clone();
    let entry = "enclosure=mossy-1&kind=ate&text=two+%3Ccrickets%3E&at=2026-03-01T07%3A30&by=Ana";
    let refused = served.post(entry).await;
    assert!(refused.starts_with("HTTP/1.1 403"), "{refused}");
    assert!(
        refused.contains("two &lt;crickets&gt;"),
        "what was written is given back: {refused}"
    );
    let wrong = served.post(&format!("token={}&{entry}", "0".repeat(32))).await;
    assert!(wrong.starts_with("HTTP/1.1 403"), "{wrong}");
    assert!(served.journal().is_empty());

    let taken = served.post(&format!("token={token}&{entry}")).await;
    assert!(taken.starts_with("HTTP/1.1 303"), "{taken}");
    assert_eq!(
        served.journal(),
        [Entry {
            at_ms: NOW_MS - 30 * 60_000,
            written_ms: NOW_MS,
            enclosure: "mossy-1".to_owned(),
            kind: "ate".to_owned(),
            subject: None,
            text: "two <crickets>".to_owned(),
            by: Some("Ana".to_owned()),
            amends: None,
        }]
    );
    let shown = served.get("/journal?noted=1").await;
    assert!(
        shown.contains(
            "Sun 1 Mar, 07:30: Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs, <em>ate</em>: two &lt;crickets&gt; — Ana"
        ),
        "{shown}"
    );

    for wrong in [
        "enclosure=mossy-2&kind=ate",
        "enclosure=mossy-1&kind=eaten",
        "enclosure=mossy-1&kind=note&at=2026-03-02T08:00",
        "enclosure=mossy-1&kind=note&at=soon",
        "enclosure=mossy-1&kind=note&subject=nothing",
    ] {
        let refused = served.post(&format!("token={token}&{wrong}")).await;
        assert!(refused.starts_with("HTTP/1.1 422"), "{wrong}: {refused}");
    }
    assert_eq!(served.journal().len(), 1);
}

#[tokio::test]
async fn care_is_ticked_off_by_post_and_stands_in_the_journal() {
    let served = served().await;
    let unknown = served.get("/care").await;
    let all = unknown.matches("Never ticked off here").count();
    let heading = format!(
        "<h1>{} tasks have no date yet. When did you last do them?</h1>",
        layout::capital(&layout::count(all))
    );
    assert!(unknown.contains(&heading), "{unknown}");
    assert!(unknown.contains("<details open>"), "{unknown}");
    let own = served.get("/enclosure/mossy-1").await;
    let folded = between(&own, "<h2 id=\"care\">Care</h2>", "</details>");
    assert!(
        folded.contains("<summary>No date yet: ") && folded.contains("; Prune the plants"),
        "{own}"
    );
    assert!(
        folded.contains("Done by"),
        "the fields are folded away with their tasks: {own}"
    );
    let form = format!("token={}&done=mossy-1+prune&by=Ana", served.page.token);
    let taken = served.post_to("/care", "", &form).await;
    assert!(
        taken.starts_with("HTTP/1.1 303") && taken.contains("location: /care?done=1"),
        "{taken}"
    );
    let entry = &served.journal()[0];
    assert_eq!(
        (entry.kind.as_str(), entry.subject.as_deref()),
        ("care-done", Some("prune"))
    );
    let shown = served.get("/care").await;
    let heading = format!(
        "<h1>Nothing that has a date is due. {} tasks have no date yet.",
        layout::capital(&layout::count(all - 1))
    );
    assert!(shown.contains(&heading), "{shown}");
    assert!(!shown.contains("<details open>"), "{shown}");
    assert!(
        shown.contains(
            "Due in 30\u{a0}days, on Tue 31 Mar; every 30\u{a0}days, last done on Sun 1 Mar by Ana"
        ),
        "{shown}"
    );
    let earlier = format!(
        "token={}&done=mossy-1+nozzle-descale&on=2026-02-20",
        served.page.token
    );
    let taken = served.post_to("/care", "", &earlier).await;
    assert!(taken.starts_with("HTTP/1.1 303"), "{taken}");
    let shown = served.get("/care").await;
    assert!(shown.contains("last done on Fri 20 Feb"), "{shown}");
    let days = ["mossy-1+prune&on=2026-03-02", "mossy-1+prune&on=soon"];
    for wrong in ["mossy-1+prun", "mossy-1", "mossy-2+prune", ""]
        .into_iter()
        .chain(days)
    {
        let form = format!("token={}&done={wrong}", served.page.token);
        let refused = served.post_to("/care", "", &form).await;
        assert!(refused.starts_with("HTTP/1.1 422"), "{wrong}: {refused}");
    }
    let refused = served.post_to("/care", "", "token=0&done=mossy-1+prune").await;
    assert!(refused.starts_with("HTTP/1.1 403"), "{refused}");
    assert_eq!(served.journal().len(), 2);
}

#[tokio::test]
async fn an_entry_is_corrected_by_a_further_one() {
    let served = served().await;
    let token = served.page.token.clone();
    served
        .post(&format!(
            "token={token}&enclosure=mossy-1&kind=weight&text=41.5+g+Juno"
        ))
        .await;
    let list = served.get("/journal").await;
    let id = between(&list, "/journal/amend/", "\"").to_owned();
    let form = served.get(&format!("/journal/amend/{id}")).await;
    assert!(form.contains("41.5 g Juno</textarea>"), "{form}");
    let amended = format!("token={token}&amends={id}&enclosure=mossy-1&kind=weight&text=42.5+g+Juno");
    assert!(served.post(&amended).await.starts_with("HTTP/1.1 303"));
    assert!(
        served.post(&amended).await.starts_with("HTTP/1.1 422"),
        "it was amended already"
    );
    let texts: Vec<String> = served.journal().into_iter().map(|entry| entry.text).collect();
    assert_eq!(texts, ["42.5 g Juno"]);
    let shown = served.get("/journal").await;
    assert!(
        shown.contains("Before: <del>") && shown.contains("41.5 g Juno</del>"),
        "{shown}"
    );
    assert!(served.get("/weights").await.contains("Juno, Mossy"));
    let gone = served.get(&format!("/journal/amend/{id}")).await;
    assert!(gone.starts_with("HTTP/1.1 404"), "{gone}");
}
