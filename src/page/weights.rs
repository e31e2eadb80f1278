//! `/weights`: what the animals weighed, each with an honest trend.

use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use mosswarden_analysis::plot::escape;
use mosswarden_analysis::weights::{Animal, animals};

use super::layout::{View, answer, figure, label, moment, prose};
use super::{Page, journal};

pub(super) async fn view(State(page): State<Arc<Page>>) -> Response {
    let Some(journal) = journal::known(&page).await else {
        let body = "<h1>The journal can't be read just now.</h1>\n".to_owned();
        let view = View::new("Weights", "", body).status(StatusCode::INTERNAL_SERVER_ERROR);
        return answer(&page, &view);
    };
    let (animals, unread) = animals(&journal.entries);
    let mut body = "<h1>Weights</h1>\n".to_owned();
    if animals.is_empty() {
        body += "<p>None is written down yet. Choose <em>weight</em> in the <a href=\"/journal\">journal</a> and write grams, and a \
                 name where several animals live together: <em>41.5 g Juno</em>.</p>\n";
    }
    for (index, animal) in animals.iter().enumerate() {
        body += &section(&page, animal, index);
    }
    if !unread.is_empty() {
        let lines: String = unread
            .iter()
            .map(|entry| {
                let text = format!("{}: {}", label(&page, &entry.enclosure), entry.text);
                format!("<li>{}: {}</li>\n", moment(&page, entry.at_ms), escape(&text))
            })
            .collect();
        body += &format!(
            "<h2>Not read</h2>\n<p>These entries do not begin with a weight in grams:</p>\n<ul class=\"lines\">\n{lines}</ul>\n"
        );
    }
    body += "<p class=\"small faint\">A trend is told from five weighings over two weeks on, and only where its 95 % interval \
             leaves zero out; meals and water make single weighings jump. A weight shows no illness and no health: ask your \
             veterinarian.</p>\n";
    answer(&page, &View::new("Weights", "", body))
}

/// One animal's line and what it shows.
pub(super) fn section(page: &Page, animal: &Animal, index: usize) -> String {
    let name = if animal.name.is_empty() {
        label(page, &animal.place)
    } else {
        format!("{}, {}", animal.name, label(page, &animal.place))
    };
    match animal.picture(page.site.zone) {
        Some(picture) => figure(&name, &picture, &format!("weights-{index}"), &[]),
        None => format!(
            "<h2>{}</h2>\n<p>{}</p>\n",
            escape(&name),
            prose(&animal.words(page.site.zone))
        ),
    }
}
