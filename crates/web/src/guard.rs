//! Who may talk to the server: pages that it served itself, and programs of this machine. No other web page.

use std::net::Ipv4Addr;

use axum::extract::Request;
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{StatusCode, Version};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sheetloft_shop::limits;

/// Scripts, styles, fonts and the door from here and nowhere else; pictures also from memory; never in a frame.
const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; \
    img-src 'self' blob:; connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; \
    frame-ancestors 'none'";

/// Headers of every answer.
const HEADERS: [(HeaderName, HeaderValue); 6] = [
    (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(CONTENT_SECURITY_POLICY)),
    (header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
    (header::X_FRAME_OPTIONS, HeaderValue::from_static("DENY")),
    (header::REFERRER_POLICY, HeaderValue::from_static("no-referrer")),
    (HeaderName::from_static("cross-origin-resource-policy"), HeaderValue::from_static("same-origin")),
    (HeaderName::from_static("cross-origin-opener-policy"), HeaderValue::from_static("same-origin")),
];

/// Refuses requests that another web page in the person's browser makes, and puts the headers on every answer.
pub(crate) async fn guard(request: Request, next: Next) -> Response {
    let response = match refusal(request.version(), request.headers()) {
        Some(why) => (StatusCode::FORBIDDEN, why).into_response(),
        // Turned away by what it announces, before anything of it is read.
        None if announced(request.headers()) > limits::REQUEST_BYTES => StatusCode::PAYLOAD_TOO_LARGE.into_response(),
        None => next.run(request).await,
    };
    with_headers(response)
}

/// Puts the headers on that every answer to a browser has.
pub(crate) fn with_headers(mut response: Response) -> Response {
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, value);
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// How many bytes a request says it brings; one that does not say is counted while it is read.
fn announced(headers: &HeaderMap) -> usize {
    let said = headers.get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok());
    said.and_then(|length| length.parse().ok()).unwrap_or(0)
}

/// Why a request is not answered; none where it is.
fn refusal(version: Version, headers: &HeaderMap) -> Option<&'static str> {
    // A name that some other site made point here (DNS rebinding) arrives as the host.
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = match (hosts.next().map(HeaderValue::to_str), hosts.next()) {
        (Some(Ok(host)), None) if is_loopback(host) => host,
        (None, _) if version == Version::HTTP_10 => return Some("a request must name its host"),
        _ => return Some("only asked for as localhost or 127.0.0.1"),
    };
    // Browsers name the page that asks; programs send no origin.
    for origin in headers.get_all(header::ORIGIN) {
        if origin.to_str().ok().and_then(|o| o.strip_prefix("http://")) != Some(host) {
            return Some("only asked by its own pages");
        }
    }
    let site = headers.get("sec-fetch-site").map(HeaderValue::as_bytes);
    if site.is_some_and(|site| site != b"same-origin" && site != b"none") {
        return Some("only asked by its own pages");
    }
    None
}

/// Whether a `Host` header (with or without a port) names this machine's loopback.
fn is_loopback(host: &str) -> bool {
    let name = match host.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        Some((inside, port)) => return inside == "::1" && (port.is_empty() || is_port(port)),
        None => match host.find(':') {
            Some(at) if is_port(&host[at..]) => &host[..at],
            Some(_) => return false,
            None => host,
        },
    };
    name.eq_ignore_ascii_case("localhost") || name.parse().is_ok_and(|ip: Ipv4Addr| ip.is_loopback())
}

/// `:` and a port number.
fn is_port(text: &str) -> bool {
    text.strip_prefix(':').is_some_and(|digits| digits.parse::<u16>().is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(headers: &[(&'static str, &str)]) -> Option<&'static str> {
        let mut map = HeaderMap::new();
        for (name, value) in headers {
            map.append(*name, HeaderValue::from_str(value).expect("a header value"));
        }
        refusal(Version::HTTP_11, &map)
    }

    #[test]
    fn loopback_names_and_nothing_else() {
        for good in ["localhost", "LOCALHOST:80", "127.0.0.1:4848", "127.8.9.1", "[::1]", "[::1]:4848"] {
            assert_eq!(said(&[("host", good)]), None, "{good}");
        }
        for bad in [
            "",
            "shop.example",
            "127.0.0.1.shop.example",
            "localhost.shop.example:80",
            "10.0.0.4",
            "[::2]:80",
            "[::1",
            "localhost:",
            "localhost:99999",
            "localhost:80:80",
            "0.0.0.0",
            "127.1",
            "[::1]x",
        ] {
            assert!(said(&[("host", bad)]).is_some(), "{bad}");
        }
        assert!(said(&[]).is_some());
        assert!(said(&[("host", "localhost"), ("host", "localhost")]).is_some(), "two hosts");
    }

    #[test]
    fn only_its_own_pages() {
        let host = ("host", "127.0.0.1:4848");
        assert_eq!(said(&[host, ("origin", "http://127.0.0.1:4848")]), None);
        assert_eq!(said(&[host, ("sec-fetch-site", "same-origin")]), None);
        assert_eq!(said(&[host, ("sec-fetch-site", "none")]), None, "typed into the address line");
        for origin in
            ["null", "http://127.0.0.1:4849", "https://127.0.0.1:4848", "http://localhost:4848", "http://shop.example"]
        {
            assert!(said(&[host, ("origin", origin)]).is_some(), "{origin}");
        }
        for site in ["cross-site", "same-site", "?"] {
            assert!(said(&[host, ("sec-fetch-site", site)]).is_some(), "{site}");
        }
    }
}
