//! Who is answered, and with which headers.

use std::io::{self, Read as _};

use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};

/// Names under which this machine calls itself. A page of another site that points its own name here is not answered.
const OWN_NAMES: [&str; 3] = ["127.0.0.1", "localhost", "[::1]"];

/// For what is not one of our views: no style, no script, no frame.
const STRICT: &str = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'";

/// Answers only to this machine's own names, and puts the headers on every answer.
pub(super) async fn guard(request: Request, next: Next) -> Response {
    let mut response = if is_own_name(request.headers()) {
        next.run(request).await
    } else {
        (
            StatusCode::MISDIRECTED_REQUEST,
            "This page answers to 127.0.0.1 and localhost only. Behind a web server of yours, let that one pass on \
             `Host: 127.0.0.1`.\n",
        )
            .into_response()
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

/// Whether a form was sent from this page: browsers say where a request comes from, and only this page knows the token.
pub(super) fn is_own_form(headers: &HeaderMap, token: &str, sent: &str) -> bool {
    let from = headers.get("sec-fetch-site").and_then(|from| from.to_str().ok());
    let is_foreign = from.is_some_and(|from| from != "same-origin" && from != "none");
    !is_foreign && is_same(token.as_bytes(), sent.as_bytes())
}

/// Compares without stopping at the first difference.
fn is_same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |difference, (a, b)| difference | (a ^ b)) == 0
}

/// Thirty-two hexadecimal digits from the system's random numbers.
pub(super) fn random_hex() -> io::Result<String> {
    let mut bytes = [0_u8; 16];
    fs_err::File::open("/dev/urandom")?.read_exact(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
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
        headers.insert("sec-fetch-site", HeaderValue::from_static("cross-site"));
        assert!(!is_own_form(&headers, "abc", "abc"));
        headers.insert("sec-fetch-site", HeaderValue::from_static("same-origin"));
        assert!(is_own_form(&headers, "abc", "abc"));
    }
}
