//! `alerts`: which dangers are open, whether the ways to tell them work, and a test message.

use mosswarden_analysis::words;
use mosswarden_config::site::Site;

use super::now_ms;
use crate::alerts::{self, Item, News, Past, Way};
use crate::cli;
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, asked: &cli::Alerts) -> Result<Outcome, Failure> {
    if asked.test {
        return test(site);
    }
    let past = alerts::read(&site.data_dir).map_err(Failure::failed("could not read what was told"))?;
    let open = past.open();
    let moment = |at_ms| words::instant(site.zone, at_ms);
    let unwatched = unwatched(site);
    match &unwatched {
        Some(words) => println!("{words}"),
        None if open.is_empty() => println!("No danger is open, as far as `collect` has noted."),
        None => {}
    }
    for told in &open {
        println!("{}", told.text);
        if let Some(known) = &told.acknowledged {
            println!("  acknowledged by {} on {}", known.by, moment(known.at_ms));
        }
    }
    for line in ways(site, &past) {
        println!("{line}");
    }
    Ok(if unwatched.is_none() && open.is_empty() {
        Outcome::Done
    } else {
        Outcome::Attention
    })
}

/// Said where no collector runs. Where it can't be seen whether one does, what it noted is said with its source.
fn unwatched(site: &Site) -> Option<String> {
    if mosswarden_collector::is_collecting(&site.data_dir).unwrap_or(true) {
        return None;
    }
    let seen = match mosswarden_collector::kept_counts(&site.data_dir) {
        Some(counts) => format!("last seen on {}", words::instant(site.zone, counts.written_ms)),
        None => "none has ever run here".to_owned(),
    };
    Some(format!(
        "Nobody is watching: no collector runs on this folder ({seen}). Start it with: mosswarden collect"
    ))
}

/// How each way to tell somebody stands.
fn ways(site: &Site, past: &Past) -> Vec<String> {
    let moment = |at_ms| words::instant(site.zone, at_ms);
    let all = Way::all(site).into_iter().map(|way| {
        let way = way.as_noted(past);
        let said = alerts::trouble(&way, moment).unwrap_or_else(|| {
            let last = match way.standing.last_sent_ms {
                Some(at_ms) => format!("last sent on {}", moment(at_ms)),
                None => "no alert sent yet; try it with: mosswarden alerts --test".to_owned(),
            };
            format!("Alerts by {} to {}: {last}", way.name, way.to)
        });
        format!("{said}.")
    });
    all.collect()
}

/// Who would be told of danger, a sentence each, for somebody who goes away.
pub(crate) fn who_is_told(site: &Site) -> Result<Vec<String>, Failure> {
    let past = alerts::read(&site.data_dir).map_err(Failure::failed("could not read what was told"))?;
    let mut lines: Vec<String> = unwatched(site).into_iter().collect();
    lines.extend(ways(site, &past));
    if let Some(topic) = &site.alerts.mqtt_topic {
        lines.push(format!(
            "Alerts by MQTT on the topic {topic}: see that something listens there and tells a person."
        ));
    }
    let has_way = !Way::all(site).is_empty() || site.alerts.mqtt_topic.is_some();
    let close = match has_way {
        false => {
            "Nobody is told of danger who does not look at the page: the site file names no way ([alerts])."
        }
        true => {
            "These reach whom the site file names, not whoever looks in: agree who answers them while you are away."
        }
    };
    lines.push(close.to_owned());
    Ok(lines)
}

fn test(site: &Site) -> Result<Outcome, Failure> {
    let ways = Way::all(site);
    if ways.is_empty() {
        return Err(Failure::usage(
            "the site file names neither a webhook nor an e-mail address",
            "write webhook_url, or email_to and [alerts.smtp], under [alerts]",
        ));
    }
    let at_ms = now_ms();
    let item = Item {
        number: 0,
        news: News::Test {
            at_ms,
            text: "This is a test that somebody asked for. Nothing is wrong.".to_owned(),
        },
    };
    let mut outcome = Outcome::Done;
    for way in ways {
        match way.send(site, &item, at_ms) {
            Ok(()) => println!("{} to {}: sent; see whether it arrived", way.name(), way.to()),
            Err(error) => {
                println!("{} to {}: {error}", way.name(), way.to());
                outcome = Outcome::Attention;
            }
        }
    }
    Ok(outcome)
}
