//! `calibrate`: a sensor checked beside another or over a salt, and the correction that follows.

use mosswarden_analysis::calibrate::{
    Against, Fit, Probe, Refusal, compare, compared_lines, fit_lines, one_point, point, salt_lines,
    two_points,
};
use mosswarden_analysis::load::{self, Record};
use mosswarden_analysis::physics::salt::Salt;
use mosswarden_analysis::series::Series;
use mosswarden_analysis::statistics::robust::median;
use mosswarden_analysis::words;
use mosswarden_collector::corrections;
use mosswarden_config::correction::{Correction, Method, holding};
use mosswarden_config::journal::{SENSOR_CALIBRATED, SENSOR_MOVED};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Sensor, Site, nearest};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli::{Calibrate, CheckArguments, SaltCheck, SaltName, SideBySide};
use crate::commands::{archive, instant, now_ms};
use crate::reporter::{Failure, Outcome};

/// What is usual for a sensor is learned over this long before the test.
const BEFORE_MS: i64 = 14 * MS_PER_24_H;
/// A sensor that was never heard before the test: a planted enclosure is wet, %RH (common practice, no source).
const WORKING_PCT: f64 = 80.0;

/// Needs no site file: it is read before anything is set up.
pub(crate) fn guide() -> Result<Outcome, Failure> {
    print!("{}", mosswarden_analysis::calibrate::guide());
    Ok(Outcome::Done)
}

pub(crate) fn run(site: &Site, command: Calibrate) -> Result<Outcome, Failure> {
    match command {
        Calibrate::Guide => guide(),
        Calibrate::SideBySide(asked) => side_by_side(site, &asked),
        Calibrate::Salt(asked) => salt(site, &asked),
        Calibrate::List => list(site),
        Calibrate::Withdraw {
            sensor: id,
            valid_from,
            by,
        } => {
            sensor(site, &id)?;
            let at_ms = valid_from
                .as_ref()
                .map_or_else(|| Ok(now_ms()), |text| instant(site, text))?;
            if holding(&known(site)?, &id, Quantity::Humidity, at_ms, &[]).is_none() {
                return Err(Failure::usage(
                    format!(
                        "no correction of {id} applies on {}: there is nothing to withdraw",
                        words::instant(site.zone, at_ms)
                    ),
                    "mosswarden calibrate list shows what was noted and from when on",
                ));
            }
            let end = Correction {
                valid_from_ms: at_ms,
                written_ms: now_ms(),
                sensor: id,
                quantity: Quantity::Humidity.name().to_owned(),
                method: Method::Withdrawn,
                against: String::new(),
                bias: 0.0,
                u_bias: 0.0,
                gain: 0.0,
                u_gain: 0.0,
                pivot: 0.0,
                by,
            };
            note(site, &[end])
        }
    }
}

fn side_by_side(site: &Site, asked: &SideBySide) -> Result<Outcome, Failure> {
    let span = span(site, &asked.check.from, &asked.check.to)?;
    let mut ids: Vec<&str> = asked
        .reference
        .iter()
        .chain(&asked.sensors)
        .map(String::as_str)
        .collect();
    let mut seen = std::collections::BTreeSet::new();
    ids.retain(|id| seen.insert(*id));
    if ids.len() < 2 {
        return Err(Failure::usage(
            "one sensor alone can't be compared",
            "name two, or use calibrate salt",
        ));
    }
    are_out(site, asked, &ids, span)?;
    let known = known(site)?;
    let record = record(site, span, &ids)?;
    let probes: Vec<Probe<'_>> = ids
        .iter()
        .map(|id| probe(sensor(site, id)?, &record, span, &asked.check))
        .collect::<Result<_, _>>()?;
    let against = match &asked.reference {
        Some(id) => {
            let correction = holding(&known, id, Quantity::Humidity, span.from_ms, &[]);
            if let Some(found) = correction {
                println!(
                    "{id} is taken with its own correction of {}",
                    site.zone.date(found.valid_from_ms)
                );
            }
            Against::Reference(0, correction)
        }
        None => {
            println!(
                "No reference: compared with the mean of all. Sensors of one make may all be wrong together."
            );
            Against::MeanOfAll
        }
    };
    let results = match compare(&probes, against, span) {
        Ok(results) => results,
        Err(refusal) => return refused(&refusal),
    };
    let (mut fits, mut outcome) = (Vec::new(), Outcome::Done);
    for (id, result) in results {
        match result {
            Ok(found) => {
                let working_pct = probes
                    .iter()
                    .find(|p| p.id == id)
                    .map_or(WORKING_PCT, |p| p.working_pct);
                compared_lines(site.zone, &found)
                    .iter()
                    .chain(&fit_lines(&found.fit, working_pct))
                    .for_each(|line| println!("{line}"));
                fits.push(found.fit);
            }
            Err(refusal) => outcome = refused(&refusal)?,
        }
        println!();
    }
    save(site, &asked.check, &fits, span)?;
    Ok(outcome)
}

/// Says of which sensors the journal does not tell that they were taken out for the test; their differences are then saved for no error.
fn are_out(site: &Site, asked: &SideBySide, ids: &[&str], span: Span) -> Result<(), Failure> {
    /// Such an entry is written when a sensor is taken out or put back (our choice).
    const NEAR_MS: i64 = MS_PER_24_H;
    let journal = mosswarden_collector::journal::list(&site.data_dir)
        .map_err(Failure::failed("could not read the journal"))?;
    let is_told = |id: &&&str| {
        journal.entries.iter().any(|entry| {
            [SENSOR_CALIBRATED, SENSOR_MOVED].contains(&entry.kind.as_str())
                && entry.subject.as_deref() == Some(**id)
                && (span.from_ms - NEAR_MS..=span.until_ms + NEAR_MS).contains(&entry.at_ms)
        })
    };
    let is_reference = |id: &&&str| asked.reference.as_deref() == Some(**id);
    let in_place: Vec<String> = ids
        .iter()
        .filter(|id| !is_told(id) && !is_reference(id))
        .map(|id| (*id).to_owned())
        .collect();
    let Some(first) = in_place.first() else {
        return Ok(());
    };
    let message = format!(
        "the journal does not tell that {} stood in the tub then: where sensors hang as usual, their places differ, and no error is shown",
        words::list(&in_place)
    );
    if asked.check.save {
        let home = site
            .enclosures
            .iter()
            .find(|home| home.sensors.iter().any(|sensor| sensor.id == *first));
        return Err(Failure::usage(
            message,
            format!(
                "if they were there: mosswarden journal add --enclosure {} --kind {SENSOR_CALIBRATED} --subject {first} --at {}",
                home.map_or(ROOM, |home| home.id.as_str()),
                asked.check.from
            ),
        ));
    }
    println!("Take care: {message}.");
    Ok(())
}

fn salt(site: &Site, asked: &SaltCheck) -> Result<Outcome, Failure> {
    let first = (asked.salt, span(site, &asked.check.from, &asked.check.to)?);
    let second = match (asked.second_salt, &asked.second_from, &asked.second_to) {
        (Some(salt), Some(from), Some(to)) => Some((salt, span(site, from, to)?)),
        _ => None,
    };
    let checked = sensor(site, &asked.sensor)?;
    let (mut points, mut until_ms) = (Vec::new(), i64::MIN);
    // What is usual is what came before the first jar.
    let mut working_pct = asked.check.working;
    for (name, span) in [Some(first), second].into_iter().flatten() {
        let record = record(site, span, &[&asked.sensor])?;
        let mut probe = probe(checked, &record, span, &asked.check)?;
        probe.working_pct = *working_pct.get_or_insert(probe.working_pct);
        match point(&probe, of_name(name), span) {
            Ok(found) => {
                salt_lines(site.zone, &found)
                    .iter()
                    .for_each(|line| println!("{line}"));
                points.push(found);
            }
            Err(refusal) => return refused(&refusal),
        }
        until_ms = until_ms.max(span.until_ms);
    }
    let fit = match points.as_slice() {
        [one] => one_point(one),
        [one, two, ..] => two_points(one, two),
        [] => return Ok(Outcome::Attention),
    };
    match fit {
        Ok(fit) => {
            let working_pct = working_pct.unwrap_or(WORKING_PCT);
            fit_lines(&fit, working_pct)
                .iter()
                .for_each(|line| println!("{line}"));
            let whole = Span {
                from_ms: first.1.from_ms,
                until_ms,
            };
            save(site, &asked.check, &[fit], whole)?;
            Ok(Outcome::Done)
        }
        Err(refusal) => refused(&refusal),
    }
}

const fn of_name(name: SaltName) -> Salt {
    match name {
        SaltName::Mgcl2 => Salt::MagnesiumChloride,
        SaltName::Nacl => Salt::SodiumChloride,
        SaltName::Kcl => Salt::PotassiumChloride,
        SaltName::K2so4 => Salt::PotassiumSulphate,
    }
}

fn refused(refusal: &Refusal) -> Result<Outcome, Failure> {
    println!("no correction from this check: {refusal}.");
    println!("  mosswarden calibrate guide says how a check is prepared");
    Ok(Outcome::Attention)
}

fn span(site: &Site, from: &str, to: &str) -> Result<Span, Failure> {
    let (from_ms, until_ms) = (instant(site, from)?, instant(site, to)?);
    if from_ms >= until_ms {
        return Err(Failure::usage(
            "the test is empty: it must begin before it ends",
            "swap the two times",
        ));
    }
    Ok(Span { from_ms, until_ms })
}

fn sensor<'s>(site: &'s Site, id: &str) -> Result<&'s Sensor, Failure> {
    let all = || {
        site.enclosures
            .iter()
            .flat_map(|enclosure| &enclosure.sensors)
            .chain(&site.room_sensors)
    };
    all().find(|sensor| sensor.id == id).ok_or_else(|| {
        let known: Vec<&str> = all().map(|sensor| sensor.id.as_str()).collect();
        let hint = match nearest(id, known.iter().copied()) {
            Some(near) => format!("did you mean `{near}`? known: {}", known.join(", ")),
            None => format!("known: {}", known.join(", ")),
        };
        Failure::usage(format!("there is no sensor `{id}` in the site file"), hint)
    })
}

fn record(site: &Site, span: Span, ids: &[&str]) -> Result<Record, Failure> {
    let tail = mosswarden_collector::tail(site).map_err(Failure::failed("could not read the spool"))?;
    let wanted = ids.iter().map(|id| (*id).to_owned()).collect();
    let whole = Span {
        from_ms: span.from_ms - BEFORE_MS,
        until_ms: span.until_ms,
    };
    load::load(&*archive(site)?, whole, Some(&wanted), &tail, Vec::new())
        .map_err(Failure::failed("could not read the archive"))
}

fn probe<'a>(
    sensor: &'a Sensor,
    record: &'a Record,
    span: Span,
    asked: &CheckArguments,
) -> Result<Probe<'a>, Failure> {
    static NOTHING: Series = Series::empty();
    let view = |quantity| record.get(&sensor.id, quantity).unwrap_or(&NOTHING).view();
    let before = Span {
        from_ms: span.from_ms - BEFORE_MS,
        until_ms: span.from_ms,
    };
    if asked.working.is_some_and(|pct| !(0.0..=100.0).contains(&pct)) {
        return Err(Failure::usage(
            "--working must lie between 0 and 100",
            "give it in %RH, such as 85",
        ));
    }
    let usual = || median(view(Quantity::Humidity).within(before).value);
    Ok(Probe {
        id: &sensor.id,
        accuracy: sensor.accuracy,
        humidity: view(Quantity::Humidity),
        temperature: view(Quantity::Temperature),
        working_pct: asked.working.or_else(usual).unwrap_or(WORKING_PCT),
    })
}

fn known(site: &Site) -> Result<Vec<Correction>, Failure> {
    corrections::list(&site.data_dir)
        .map(|found| found.corrections)
        .map_err(Failure::failed("could not read the corrections"))
}

fn save(site: &Site, asked: &CheckArguments, fits: &[Fit], span: Span) -> Result<(), Failure> {
    if fits.is_empty() {
        return Ok(());
    }
    if !asked.save {
        println!("not noted; with --save it applies to later readings");
        return Ok(());
    }
    let valid_from_ms = asked
        .valid_from
        .as_ref()
        .map_or(Ok(span.until_ms), |text| instant(site, text))?;
    let lines: Vec<Correction> = fits
        .iter()
        .map(|fit| fit.correction(valid_from_ms, now_ms(), asked.by.clone()))
        .collect();
    note(site, &lines).map(|_| ())
}

fn note(site: &Site, lines: &[Correction]) -> Result<Outcome, Failure> {
    corrections::append(&site.data_dir, lines).map_err(Failure::failed("could not write the corrections"))?;
    for line in lines {
        println!("noted: {}", in_words(site, line));
    }
    println!("The stored readings stay as they are, and a humidistat still follows the raw reading.");
    Ok(Outcome::Done)
}

fn in_words(site: &Site, line: &Correction) -> String {
    let from = site.zone.rfc3339(line.valid_from_ms);
    let by = line.by.as_ref().map_or_else(String::new, |by| format!(" ({by})"));
    if line.method == Method::Withdrawn {
        return format!("{} uncorrected from {from}{by}", line.sensor);
    }
    let gain = if line.gain == 0.0 {
        "gain not checked".to_owned()
    } else {
        format!("{:+.2} for each 10 %RH more", -10.0 * line.gain)
    };
    format!(
        "{} {:+.1} ±{:.1} %RH at a reading of {:.0} %RH, {gain}, from {from}; {} against {}{by}",
        line.sensor,
        -line.bias,
        2.0 * line.u_bias,
        line.pivot,
        line.method.words(),
        line.against
    )
}

fn list(site: &Site) -> Result<Outcome, Failure> {
    let all = corrections::list(&site.data_dir).map_err(Failure::failed("could not read the corrections"))?;
    for line in &all.corrections {
        println!("{}  {}", site.zone.rfc3339(line.written_ms), in_words(site, line));
    }
    if all.corrections.is_empty() {
        println!("no correction was noted");
    }
    if all.unreadable > 0 {
        eprintln!("{} lines can't be read and were left as they are", all.unreadable);
    }
    Ok(Outcome::Done)
}
