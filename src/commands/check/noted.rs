//! What the running collector noted: whether alerts get out, and what came in.

use mosswarden_analysis::words;
use mosswarden_collector::{kept_counts, last_refused};
use mosswarden_config::site::Site;

use super::Told;
use crate::alerts::{self, Way};
use crate::reporter::Failure;

/// Whether alerts get out, as the running collector noted it.
pub(super) fn ways_out(site: &Site, told: &mut Told) -> Result<(), Failure> {
    let past = alerts::read(&site.data_dir).map_err(Failure::failed("could not read what was told"))?;
    for way in Way::all(site) {
        if let Way::Webhook(webhook) = &way {
            let is_open = webhook.url.starts_with("http://");
            told.say(
                webhook.secret_file.is_some() && (!is_open || leads_here(&webhook.url)),
                format!(
                    "webhook: {}, {}",
                    if is_open { "in the clear" } else { "over TLS" },
                    if webhook.secret_file.is_some() {
                        "signed"
                    } else {
                        "not signed: its receiver can't know who sends; name a webhook_secret_file"
                    }
                ),
            );
        }
        let way = way.as_noted(&past);
        match alerts::trouble(&way, |at_ms| words::instant(site.zone, at_ms)) {
            Some(trouble) => told.say(false, trouble),
            None => told.say(
                true,
                match way.standing.last_sent_ms {
                    Some(at_ms) => format!(
                        "alerts by {} to {}: last sent on {}",
                        way.name,
                        way.to,
                        words::instant(site.zone, at_ms)
                    ),
                    None => format!(
                        "alerts by {} to {}: no alert sent yet; try it with: mosswarden alerts --test",
                        way.name, way.to
                    ),
                },
            ),
        }
    }
    Ok(())
}

fn leads_here(url: &str) -> bool {
    ["http://127.", "http://localhost", "http://[::1]"]
        .iter()
        .any(|here| url.starts_with(here))
}

/// What the collector counted, in all and by feed, as far as it says so.
pub(super) fn came_in(site: &Site, told: &mut Told) {
    /// Feeds of which more than this share of messages is refused are worth a look (our choice).
    const REFUSED_SHARE: f64 = 0.01;
    /// Feeds told one by one.
    const FEEDS_TOLD: usize = 10;
    let Some(counts) = kept_counts(&site.data_dir) else {
        return told.fit("came in: no collector has counted here yet");
    };
    told.say(
        true,
        format!(
            "came in from {} to {}: {} messages, {} readings stored, {} refused, {} repeats, {} sent later than measured (history), {} from topics that \
             are not in the site file",
            words::instant(site.zone, counts.since_ms),
            words::instant(site.zone, counts.written_ms),
            counts.received,
            counts.stored,
            counts.refused,
            counts.duplicate,
            counts.late,
            counts.unknown_topic
        ),
    );
    if !counts.unread_topics.is_empty() {
        told.fit(format!(
            "read by no feed of the site file: {}",
            words::first_few(&counts.unread_topics, "topic")
        ));
    }
    for (part, text) in &counts.trouble {
        told.say(false, format!("{part}: {text}"));
    }
    let mut feeds: Vec<_> = counts.feeds.iter().filter(|feed| feed.refused > 0).collect();
    feeds.sort_by_key(|feed| std::cmp::Reverse(feed.refused));
    let refused = last_refused(&site.data_dir);
    for feed in feeds.into_iter().take(FEEDS_TOLD) {
        told.say(
            feed.refused as f64 <= REFUSED_SHARE * feed.received as f64,
            format!(
                "{} ({}): {} messages, {} readings stored, {} refused, {} repeats, {} sent later than measured{}",
                feed.topic,
                feed.sensor,
                feed.received,
                feed.stored,
                feed.refused,
                feed.duplicate,
                feed.late,
                refused
                    .get(feed.topic.as_str())
                    .map_or_else(String::new, |last| format!(
                        "; the last refused, {}: {}",
                        words::instant(site.zone, last.at_ms),
                        last.words()
                    ))
            ),
        );
    }
}
