//! Who is answered, and with which headers.
//!
//! Without an access file: only who asks this machine by its own name, so that no other site's page can read this one through a
//! browser. With one: only who has logged in, whatever the name; a few addresses for programs need the reading key or nothing.

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Redirect, Response};

use super::{Page, login};

/// Names under which this machine calls itself.
const OWN_NAMES: [&str; 3] = ["127.0.0.1", "localhost", "[::1]"];

/// For what is not one of our views: no style, no script, no frame.
const STRICT: &str = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'";

/// Answered without a log-in: the log-in itself, the script (it holds nothing), and whether readings come in.
const OPEN: [&str; 3] = ["/login", "/page.js", "/health"];
/// Answered with the reading key in place of a log-in: they only read, and programs fetch them.
const BY_KEY: [&str; 2] = ["/care.ics", "/metrics"];

/// Who asks.
#[derive(Clone)]
pub(super) struct Visitor {
    /// Goes out with every form and must come back: no other page can know it.
    pub(super) form_token: String,
}

/// The address that a connection came from.
#[derive(Clone, Copy)]
pub(super) struct Peer(pub(super) IpAddr);

/// Answers whom it may, and puts the headers on every answer.
pub(super) async fn guard(State(page): State<Arc<Page>>, mut request: Request, next: Next) -> Response {
    let mut response = match admit(&page, &request) {
        Ok(visitor) => {
            request.extensions_mut().insert(visitor);
            next.run(request).await
        }
        Err(refusal) => *refusal,
    };
    let headers = response.headers_mut();
    let mut set = |name, value| {
        headers
            .entry(name)
            .or_insert_with(|| HeaderValue::from_static(value));
    };
    set(header::CONTENT_SECURITY_POLICY, STRICT);
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "no-referrer");
    set(header::X_FRAME_OPTIONS, "DENY");
    set(header::CACHE_CONTROL, "no-store");
    response
}

fn admit(page: &Page, request: &Request) -> Result<Visitor, Box<Response>> {
    let Some(access) = &page.access else {
        if is_passed_on(request.headers()) {
            let why = "This page has no password, so it answers to nobody whom a web server passes on. `mosswarden page password` \
                       makes one; name it as access_file in [page].\n";
            return Err(Box::new((StatusCode::FORBIDDEN, why).into_response()));
        }
        if is_own_name(request.headers()) {
            return Ok(Visitor {
                form_token: page.token.clone(),
            });
        }
        let why = "This page answers to 127.0.0.1 and localhost only, because it has no password. `mosswarden page \
                   password` makes one.\n";
        return Err(Box::new((StatusCode::MISDIRECTED_REQUEST, why).into_response()));
    };
    let session = cookie(request.headers(), login::SESSION_COOKIE)
        .and_then(|token| access.session(token, (page.now_ms)()));
    if let Some(session) = session {
        return Ok(Visitor {
            form_token: session.form_token,
        });
    }
    let path = request.uri().path();
    let has_key = || {
        let query = request.uri().query().unwrap_or_default();
        let key = query.split('&').find_map(|pair| pair.strip_prefix("key="));
        key.is_some_and(|key| is_same(key.as_bytes(), access.reading_key().as_bytes()))
    };
    if OPEN.contains(&path) || (BY_KEY.contains(&path) && has_key()) {
        return Ok(Visitor {
            form_token: String::new(),
        });
    }
    let wants_page = request
        .headers()
        .get(header::ACCEPT)
        .and_then(|accept| accept.to_str().ok())
        .is_some_and(|accept| accept.contains("text/html"));
    let refusal = if request.method() == Method::GET && wants_page {
        let asked = request.uri().path_and_query().map_or("/", |asked| asked.as_str());
        Redirect::to(&login::address(asked)).into_response()
    } else {
        (StatusCode::UNAUTHORIZED, "Log in first, at /login.\n").into_response()
    };
    Err(Box::new(refusal))
}

/// Whether a web server in front passed the request on for somebody else.
fn is_passed_on(headers: &HeaderMap) -> bool {
    ["forwarded", "x-forwarded-for", "x-forwarded-proto"]
        .iter()
        .any(|name| headers.contains_key(*name))
}

fn is_own_name(headers: &HeaderMap) -> bool {
    let Some(host) = headers.get(header::HOST).and_then(|host| host.to_str().ok()) else {
        return false;
    };
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
        _ => host,
    };
    OWN_NAMES.iter().any(|own| own.eq_ignore_ascii_case(name))
}

/// The value of a cookie of that name.
pub(super) fn cookie<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .find_map(|pair| pair.trim().strip_prefix(name)?.strip_prefix('='))
}

/// Whether a form was sent from this page: browsers say where a request comes from, and only this page knows the token.
pub(super) fn is_own_form(headers: &HeaderMap, token: &str, sent: &str) -> bool {
    let from = headers.get("sec-fetch-site").and_then(|from| from.to_str().ok());
    let is_foreign = from.is_some_and(|from| from != "same-origin" && from != "none");
    !is_foreign && !token.is_empty() && is_same(token.as_bytes(), sent.as_bytes())
}

/// Compares without stopping at the first difference.
fn is_same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |difference, (a, b)| difference | (a ^ b)) == 0
}

/// Who calls, for counting failed log-ins: behind a web server on this machine, whom that one names last.
pub(super) fn caller(headers: &HeaderMap, peer: Peer) -> IpAddr {
    let named = || {
        let chain = headers
            .get_all("x-forwarded-for")
            .iter()
            .next_back()?
            .to_str()
            .ok()?;
        chain.rsplit(',').next()?.trim().parse().ok()
    };
    if peer.0.is_loopback() {
        named().unwrap_or(peer.0)
    } else {
        peer.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(host: &'static str, expected: bool) {
        let mut headers = HeaderMap::new();
        headers.insert(header::HOST, HeaderValue::from_static(host));
        assert_eq!(is_own_name(&headers), expected, "{host}");
    }

    #[test]
    fn only_this_machines_own_names_are_answered() {
        check("127.0.0.1:8460", true);
        check("localhost", true);
        check("LOCALHOST:8460", true);
        check("[::1]:8460", true);
        check("example.org:8460", false);
        check("127.0.0.1.example.org:8460", false);
        check("", false);
        assert!(!is_own_name(&HeaderMap::new()));
    }

    #[test]
    fn a_form_from_elsewhere_is_not_ours_even_with_the_token() {
        let mut headers = HeaderMap::new();
        assert!(is_own_form(&headers, "abc", "abc"));
        assert!(!is_own_form(&headers, "abc", "abd"));
        assert!(!is_own_form(&headers, "abc", ""));
        assert!(!is_own_form(&headers, "", ""), "no token is no permission");
        headers.insert("sec-fetch-site", HeaderValue::from_static("cross-site"));
        assert!(!is_own_form(&headers, "abc", "abc"));
        headers.insert("sec-fetch-site", HeaderValue::from_static("same-origin"));
        assert!(is_own_form(&headers, "abc", "abc"));
    }

    #[test]
    fn a_cookie_is_found_by_its_whole_name() {
        let mut headers = HeaderMap::new();
        headers.append(header::COOKIE, HeaderValue::from_static("xsession=1; session=2"));
        headers.append(header::COOKIE, HeaderValue::from_static("other=3"));
        assert_eq!(cookie(&headers, "session"), Some("2"));
        assert_eq!(cookie(&headers, "other"), Some("3"));
        assert_eq!(cookie(&headers, "ses"), None);
    }

    #[test]
    fn a_forwarded_address_counts_only_from_this_machine() {
        let mut headers = HeaderMap::new();
        headers.insert(
            "x-forwarded-for",
            HeaderValue::from_static("192.0.2.1, 192.0.2.2"),
        );
        let of = |peer: [u8; 4]| caller(&headers, Peer(IpAddr::from(peer))).to_string();
        assert_eq!(of([127, 0, 0, 1]), "192.0.2.2");
        assert_eq!(of([192, 0, 2, 9]), "192.0.2.9");
    }
}
