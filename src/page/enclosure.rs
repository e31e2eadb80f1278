//! `/enclosure/ID`: one enclosure: now, the last day and week, why, its sensors, its journal.

use std::sync::Arc;

use axum::extract::{Extension, Path, Query, State};
use axum::response::Response;
use mosswarden_analysis::care::{Due, due};
use mosswarden_analysis::plot::escape;
use mosswarden_analysis::report::Need;
use mosswarden_analysis::weights::animals;
use mosswarden_config::zone::MS_PER_24_H;
use serde::Deserialize;

use super::guard::Visitor;
use super::layout::{View, answer, figure, missing, prose, table};
use super::live::{collecting, live};
use super::{Page, care, journal, now, weights};

/// Entries shown here go back this far.
const JOURNAL_MS: i64 = 28 * MS_PER_24_H;

#[derive(Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    done: String,
}

pub(super) async fn view(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
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
        if let Some(month) = judged.and_then(|judged| judged.month.get(&id)) {
            body += &format!("<h2>The last 30 days</h2>\n{}", figure(month, "month", &[]));
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
    if !asked.done.is_empty() {
        body += "<p role=\"status\"><strong>Ticked off. It stands in the journal.</strong></p>\n";
    }
    body += &kept(&page, &visitor, &id).await;
    let since_ms = (page.now_ms)() - JOURNAL_MS;
    let entries = journal::entries(&page, Some(&id), since_ms).await;
    body += &format!(
        "<h2>Journal, last four weeks</h2>\n{entries}<p><a href=\"/journal?enclosure={}\">Write something down</a></p>\n",
        escape(&id)
    );
    answer(&page, &View::new(enclosure.label.clone(), "", body).live())
}

/// Care with its buttons, and weights where there are some.
async fn kept(page: &Arc<Page>, visitor: &Visitor, id: &str) -> String {
    let Some(journal) = journal::known(page).await else {
        return String::new();
    };
    let now_ms = (page.now_ms)();
    let all = due(&page.site, &journal.entries, now_ms);
    let here: Vec<&Due> = all.iter().filter(|due| due.place == id).collect();
    let mut body = String::new();
    if !here.is_empty() {
        let local_today = page.site.zone.date(now_ms);
        body += &format!(
            "<h2 id=\"care\">Care</h2>\n{}",
            care::section(visitor, id, &here, local_today, "enclosure")
        );
    }
    let (animals, _) = animals(&journal.entries);
    for (index, animal) in animals.iter().filter(|animal| animal.place == id).enumerate() {
        body += &weights::section(page, animal, index);
    }
    body
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
