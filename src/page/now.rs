//! `/`: how it is now, in half a minute on a phone.

use std::sync::Arc;

use axum::extract::{Extension, State};
use axum::response::Response;
use mosswarden_analysis::care::due;
use mosswarden_analysis::plot::escape;
use mosswarden_analysis::report::{Need, Verdict};

use super::guard::Visitor;
use super::layout::{View, ago, answer, capital, count, prose};
use super::live::{Live, collecting, live, room, section, unread_topics};
use super::{Page, alarm, journal, unwell};

pub(super) async fn view(State(page): State<Arc<Page>>, Extension(visitor): Extension<Visitor>) -> Response {
    let state = page.judging.look();
    let judged = state.judged.as_deref();
    let told = page.board.open();
    let now_ms = (page.now_ms)();
    let mut places: Vec<(Live, &mosswarden_config::site::Enclosure)> = page
        .site
        .enclosures
        .iter()
        .map(|enclosure| (live(&page, &state, &told, enclosure), enclosure))
        .collect();
    // What is so now, then the report's order: by what was found in the week. Equals stay in the order of the site file.
    places.sort_by_key(|(live, enclosure)| {
        let of_week =
            judged.and_then(|judged| judged.week.enclosures.iter().position(|s| s.id == enclosure.id));
        (live.verdict, of_week)
    });
    let newest_ms = places.iter().filter_map(|(live, _)| live.newest_ms).max();

    let mut body = alarm::section(&page, &state, &visitor, &told);
    let verdicts: Vec<(Verdict, &str)> = places
        .iter()
        .map(|(live, enclosure)| (live.verdict, enclosure.label.as_str()))
        .collect();
    body += &format!("<h1>{}</h1>\n", escape(&headline(&verdicts)));
    for line in collecting(&page, &state, newest_ms) {
        body += &format!("<p class=\"small faint\">{}</p>\n", prose(&line));
    }
    body += &unwell::section(&page, &visitor, None).await;
    body += &care(&page).await;
    body += "<ul class=\"places\">\n";
    for (live, enclosure) in &places {
        body += &format!(
            "<li class=\"{}\"><h2><a href=\"/enclosure/{}\">{}</a>: <span class=\"verdict\">{}</span></h2>\n<p>{}</p>\n",
            live.verdict.name(),
            escape(&enclosure.id),
            escape(&enclosure.label),
            live.verdict.words(),
            prose(&live.sentences.join(" "))
        );
        let found = judged.and_then(|judged| section(judged, enclosure));
        let found = found.map_or(&[][..], |section| &section.needs);
        body += &needs(found);
        // Where there is danger, what to do stands above already.
        let is_told = told
            .iter()
            .any(|told| told.enclosure.as_ref() == Some(&enclosure.id));
        if let (false, Some(heaviest)) = (is_told, found.first()) {
            body += &format!("<p><strong>Next:</strong> {}</p>\n", prose(&heaviest.next));
        }
        if let (true, Some(coverage)) = (found.is_empty(), &live.coverage) {
            let nothing = match live.verdict {
                Verdict::Well => "Nothing found in seven days. ",
                _ => "",
            };
            body += &format!("<p>{nothing}{}</p>\n", prose(coverage));
        }
        body += "</li>\n";
    }
    body += "</ul>\n";
    let room_now = room(&page, &state);
    if judged.is_some() || room_now.is_some() {
        body += "<h2>The room</h2>\n";
    }
    if let Some(now) = &room_now {
        body += &format!("<p>{}</p>\n", prose(now));
    }
    if let Some(judged) = judged {
        let over = if judged.week.room.strip.is_some() {
            "In the last seven days: "
        } else {
            ""
        };
        body += &format!(
            "<p>{over}{}</p>\n{}",
            prose(&judged.week.room.words),
            needs(&judged.week.room.needs)
        );
    }
    if let Some(unread) = unread_topics(&page) {
        body += &format!("<p class=\"small faint\">{}</p>\n", prose(&unread));
    }
    body += &match (judged, &state.trouble) {
        (None, None) => {
            "<p class=\"small faint\">The last seven days are being judged; look again in a minute.</p>\n"
                .to_owned()
        }
        (_, Some(trouble)) => format!(
            "<p>The last seven days could not be judged just now: {}.</p>\n",
            escape(trouble)
        ),
        (Some(judged), None) => format!(
            "<p class=\"small faint\">Findings are of the last seven days, judged {}.</p>\n",
            ago(now_ms, judged.at_ms)
        ),
    };
    answer(&page, &View::new("Now", "/", body).live())
}

/// Care in one line.
async fn care(page: &Arc<Page>) -> String {
    let Some(journal) = journal::known(page).await else {
        return String::new();
    };
    let now_ms = (page.now_ms)();
    let local_today = page.site.zone.date(now_ms);
    let tasks = due(&page.site, &journal.entries, now_ms);
    let kept: Vec<_> = tasks.iter().filter(|due| due.is_kept()).collect();
    let overdue = kept.iter().filter(|due| due.overdue_days > 0).count();
    let today = kept
        .iter()
        .filter(|due| due.local_due == Some(local_today))
        .count();
    let said = match (overdue, today) {
        (0, 0) => return String::new(),
        (0, today) => format!("{} due today", count(today)),
        (overdue, 0) => format!("{} overdue", count(overdue)),
        (overdue, today) => format!("{} overdue, {} due today", count(overdue), count(today)),
    };
    format!("<p><a href=\"/care\">Care</a>: {said}.</p>\n")
}

/// Findings in one line each.
fn needs(needs: &[Need]) -> String {
    if needs.is_empty() {
        return String::new();
    }
    let lines: String = needs
        .iter()
        .map(|need| format!("<li>{}, {}</li>\n", escape(&need.headline), prose(&need.when)))
        .collect();
    format!("<ul class=\"lines\">\n{lines}</ul>\n")
}

/// The first line answers.
fn headline(places: &[(Verdict, &str)]) -> String {
    let of = |verdict| places.iter().filter(|(of, _)| *of == verdict).count();
    let (act, look, unknown) = (
        of(Verdict::ActNow),
        of(Verdict::LookAtThis),
        of(Verdict::NotKnown),
    );
    let all = places.len();
    if unknown == all
        && let [(_, first), more @ ..] = places
    {
        let whom = if more.is_empty() {
            (*first).to_owned()
        } else {
            format!("the {} enclosures", count(all))
        };
        return format!("How it is with {whom} is not known yet.");
    }
    let said = |number: usize| {
        if number == all && all > 1 {
            format!("all {} enclosures", count(all))
        } else {
            count(number)
        }
    };
    let verb = |number: usize, one: &'static str, more: &'static str| if number == 1 { one } else { more };
    let mut parts = Vec::new();
    if act > 0 {
        parts.push(format!("{} {} you now", said(act), verb(act, "needs", "need")));
    }
    if look > 0 {
        parts.push(format!("{} {} a look", said(look), verb(look, "needs", "need")));
    }
    if unknown > 0 {
        parts.push(format!(
            "{} {} not known",
            said(unknown),
            verb(unknown, "is", "are")
        ));
    }
    match (parts.is_empty(), all) {
        (_, 0) => "There is no enclosure in the site file.".to_owned(),
        (true, 1) => "It is well.".to_owned(),
        (true, _) => format!("All {} enclosures are well.", count(all)),
        (false, 1) => capital(&parts[0].replacen("one", "it", 1)) + ".",
        (false, _) => {
            let of_all = if parts[0].starts_with("all") {
                parts.join(", ")
            } else {
                let (first, rest) = parts[0].split_once(' ').unwrap_or((&parts[0], ""));
                let mut words = vec![format!("{first} of {} enclosures {rest}", count(all))];
                words.extend(parts[1..].iter().cloned());
                words.join(", ")
            };
            format!("{}.", capital(&of_all))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Verdict::{ActNow, LookAtThis, NotKnown, Well};

    #[track_caller]
    fn check(verdicts: &[Verdict], expected: &str) {
        let places: Vec<(Verdict, &str)> = verdicts.iter().map(|verdict| (*verdict, "Mossy frogs")).collect();
        assert_eq!(headline(&places), expected);
    }

    #[test]
    fn the_first_line_answers() {
        check(&[], "There is no enclosure in the site file.");
        check(&[Well], "It is well.");
        check(&[NotKnown], "How it is with Mossy frogs is not known yet.");
        check(&[ActNow], "It needs you now.");
        check(&[Well, Well], "All two enclosures are well.");
        check(&[ActNow, Well, Well], "One of three enclosures needs you now.");
        check(
            &[ActNow, ActNow, LookAtThis, NotKnown, Well],
            "Two of five enclosures need you now, one needs a look, one is not known.",
        );
        check(
            &[NotKnown, NotKnown],
            "How it is with the two enclosures is not known yet.",
        );
    }
}
