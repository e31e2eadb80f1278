//! `/enclosure/ID`: one enclosure: now, the last day and week, why, its sensors, its journal.

use std::sync::Arc;

use axum::extract::{Extension, Path, Query, State};
use axum::response::Response;
use mosswarden_analysis::care::{Due, due};
use mosswarden_analysis::plot::{Picture, escape};
use mosswarden_analysis::report::{EnclosureSection, Need};
use mosswarden_analysis::weights::animals;
use mosswarden_config::zone::MS_PER_24_H;
use serde::Deserialize;

use super::guard::Visitor;
use super::layout::{View, answer, figure, missing, prose, said, words_table};
use super::live::{collecting, live, section};
use super::{Page, alarm, care, journal, unwell, weights};

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
    let live = live(&page, &state, &told, enclosure);
    let mut body = alarm::section(&page, &state, &visitor, &told);
    body += &format!(
        "<div class=\"{}\"><h1>{}: <span class=\"verdict\">{}</span></h1></div>\n",
        live.verdict.name(),
        escape(&enclosure.label),
        live.verdict.words()
    );
    for line in collecting(&page, &state, live.newest_ms) {
        body += &format!("<p class=\"small faint\">{}</p>\n", prose(&line));
    }
    body += &format!("<p>{}</p>\n", prose(&live.sentences.join(" ")));
    body += &unwell::section(&page, &visitor, Some(&id)).await;
    let section = judged.and_then(|judged| section(judged, enclosure));
    body += &section.map_or_else(
        || "<p>The last seven days are being judged; look again in a minute.</p>\n".to_owned(),
        |section| found(section, live.coverage.as_deref().unwrap_or_default()),
    );
    if let Some(day) = judged.and_then(|judged| judged.day.get(&id)) {
        body += &figure("The last 24 hours", day, "day", &[]);
    }
    if !asked.done.is_empty() {
        body += &said("Ticked off. It stands in the journal.");
    }
    body += &kept(&page, &visitor, &id).await;
    let since_ms = (page.now_ms)() - JOURNAL_MS;
    let entries = journal::entries(&page, Some(&id), since_ms).await;
    body += &format!(
        "<h2>Journal, last four weeks</h2>\n{entries}<p><a href=\"/journal?enclosure={}\">Write something down</a></p>\n",
        escape(&id)
    );
    body += &weighed(&page, &id).await;
    if let Some(section) = section {
        let month = judged.and_then(|judged| judged.month.get(&id));
        body += &evidence(section, month);
    }
    answer(&page, &View::new(enclosure.label.clone(), "", body).live())
}

/// What it is judged by, and what was found.
fn found(section: &EnclosureSection, coverage: &str) -> String {
    let mut body = format!(
        "<p class=\"small faint\">{}</p>\n<p>{}</p>\n",
        escape(&section.about),
        prose(coverage)
    );
    if !section.needs.is_empty() {
        body += "<h2>What was found in seven days</h2>\n";
        body += &section.needs.iter().map(need).collect::<String>();
    }
    body
}

/// Week and month, how far the sensors can be believed, what could not be judged, the limits.
fn evidence(section: &EnclosureSection, month: Option<&Picture>) -> String {
    let mut body = String::new();
    if let Some(strip) = &section.strip {
        body += &figure("The last seven days", strip, "week", &section.strip_notes);
    }
    if let Some(month) = month {
        body += &figure("The last 30 days", month, "month", &[]);
    }
    body += &format!(
        "<h2>How far its sensors can be believed</h2>\n{}",
        words_table(&section.sensors)
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
        words_table(&section.limits),
        prose(&section.limits_note)
    );
    body
}

/// Care with its buttons.
async fn kept(page: &Arc<Page>, visitor: &Visitor, id: &str) -> String {
    let Some(journal) = journal::known(page).await else {
        return String::new();
    };
    let now_ms = (page.now_ms)();
    let all = due(&page.site, &journal.entries, now_ms);
    let here: Vec<&Due> = all.iter().filter(|due| due.place == id).collect();
    if here.is_empty() {
        return String::new();
    }
    let local_today = page.site.zone.date(now_ms);
    format!(
        "<h2 id=\"care\">Care</h2>\n{}",
        care::of_enclosure(visitor, &here, local_today)
    )
}

/// What its animals weighed, where somebody weighed them.
async fn weighed(page: &Arc<Page>, id: &str) -> String {
    let Some(journal) = journal::known(page).await else {
        return String::new();
    };
    let (animals, _) = animals(&journal.entries);
    animals
        .iter()
        .filter(|animal| animal.place == id)
        .enumerate()
        .map(|(index, animal)| weights::section(page, animal, index))
        .collect()
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
        prose(need.next_in_turn()),
        prose(&need.sure)
    )
}
