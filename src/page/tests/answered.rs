//! Who is answered, and who is not.

use super::*;

#[tokio::test]
async fn behind_a_log_in_nothing_is_answered_to_a_stranger() {
    let served = locked().await;
    let html = "Accept: text/html\r\n";
    let sent_on = served.get_with("/care", html).await;
    assert!(sent_on.starts_with("HTTP/1.1 303"), "{sent_on}");
    assert!(sent_on.contains("location: /login?to=/care"), "{sent_on}");
    for path in [
        "/",
        "/enclosure/mossy-1",
        "/journal",
        "/export.csv",
        "/live",
        "/metrics",
        "/care.ics",
        "/nothing",
    ] {
        let refused = served.get_with(path, "").await;
        assert!(refused.starts_with("HTTP/1.1 401"), "{path}: {refused}");
        assert!(!refused.contains("Mossy"), "{path}: {refused}");
    }
    let forged = served.post("enclosure=mossy-1&kind=note&text=x&token=").await;
    assert!(forged.starts_with("HTTP/1.1 401"), "{forged}");
    assert!(served.journal().is_empty());
    let health = served.get_with("/health", "").await;
    assert!(health.starts_with("HTTP/1.1 503"), "{health}");

    let key = served.page.access.as_ref().expect("a log-in").reading_key();
    let calendar = served.get_with(&format!("/care.ics?key={key}"), "").await;
    assert!(
        calendar.starts_with("HTTP/1.1 200") && calendar.contains("BEGIN:VCALENDAR"),
        "{calendar}"
    );
    let wrong = served.get_with("/care.ics?key=0", "").await;
    assert!(wrong.starts_with("HTTP/1.1 401"), "{wrong}");
    let other = served.get_with(&format!("/journal?key={key}"), "").await;
    assert!(
        other.starts_with("HTTP/1.1 401"),
        "the key opens the calendar only: {other}"
    );
}

#[tokio::test]
async fn the_password_opens_and_its_session_has_a_token_of_its_own() {
    let served = locked().await;
    let wrong = served.log_in("moss").await;
    assert!(wrong.starts_with("HTTP/1.1 401"), "{wrong}");
    assert!(wrong.contains("That is not the password"), "{wrong}");
    let opened = served.log_in(PASSWORD).await;
    assert!(
        opened.starts_with("HTTP/1.1 303") && opened.contains("location: /care"),
        "{opened}"
    );
    let cookie = between(&opened, "set-cookie: ", "\r\n");
    for part in ["HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=2592000"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let session = format!("Cookie: {}\r\n", cookie.split_once(';').expect("attributes").0);
    let form = served.get_with("/journal", &session).await;
    assert!(form.starts_with("HTTP/1.1 200"), "{form}");
    let token = between(&form, "name=\"token\" value=\"", "\"");
    assert_ne!(token, served.page.token);
    let entry = "enclosure=mossy-1&kind=ate&text=two";
    let old = format!("{entry}&token={}", served.page.token);
    let refused = served.post_to("/journal", &session, &old).await;
    assert!(refused.starts_with("HTTP/1.1 403"), "{refused}");
    let crossed = format!("{session}Sec-Fetch-Site: cross-site\r\n");
    let refused = served
        .post_to("/journal", &crossed, &format!("{entry}&token={token}"))
        .await;
    assert!(refused.starts_with("HTTP/1.1 403"), "{refused}");
    let taken = served
        .post_to("/journal", &session, &format!("{entry}&token={token}"))
        .await;
    assert!(taken.starts_with("HTTP/1.1 303"), "{taken}");
    let left = served
        .post_to("/logout", &session, &format!("token={token}"))
        .await;
    assert!(left.starts_with("HTTP/1.1 303"), "{left}");
    let over = served.get_with("/journal", &session).await;
    assert!(over.starts_with("HTTP/1.1 401"), "{over}");
}

#[tokio::test]
async fn guessing_is_stopped_and_a_form_without_its_cookie_is_no_try() {
    let served = locked().await;
    let bare = served
        .post_to("/login", "", "token=&password=moss+and+fern")
        .await;
    assert!(bare.starts_with("HTTP/1.1 403"), "{bare}");
    for _ in 0..5 {
        let wrong = served.log_in("moss").await;
        assert!(wrong.starts_with("HTTP/1.1 401"), "{wrong}");
    }
    let stopped = served.log_in(PASSWORD).await;
    assert!(
        stopped.starts_with("HTTP/1.1 429"),
        "even the right one has to wait now: {stopped}"
    );
    assert!(stopped.contains("retry-after: 901"), "{stopped}");
}

#[tokio::test]
async fn another_name_is_not_answered_and_unknown_places_are_not_here() {
    let served = served().await;
    let foreign = served
        .ask("GET / HTTP/1.1\r\nHost: example.org\r\nConnection: close\r\n\r\n")
        .await;
    assert!(foreign.starts_with("HTTP/1.1 421"), "{foreign}");
    assert!(!foreign.contains("Harbour"), "{foreign}");
    for path in [
        "/nothing",
        "/enclosure/mossy-2",
        "/reports/..%2Fsite.toml",
        "/reports/none.html",
    ] {
        let answer = served.get(path).await;
        assert!(answer.starts_with("HTTP/1.1 404"), "{path}: {answer}");
    }
}

#[test]
fn only_loopback_is_listened_on() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let mut site = site(dir.path());
    let mut check = |listen: &str| {
        site.page.listen = Some(listen.to_owned());
        address(&site)
    };
    assert!(matches!(check("127.0.0.1:8460"), Ok(Some(_))));
    assert!(matches!(check("[::1]:8460"), Ok(Some(_))));
    for refused in ["0.0.0.0:8460", "192.0.2.7:8460", "[::]:8460"] {
        let Err(Failure::Usage { message, hint }) = check(refused) else {
            panic!("{refused} was accepted");
        };
        assert!(message.contains(refused), "{message}");
        assert!(hint.is_some_and(|hint| hint.contains("127.0.0.1:8460")));
    }
    assert!(check("nowhere").is_err());
    site.page.listen = None;
    assert!(matches!(address(&site), Ok(None)));
}
