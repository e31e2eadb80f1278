//! `/changes`: what changed since yesterday, in a few lines.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use mosswarden_analysis::changes::Changes;
use mosswarden_analysis::findings::Finding;
use mosswarden_analysis::plot::escape;
use mosswarden_analysis::words::{kind, kind_over, lasting};
use mosswarden_config::zone::MS_PER_24_H;

use super::layout::{View, ago, answer, capital, count, label, moment, place_link, prose};
use super::{Page, journal};

pub(super) async fn view(State(page): State<Arc<Page>>) -> Response {
    let state = page.judging.look();
    let Some(judged) = state.judged else {
        let body =
            "<h1>Not judged yet</h1>\n<p>The last days are being judged; look again in a minute.</p>\n"
                .to_owned();
        return answer(&page, &View::new("Changes", "/changes", body).live());
    };
    let since_ms = judged.at_ms - MS_PER_24_H;
    let new: Vec<&Finding> = judged
        .verdicts
        .findings
        .iter()
        .filter(|finding| finding.start_ms >= since_ms)
        .collect();
    let over: Vec<&Finding> = judged
        .verdicts
        .findings
        .iter()
        .filter(|finding| {
            finding.start_ms < since_ms && finding.end_ms.is_some_and(|end_ms| end_ms >= since_ms)
        })
        .collect();
    let mut body = format!(
        "<h1>{}</h1>\n<p class=\"small faint\">The 24 hours to {}, judged {}, against the 24 before and what is usual over two \
         weeks.</p>\n",
        headline(&judged.changes, new.len()),
        moment(&page, judged.at_ms),
        ago((page.now_ms)(), judged.at_ms)
    );
    if !judged.changes.told.is_empty() {
        let lines: String = judged
            .changes
            .told
            .iter()
            .map(|change| {
                format!(
                    "<li>{}: {}</li>\n",
                    place_link(&page, &change.place),
                    prose(&change.sentence)
                )
            })
            .collect();
        body += &format!("<h2>Larger than usual</h2>\n<ol class=\"lines\">\n{lines}</ol>\n");
        if judged.changes.left_out > 0 {
            body += &format!(
                "<p class=\"small faint\">{} smaller changes are left out.</p>\n",
                capital(&count(judged.changes.left_out))
            );
        }
    }
    // What they say in full stands on the page of findings.
    for (heading, findings) in [("New findings", new), ("Findings that are over", over)] {
        if findings.is_empty() {
            continue;
        }
        let lines: String = findings
            .iter()
            .map(|finding| {
                let headline = match finding.end_ms {
                    None => kind(finding),
                    Some(_) => kind_over(finding),
                };
                format!(
                    "<li>{}: {headline}, {}</li>\n",
                    place_link(&page, &finding.enclosure),
                    prose(&lasting(page.site.zone, finding.start_ms, finding.end_ms))
                )
            })
            .collect();
        body +=
            &format!("<h2><a href=\"/findings\">{heading}</a></h2>\n<ul class=\"lines\">\n{lines}</ul>\n");
    }
    body += &format!(
        "<h2>From the journal</h2>\n{}",
        journal::entries(&page, None, since_ms).await
    );
    body += &compared(&page, &judged.changes);
    answer(&page, &View::new("Changes", "/changes", body).live())
}

fn headline(changes: &Changes, new: usize) -> String {
    if changes.compared.is_empty() {
        return "It is not known what changed since yesterday.".to_owned();
    }
    let larger = changes.told.len() + changes.left_out;
    let parts = [
        (
            larger,
            "change is larger than usual",
            "changes are larger than usual",
        ),
        (new, "finding is new", "findings are new"),
    ];
    let said: Vec<String> = parts
        .iter()
        .filter(|(number, _, _)| *number > 0)
        .map(|(number, one, more)| format!("{} {}", count(*number), if *number == 1 { one } else { more }))
        .collect();
    if said.is_empty() {
        return "Nothing unusual changed since yesterday.".to_owned();
    }
    format!("Since yesterday: {}.", said.join(", "))
}

fn compared(page: &Page, changes: &Changes) -> String {
    let usual: Vec<String> = changes
        .compared
        .iter()
        .filter(|place| changes.told.iter().all(|change| change.place != **place))
        .map(|place| label(page, place))
        .collect();
    let mut body = String::new();
    if !usual.is_empty() {
        body += &format!("<h2>As usual</h2>\n<p>{}.</p>\n", escape(&usual.join(", ")));
    }
    if !changes.not_judged.is_empty() {
        let lines: String = changes
            .not_judged
            .iter()
            .map(|(place, reason)| format!("<li>{}: {}.</li>\n", place_link(page, place), escape(reason)))
            .collect();
        body += &format!("<h2>Not known</h2>\n<ul class=\"lines\">\n{lines}</ul>\n");
    }
    body
}
