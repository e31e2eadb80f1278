//! `/login` and `/logout`, where an access file exists.

use std::sync::Arc;

use axum::extract::{ConnectInfo, Extension, Form, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Redirect, Response};
use mosswarden_analysis::plot::escape;
use mosswarden_analysis::words;
use serde::Deserialize;

use super::access::{Entry, SESSION_MS};
use super::guard::{Peer, Visitor, caller, cookie, is_own_form};
use super::layout::{View, answer};
use super::{Page, random};

pub(super) const SESSION_COOKIE: &str = "mosswarden_session";
/// Ties the log-in form to the browser that was given it.
const FORM_COOKIE: &str = "mosswarden_login";
const MS_PER_S: i64 = 1000;

#[derive(Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    to: String,
}

#[derive(Deserialize)]
pub(super) struct Sent {
    #[serde(default)]
    token: String,
    #[serde(default)]
    to: String,
    #[serde(default)]
    password: String,
}

/// The log-in that leads on to a view.
pub(super) fn address(to: &str) -> String {
    // Only what a view's own address holds is passed on: it needs no escaping in a query.
    let is_plain = to
        .bytes()
        .all(|b| b.is_ascii_alphanumeric() || b"/-_.".contains(&b));
    if is_plain && to != "/" {
        format!("/login?to={to}")
    } else {
        "/login".to_owned()
    }
}

/// Where to go after the log-in: a place on this page and nowhere else.
fn onward(to: &str) -> &str {
    let is_here = to.starts_with('/') && !to.starts_with("//") && !to.contains(['\\', '\r', '\n']);
    if is_here { to } else { "/" }
}

pub(super) async fn view(State(page): State<Arc<Page>>, Query(asked): Query<Asked>) -> Response {
    if page.access.is_none() {
        return Redirect::to("/").into_response();
    }
    show(&page, &HeaderMap::new(), &asked.to, None, StatusCode::OK)
}

pub(super) async fn enter(
    State(page): State<Arc<Page>>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    Form(sent): Form<Sent>,
) -> Response {
    let Some(access) = &page.access else {
        return Redirect::to("/").into_response();
    };
    let given = cookie(&headers, FORM_COOKIE).unwrap_or_default();
    if !is_own_form(&headers, given, &sent.token) {
        let why = "The form was too old or from elsewhere. Please try again; the page needs cookies.";
        return show(&page, &headers, &sent.to, Some(why), StatusCode::FORBIDDEN);
    }
    let from = caller(&headers, peer);
    match access.enter(from, sent.password, (page.now_ms)()).await {
        Entry::Open { token } => {
            tracing::info!(%from, "logged in");
            let mut response = Redirect::to(onward(&sent.to)).into_response();
            set_cookie(
                &mut response,
                SESSION_COOKIE,
                &token,
                SESSION_MS / MS_PER_S,
                is_secure(&page, &headers),
            );
            response
        }
        Entry::Wrong => {
            tracing::warn!(%from, "a log-in with a wrong password");
            let why = "That is not the password.";
            show(&page, &headers, &sent.to, Some(why), StatusCode::UNAUTHORIZED)
        }
        Entry::Wait { wait_ms } => {
            tracing::warn!(%from, "too many log-ins with a wrong password");
            let wait = words::duration(wait_ms as f64 / 3_600_000.0);
            let why = format!("Too many tries. Please wait {wait}.");
            let mut response = show(
                &page,
                &headers,
                &sent.to,
                Some(&why),
                StatusCode::TOO_MANY_REQUESTS,
            );
            if let Ok(seconds) = HeaderValue::from_str(&(wait_ms / MS_PER_S + 1).to_string()) {
                response.headers_mut().insert(header::RETRY_AFTER, seconds);
            }
            response
        }
        Entry::Failed => {
            let why = "The password could not be tried just now.";
            show(
                &page,
                &headers,
                &sent.to,
                Some(why),
                StatusCode::INTERNAL_SERVER_ERROR,
            )
        }
    }
}

fn show(page: &Page, headers: &HeaderMap, to: &str, said: Option<&str>, status: StatusCode) -> Response {
    let Ok(token) = random::hex() else {
        return StatusCode::INTERNAL_SERVER_ERROR.into_response();
    };
    let (said, described) = match said {
        Some(said) => (
            format!(
                "<p id=\"said\" role=\"alert\"><strong>{}</strong></p>\n",
                escape(said)
            ),
            " aria-describedby=\"said\" aria-invalid=\"true\"",
        ),
        None => (String::new(), ""),
    };
    let body = format!(
        "<h1>Log in</h1>\n{said}<form method=\"post\" action=\"/login\">\n\
         <input type=\"hidden\" name=\"token\" value=\"{token}\">\n<input type=\"hidden\" name=\"to\" value=\"{}\">\n\
         <label for=\"password\">Password</label>\n<input id=\"password\" name=\"password\" type=\"password\" \
         autocomplete=\"current-password\" required autofocus{described}>\n<button type=\"submit\">Log in</button>\n</form>\n",
        escape(onward(to))
    );
    let view = View::new("Log in", "", body).status(status).bare();
    let mut response = answer(page, &view);
    /// The form may stand open for an hour.
    const FORM_S: i64 = 3600;
    set_cookie(
        &mut response,
        FORM_COOKIE,
        &token,
        FORM_S,
        is_secure(page, headers),
    );
    response
}

#[derive(Deserialize)]
pub(super) struct Leaving {
    #[serde(default)]
    token: String,
}

/// The question, because nothing is written by GET.
pub(super) async fn leaving(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    let body = format!(
        "<h1>Log out</h1>\n<form method=\"post\" action=\"/logout\">\n<input type=\"hidden\" name=\"token\" value=\"{}\">\n\
         <button type=\"submit\">Log out on this device</button>\n</form>\n",
        escape(&visitor.form_token)
    );
    answer(&page, &View::new("Log out", "", body))
}

pub(super) async fn leave(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    headers: HeaderMap,
    Form(sent): Form<Leaving>,
) -> Response {
    if !is_own_form(&headers, &visitor.form_token, &sent.token) {
        return StatusCode::FORBIDDEN.into_response();
    }
    if let (Some(access), Some(token)) = (&page.access, cookie(&headers, SESSION_COOKIE)) {
        access.leave(token);
    }
    let mut response = Redirect::to("/login").into_response();
    set_cookie(&mut response, SESSION_COOKIE, "", 0, is_secure(&page, &headers));
    response
}

/// Whether the browser reached us by HTTPS, here or at a web server in front.
fn is_secure(page: &Page, headers: &HeaderMap) -> bool {
    let forwarded = headers
        .get("x-forwarded-proto")
        .and_then(|scheme| scheme.to_str().ok());
    page.site.page.tls.is_some() || forwarded == Some("https")
}

fn set_cookie(response: &mut Response, name: &str, value: &str, age_s: i64, is_secure: bool) {
    let secure = if is_secure { "; Secure" } else { "" };
    let cookie = format!("{name}={value}; Path=/; Max-Age={age_s}; HttpOnly; SameSite=Strict{secure}");
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        response.headers_mut().append(header::SET_COOKIE, cookie);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_on_leads_nowhere_else() {
        for (to, expected) in [
            ("/enclosure/mossy-1", "/enclosure/mossy-1"),
            ("//example.org/", "/"),
            ("https://example.org/", "/"),
            ("/\\example.org", "/"),
            ("", "/"),
        ] {
            assert_eq!(onward(to), expected, "{to}");
        }
        assert_eq!(address("/care"), "/login?to=/care");
        assert_eq!(address("/journal?enclosure=<x>"), "/login");
    }
}
