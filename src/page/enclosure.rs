//! `/enclosure/ID`: one enclosure: now, the last day and week, why, its sensors, its journal.

use std::sync::Arc;

use axum::extract::{Path, State};
use axum::response::Response;
use mosswarden_analysis::plot::escape;
use mosswarden_analysis::report::Need;
use mosswarden_config::zone::MS_PER_24_H;

use super::layout::{View, answer, figure, missing, prose, table};
use super::live::{collecting, live};
use super::{Page, journal, now};

/// Entries shown here go back this far.
const JOURNAL_MS: i64 = 28 * MS_PER_24_H;

pub(super) async fn view(State(page): State<Arc<Page>>, Path(id): Path<String>) -> Response {
    let Some(enclosure) = page.site.enclosure(&id) else {
        return missing(&page, "There is no enclosure of that name in the site file.");
    };
    let state = page.judging.look();
    let judged = state.judged.as_deref();
    let told: Vec<_> = page
        .board
        .open()
        .into_iter()
        .filter(|told| told.enclosure.as_ref().is_none_or(|of| *of == id))
        .collect();
    let live = live(&page, judged, &told, enclosure);
    let mut body = now::alarm(&told);
    body += &format!(
        "<div class=\"{}\"><h1>{}: <span class=\"verdict\">{}</span></h1></div>\n",
        live.verdict.name(),
        escape(&enclosure.label),
        live.verdict.words()
    );
    for line in collecting(&page, live.newest_ms) {
        body += &format!("<p class=\"small faint\">{}</p>\n", prose(&line));
    }
    body += &format!("<p>{}</p>\n", prose(&live.sentences.join(" ")));
    let section = judged.and_then(|judged| judged.week.enclosures.iter().find(|s| s.id == id));
    if let Some(section) = section {
        body += &format!(
            "<p class=\"small faint\">{}</p>\n<p>{}</p>\n",
            escape(&section.about),
            prose(&section.coverage)
        );
        if !section.needs.is_empty() {
            body += "<h2>What was found in seven days</h2>\n";
            body += &section.needs.iter().map(need).collect::<String>();
        }
        if let Some(day) = judged.and_then(|judged| judged.day.get(&id)) {
            body += &format!("<h2>The last 24 hours</h2>\n{}", figure(day, "day", &[]));
        }
        if let Some(strip) = &section.strip {
            body += &format!(
                "<h2>The last seven days</h2>\n{}",
                figure(strip, "week", &section.strip_notes)
            );
        }
        body += &format!(
            "<h2>How far its sensors can be believed</h2>\n{}",
            table(&section.sensors)
        );
        if !section.not_judged.is_empty() {
            let lines: String = section
                .not_judged
                .iter()
                .map(|line| format!("<li>{}</li>\n", prose(line)))
                .collect();
            body += &format!("<h2>What could not be judged</h2>\n<ul class=\"lines\">\n{lines}</ul>\n");
        }
        body += &format!(
            "<h2>Limits used</h2>\n{}<p class=\"small faint\">{}</p>\n",
            table(&section.limits),
            prose(&section.limits_note)
        );
    } else {
        body += "<p>The last seven days are being judged; look again in a minute.</p>\n";
    }
    let since_ms = (page.now_ms)() - JOURNAL_MS;
    let entries = journal::entries(&page, Some(&id), since_ms).await;
    body += &format!(
        "<h2>Journal, last four weeks</h2>\n{entries}<p><a href=\"/journal?enclosure={}\">Write something down</a></p>\n",
        escape(&id)
    );
    answer(&page, &View::new(enclosure.label.clone(), "", body))
}

fn need(need: &Need) -> String {
    let evidence: String = need
        .evidence
        .iter()
        .map(|sentence| format!("<p>{}</p>\n", prose(sentence)))
        .collect();
    format!(
        "<div class=\"need\"><p><strong>{}</strong>, {}.</p>\n{evidence}<p><strong>Next:</strong> {}</p>\n\
         <p class=\"small sure\">How sure: {}</p></div>\n",
        escape(&need.headline),
        prose(&need.when),
        prose(&need.next),
        prose(&need.sure)
    )
}
