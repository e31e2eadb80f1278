//! `/findings`: everything that was found in the last seven days, and what could not be judged.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use mosswarden_analysis::findings::gathered;
use mosswarden_analysis::plot::{Display, escape};
use mosswarden_analysis::words::{list, next_step};

use super::Page;
use super::layout::{View, ago, answer, capital, count, moment, prose};

pub(super) async fn view(State(page): State<Arc<Page>>) -> Response {
    let state = page.judging.look();
    let Some(judged) = state.judged else {
        let body =
            "<h1>Not judged yet</h1>\n<p>The last seven days are being judged; look again in a minute.</p>\n";
        return answer(&page, &View::new("Findings", "/findings", body.to_owned()));
    };
    let display = Display::new(page.site.units);
    let found = &judged.verdicts.findings;
    let label = |id: &str| {
        page.site
            .enclosure(id)
            .map_or_else(|| "The room".to_owned(), |enclosure| enclosure.label.clone())
    };
    let mut body = match found.len() {
        0 if judged.verdicts.not_assessed.is_empty() => {
            "<h1>Nothing was found in the last seven days.</h1>\n".to_owned()
        }
        0 => "<h1>Nothing was found in what could be judged of the last seven days.</h1>\n".to_owned(),
        1 => "<h1>One finding in the last seven days.</h1>\n".to_owned(),
        number => format!(
            "<h1>{} findings in the last seven days.</h1>\n",
            capital(&count(number))
        ),
    };
    if found.is_empty() {
        body += &format!("<p>{}</p>\n", prose(&judged.week.answer));
    }
    body += &format!(
        "<p class=\"small faint\">Judged {}.</p>\n",
        ago((page.now_ms)(), judged.at_ms)
    );
    for finding in found {
        let end = finding.end_ms.map_or_else(
            || "still so".to_owned(),
            |end| format!("until {}", moment(&page, end)),
        );
        body += &format!(
            "<div class=\"need\"><p><strong>{}</strong>, {}: {}</p>\n<p class=\"small faint\">{}. Since {}, {end}.</p>\n\
             <p><strong>Next:</strong> {}</p></div>\n",
            escape(&label(&finding.enclosure)),
            finding.severity.name(),
            prose(&display.sentence(&finding.message)),
            finding.kind.name().replace('-', " "),
            moment(&page, finding.start_ms),
            prose(&display.sentence(&next_step(finding)))
        );
    }
    let refused = gathered(&judged.verdicts.not_assessed);
    if !refused.is_empty() {
        let lines: String = refused
            .iter()
            .map(|item| {
                let kinds: Vec<String> = item
                    .kinds
                    .iter()
                    .map(|kind| kind.name().replace('-', " "))
                    .collect();
                let when = item
                    .when(page.site.zone, judged.week_span)
                    .map_or_else(String::new, |when| format!(", {when}"));
                format!(
                    "<li>{}, {}{when}: {}</li>\n",
                    escape(&label(&item.enclosure)),
                    list(&kinds),
                    prose(&display.sentence(&item.reason))
                )
            })
            .collect();
        body += &format!(
            "<h2>Not judged, and why</h2>\n<details><summary>{} in all</summary>\n<ul class=\"lines\">\n{lines}</ul></details>\n",
            refused.len()
        );
    }
    answer(&page, &View::new("Findings", "/findings", body).live())
}
