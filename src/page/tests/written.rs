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
    assert!(taken.contains("location: /journal?noted="), "{taken}");
    let noted = between(&taken, "location: ", "\r\n");
    let shown = served.get(noted).await;
    assert!(shown.contains("Noted. It stands below."), "{shown}");
    assert!(!shown.contains("learned anew from"), "{shown}");
    assert!(
        shown.contains(
            "Sun 1 Mar, 07:30: Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs, <em>ate</em>: two &lt;crickets&gt; — Ana"
        ),
        "{shown}"
    );

    for wrong in [
        "enclosure=mossy-2&kind=ate",
        "enclosure=mossy-1&kind=eaten",
        "enclosure=mossy-1&kind=note&text=x&at=2026-03-02T08:00",
        "enclosure=mossy-1&kind=note&text=x&at=soon",
        "enclosure=mossy-1&kind=note&text=x&subject=nothing",
        "enclosure=mossy-1&kind=note&text=+",
        "enclosure=mossy-1&kind=device-replaced",
        "enclosure=mossy-1&kind=sensor-moved&subject=",
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
async fn what_begins_anew_names_its_device_or_says_that_it_is_all_of_them() {
    let served = served().await;
    let token = served.page.token.clone();
    let form = format!("token={token}&enclosure=mossy-1&kind=device-replaced");
    let refused = served.post(&form).await;
    assert!(
        refused.contains("choose the sensor or device that it is about, or &quot;all of them there&quot;"),
        "{refused}"
    );
    let one = served.post(&format!("{form}&subject=mossy-1-mister")).await;
    let shown = served.get(between(&one, "location: ", "\r\n")).await;
    let told = "What was usual for mossy-1-mister (Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs) is learned anew from Sun 1 Mar, 08:00 on";
    assert!(shown.contains(told), "{shown}");
    let all = served.post(&format!("{form}&subject=*")).await;
    let shown = served.get(between(&all, "location: ", "\r\n")).await;
    assert!(
        shown.contains("What was usual for all devices of Mossy"),
        "{shown}"
    );
    assert!(shown.contains("Was it only one of them?"), "{shown}");
    assert!(
        shown.contains("<em>device replaced</em> (all of them)"),
        "{shown}"
    );
    let subjects: Vec<Option<String>> = served.journal().into_iter().map(|entry| entry.subject).collect();
    assert_eq!(subjects, [Some("mossy-1-mister".to_owned()), None]);
    // Its correction begins with what it says.
    let id = between(&shown, "learned anew", "\">Correct it")
        .rsplit('/')
        .next()
        .expect("a link");
    let form = served.get(&format!("/journal/amend/{id}")).await;
    assert!(form.contains("<option value=\"*\" selected>"), "{form}");
}

#[tokio::test]
async fn who_looks_unwell_stands_first_until_somebody_says_more() {
    let served = served().await;
    fs_err::write(&served.page.site.file, "").expect("room");
    let token = served.page.token.clone();
    let note = |kind: &str| format!("token={token}&enclosure=mossy-1&kind={kind}&text=thin+%3Cb%3E&by=Ana");
    let taken = served.post(&note("looks-unwell")).await;
    let noted = served.get(between(&taken, "location: ", "\r\n")).await;
    for said in [
        "Ring a veterinarian who knows such animals.",
        "name=\"what\" value=\"audit\">Make the audit</button>",
    ] {
        assert!(noted.contains(said), "{said}: {noted}");
        for path in ["/", "/enclosure/mossy-1"] {
            let answer = served.get(path).await;
            assert!(answer.contains(said), "{path}, {said}: {answer}");
            assert!(answer.contains("looks unwell</strong>"), "{path}: {answer}");
            assert!(
                answer.contains("Sun 1 Mar, 08:00: thin &lt;b&gt; — Ana"),
                "{path}: {answer}"
            );
        }
    }

    let refused = served
        .post_to("/reports", "", "token=0&what=audit&enclosure=mossy-1")
        .await;
    assert!(refused.starts_with("HTTP/1.1 403"), "{refused}");
    for wrong in [
        "what=audit&enclosure=mossy-2",
        "what=audit",
        "what=all&enclosure=mossy-1",
        "",
    ] {
        let refused = served
            .post_to("/reports", "", &format!("token={token}&{wrong}"))
            .await;
        assert!(refused.starts_with("HTTP/1.1 422"), "{wrong}: {refused}");
    }
    let form = format!("token={token}&what=audit&enclosure=mossy-1");
    let begun = served.post_to("/reports", "", &form).await;
    assert!(
        begun.starts_with("HTTP/1.1 303") && begun.contains("location: /reports\r\n"),
        "{begun}"
    );
    let made = made(&served).await;
    assert!(
        made.contains("The audit of Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs is made; it stands below."),
        "{made}"
    );
    assert!(made.contains("frogs, up to Sunday 1 March 2026, 08:00: <a href=\"/reports/audit-mossy-1-2026-03-01-0800.html\">read<"), "{made}");
    let answer = served.get("/").await;
    assert!(
        answer
            .contains("Ring a veterinarian who knows such animals. To print and take along: Audit of Mossy"),
        "{answer}"
    );
    assert!(
        answer.contains("audit-mossy-1-2026-03-01-0800.pdf\">print (PDF)<"),
        "{answer}"
    );
    // The same minute again: what is there stays.
    served.post_to("/reports", "", &form).await;
    let again = self::made(&served).await;
    assert!(
        again.contains("was not made:") && again.contains("is there already"),
        "{again}"
    );

    served.post(&note("treated")).await;
    assert!(!served.get("/").await.contains("looks unwell</strong>"));

    for (back, told) in [
        ("2026-03-04", "is made; it stands below."),
        ("2026-02-01", "is no day to come back on"),
    ] {
        let form = format!("token={token}&what=away&back={back}&low=17&high=28.5");
        served.post_to("/reports", "", &form).await;
        let made = self::made(&served).await;
        assert!(
            made.contains(&format!("The sheet for days away until {back}")) && made.contains(told),
            "{made}"
        );
    }
    assert!(
        self::made(&served).await.contains(
            "Before days away, from Sunday 1 March 2026, 08:00 to Wednesday 4 March 2026: <a href="
        ),
    );
}

/// The reports once nothing is being made any more.
async fn made(served: &Served) -> String {
    for _ in 0..600 {
        let shown = served.get("/reports").await;
        if !shown.contains("is being made") {
            return shown;
        }
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    panic!("it is still being made");
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
