//! `[alerts]`: whom to tell of danger, and how.

use std::path::Path;

use super::*;

const KEYS: [&str; 9] = [
    "mqtt_topic",
    "heartbeat_topic",
    "quiet",
    "findings",
    "webhook_url",
    "webhook_secret_file",
    "webhook_ca_file",
    "email_to",
    "smtp",
];

pub(super) fn alerts(reader: &mut Reader<'_>, top: &Section<'_, '_>, base: &Path) -> Alerts {
    let Some(section) = reader.child(top, "alerts", "[alerts]", &KEYS) else {
        return Alerts::default();
    };
    Alerts {
        mqtt_topic: topic(reader, &section, "mqtt_topic"),
        heartbeat_topic: topic(reader, &section, "heartbeat_topic"),
        quiet: quiet(reader, &section),
        findings: reader.boolean(&section, "findings").unwrap_or(false),
        webhook: webhook(reader, &section, base),
        email: email(reader, &section, base),
    }
}

/// A topic to publish on: wildcards stand for many and can't be published to (MQTT 5.0, 4.7.1).
fn topic(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str) -> Option<String> {
    let topic = reader.text(section, key)?;
    if topic.is_empty() || topic.contains(['+', '#', '\0']) {
        reader.problem(
            &section.key_span(key),
            format!("`{key} = \"{topic}\"` is no topic to publish on"),
            Some("write one whole topic, without + and #".to_owned()),
        );
        return None;
    }
    Some(topic)
}

fn quiet(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<Quiet> {
    let inner = reader.child(section, "quiet", "[alerts] quiet", &["start", "end"])?;
    let mut time = |key, example| {
        if !inner.has(key) {
            reader.missing(&inner, key, example);
        }
        reader.time(&inner, key)
    };
    let (start, end) = (time("start", "\"22:00\""), time("end", "\"07:00\""));
    let (start, end) = (start?, end?);
    if start == end {
        reader.problem(
            &inner.key_span("end"),
            "quiet hours that end when they start would be the whole day".to_owned(),
            Some("write quiet = { start = \"22:00\", end = \"07:00\" }".to_owned()),
        );
        return None;
    }
    Some(Quiet {
        local_start: start,
        local_end: end,
    })
}

fn webhook(reader: &mut Reader<'_>, section: &Section<'_, '_>, base: &Path) -> Option<Webhook> {
    let file = |reader: &mut Reader<'_>, key| reader.text(section, key).map(|file| base.join(file));
    let secret_file = file(reader, "webhook_secret_file");
    let ca_file = file(reader, "webhook_ca_file");
    let Some(url) = reader.text(section, "webhook_url") else {
        if secret_file.is_some() || ca_file.is_some() {
            reader.missing(section, "webhook_url", "\"https://example.org/hook\"");
        }
        return None;
    };
    if !(url.starts_with("https://") || url.starts_with("http://")) {
        reader.problem(
            &section.key_span("webhook_url"),
            format!("`webhook_url = \"{url}\"` is no address of a web server"),
            Some("write \"https://example.org/hook\"".to_owned()),
        );
        return None;
    }
    Some(Webhook {
        url,
        secret_file,
        ca_file,
    })
}

fn email(reader: &mut Reader<'_>, section: &Section<'_, '_>, base: &Path) -> Option<Email> {
    let to = reader.text(section, "email_to");
    let smtp = smtp(reader, section, base);
    if to.is_some() && !section.has("smtp") {
        reader.missing(section, "[alerts.smtp]", "a table with host and from");
    }
    if to.is_none() && section.has("smtp") {
        reader.missing(section, "email_to", "\"keeper@example.org\"");
    }
    Some(Email { to: to?, smtp: smtp? })
}

fn smtp(reader: &mut Reader<'_>, section: &Section<'_, '_>, base: &Path) -> Option<Smtp> {
    const KEYS: [&str; 7] = [
        "host",
        "port",
        "tls",
        "from",
        "username",
        "password_file",
        "ca_file",
    ];
    const WORDS: [(&str, SmtpTls); 3] = [
        ("starttls", SmtpTls::StartTls),
        ("tls", SmtpTls::Tls),
        ("off", SmtpTls::Off),
    ];
    let inner = reader.child(section, "smtp", "[alerts.smtp]", &KEYS)?;
    let host = reader.required_text(&inner, "host", "\"mail.example.org\"");
    let from = reader.required_text(&inner, "from", "\"mosswarden@example.org\"");
    let tls = reader
        .word(&inner, "tls", &WORDS.map(|(word, _)| word), |written| {
            WORDS
                .iter()
                .find(|(word, _)| *word == written)
                .map(|(_, tls)| *tls)
        })
        .unwrap_or(SmtpTls::StartTls);
    // Submission with STARTTLS and submission over TLS (RFC 8314), and the plain port (RFC 5321).
    let usual_port = match tls {
        SmtpTls::StartTls => 587,
        SmtpTls::Tls => 465,
        SmtpTls::Off => 25,
    };
    let port = reader.count(&inner, "port").unwrap_or(usual_port).try_into();
    let login = login(reader, &inner, base);
    let ca_file = reader.text(&inner, "ca_file").map(|file| base.join(file));
    let host = host?;
    if tls == SmtpTls::Off && !is_this_machine(&host) {
        reader.problem(
            &inner.key_span("tls"),
            format!("`tls = \"off\"` would send alerts and the password in the clear to {host}"),
            Some("write \"starttls\" or \"tls\"; \"off\" is for a mail server on this machine".to_owned()),
        );
        return None;
    }
    let Ok(port) = port else {
        reader.problem(&inner.key_span("port"), "there is no such port".to_owned(), None);
        return None;
    };
    Some(Smtp {
        host,
        port,
        tls,
        from: from?,
        login,
        ca_file,
    })
}

fn login(reader: &mut Reader<'_>, inner: &Section<'_, '_>, base: &Path) -> Option<SmtpLogin> {
    let username = reader.text(inner, "username");
    let password_file = reader.text(inner, "password_file").map(|file| base.join(file));
    match (username, password_file) {
        (Some(username), Some(password_file)) => Some(SmtpLogin {
            username,
            password_file,
        }),
        (Some(_), None) => {
            reader.missing(inner, "password_file", "\"secrets/smtp\"");
            None
        }
        (None, Some(_)) => {
            reader.missing(inner, "username", "\"keeper\"");
            None
        }
        (None, None) => None,
    }
}

fn is_this_machine(host: &str) -> bool {
    host == "localhost"
        || host
            .parse::<std::net::IpAddr>()
            .is_ok_and(|address| address.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXAMPLE: &str = include_str!("../../../../tests/reference/site.toml");

    fn parsed(alerts: &str) -> Result<Site, Vec<Problem>> {
        let source = EXAMPLE.replacen("[alerts]", &format!("[alerts]\n{alerts}\n"), 1);
        Site::from_source(Path::new("home/site.toml"), &source)
    }

    #[test]
    fn every_way_is_read_with_its_files_beside_the_site_file() {
        let site = parsed(
            r#"
mqtt_topic = "nature-room/alerts"
heartbeat_topic = "nature-room/heartbeat"
quiet = { start = "22:00", end = "07:00" }
findings = true
webhook_url = "https://example.org/hook"
webhook_secret_file = "secrets/hook"
email_to = "keeper@example.org, partner@example.org"
[alerts.smtp]
host = "mail.example.org"
from = "mosswarden@example.org"
username = "keeper"
password_file = "secrets/smtp""#,
        )
        .expect("complete");
        let alerts = site.alerts;
        assert_eq!(alerts.mqtt_topic.as_deref(), Some("nature-room/alerts"));
        assert_eq!(alerts.heartbeat_topic.as_deref(), Some("nature-room/heartbeat"));
        assert!(alerts.findings);
        let quiet = alerts.quiet.expect("it is written");
        assert_eq!(quiet.local_start.format("%H:%M").to_string(), "22:00");
        assert_eq!(quiet.local_end.format("%H:%M").to_string(), "07:00");
        let webhook = alerts.webhook.expect("it is named");
        assert_eq!(
            webhook.secret_file.as_deref(),
            Some(Path::new("home/secrets/hook"))
        );
        let smtp = alerts.email.expect("it is named").smtp;
        assert_eq!((smtp.port, smtp.tls), (587, SmtpTls::StartTls));
        assert_eq!(
            smtp.login.expect("it is named").password_file,
            Path::new("home/secrets/smtp")
        );
    }

    #[track_caller]
    fn refused(alerts: &str, words: &str) {
        let problems = parsed(alerts).expect_err("wrong");
        assert!(problems[0].to_string().contains(words), "{problems:?}");
    }

    #[test]
    fn half_a_way_is_refused() {
        refused("email_to = \"keeper@example.org\"", "lacks `[alerts.smtp]`");
        refused("webhook_secret_file = \"hook\"", "lacks `webhook_url`");
        refused("webhook_url = \"example.org\"", "is no address of a web server");
        refused("mqtt_topic = \"nature-room/#\"", "is no topic to publish on");
        refused("quiet = { start = \"22:00\" }", "lacks `end`");
        refused("quiet = { start = \"22:00\", end = \"22:00\" }", "the whole day");
        let smtp = "email_to = \"k@example.org\"\n[alerts.smtp]\nfrom = \"m@example.org\"\nhost = ";
        refused(
            &format!("{smtp}\"mail.example.org\"\ntls = \"off\""),
            "in the clear",
        );
        refused(
            &format!("{smtp}\"mail.example.org\"\nport = 70000"),
            "no such port",
        );
        refused(
            &format!("{smtp}\"mail.example.org\"\nusername = \"k\""),
            "lacks `password_file`",
        );
        parsed(&format!("{smtp}\"127.0.0.1\"\ntls = \"off\"")).expect("this machine");
    }
}
