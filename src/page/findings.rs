//! `/findings`: everything that was found in the last seven days, and what could not be judged.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use mosswarden_analysis::findings::{Finding, by_cause, gathered};
use mosswarden_analysis::plot::{Display, escape};
use mosswarden_analysis::words::{kind, kind_over, lasting, list, next_steps};

use super::Page;
use super::layout::{View, ago, answer, capital, count, prose};

pub(super) async fn view(State(page): State<Arc<Page>>) -> Response {
    let state = page.judging.look();
    let Some(judged) = state.judged else {
        let body =
            "<h1>Not judged yet</h1>\n<p>The last seven days are being judged; look again in a minute.</p>\n";
        return answer(&page, &View::new("Findings", "/findings", body.to_owned()));
    };
    let display = Display::new(page.site.units);
    let found = by_cause(&page.site, &judged.verdicts.findings);
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
        1 => "<h1>One thing was found in the last seven days.</h1>\n".to_owned(),
        number => format!(
            "<h1>{} things were found in the last seven days.</h1>\n",
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
    let one = |finding: &Finding| {
        let headline = match finding.end_ms {
            None => kind(finding),
            Some(_) => kind_over(finding),
        };
        format!(
            "<p><strong>{}: {headline}</strong> ({}), {}.</p>\n<p>{}</p>\n",
            escape(&label(&finding.enclosure)),
            finding.severity.name(),
            prose(&lasting(page.site.zone, finding.start_ms, finding.end_ms)),
            prose(&display.sentence(&finding.message))
        )
    };
    for group in &found {
        let told: String = group.iter().map(|finding| one(finding)).collect();
        let next: String = next_steps(group)
            .iter()
            .map(|step| {
                format!(
                    "<p><strong>Next:</strong> {}</p>\n",
                    prose(&display.sentence(step))
                )
            })
            .collect();
        body += &format!("<div class=\"need\">\n{told}{next}</div>\n");
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
