//! What is answered on the shop's network: exchange for devices that were paired; screens and the door, with what its
//! role allows, for phones and tablets that were.

use std::sync::Arc;

use axum::body::{Body, to_bytes};
use axum::extract::{ConnectInfo, Path, Request, State};
use axum::http::header::{CONTENT_LENGTH, COOKIE, HOST, HeaderMap, HeaderValue, LOCATION, ORIGIN, SET_COOKIE};
use axum::http::{Method, StatusCode};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;
use serde_json::{Value, json};
use sheetloft_shop::door::{Door, Face};
use sheetloft_shop::limits;
use sheetloft_shop::network::{self, NotAnswered, wire::Why};

use crate::guard::with_headers;
use crate::network::Other;
use crate::routes::screen;

/// Where a browser keeps what it is known by. `__Host-`: sent to this very host alone, over TLS alone.
const COOKIE_NAME: &str = "__Host-sheetloft";
/// As long as browsers keep a cookie at most.
const COOKIE_AGE_S: u32 = 400 * 24 * 3_600;

/// Everything that is answered there.
pub(crate) fn router(door: Arc<Door>) -> Router {
    Router::new()
        .route("/door", post(ask))
        .route("/pair", post(pair))
        .route("/pair/{code}", get(to_pairing))
        .route("/PAIR/{code}", get(to_pairing))
        .fallback(get(screen))
        .layer(middleware::from_fn_with_state(door.clone(), who))
        .with_state(door)
}

/// Devices are answered here, and go no further; browsers go on to their routes.
async fn who(
    State(door): State<Arc<Door>>,
    ConnectInfo(other): ConnectInfo<Other>,
    request: Request,
    next: Next,
) -> Response {
    match other.device {
        Some(print) => device(door, print, request).await,
        None => match refusal(request.headers()) {
            Some(why) => with_headers((StatusCode::FORBIDDEN, why).into_response()),
            None => with_headers(next.run(request).await),
        },
    }
}

/// Whether a request comes from another page than one that was served here.
fn refusal(headers: &HeaderMap) -> Option<&'static str> {
    let host = headers.get(HOST).and_then(|h| h.to_str().ok());
    let origins = headers.get_all(ORIGIN).iter().map(|o| o.to_str().ok());
    for origin in origins {
        if origin.and_then(|o| o.strip_prefix("https://")) != host {
            return Some("only asked by its own pages");
        }
    }
    let site = headers.get("sec-fetch-site").map(HeaderValue::as_bytes);
    // A picture's link is opened from elsewhere, and so is a label's.
    (site.is_some_and(|s| s == b"cross-site" || s == b"same-site")
        && headers.get("sec-fetch-mode").is_none_or(|m| m != "navigate"))
    .then_some("only asked by its own pages")
}

fn not(why: Why) -> Response {
    let status = StatusCode::from_u16(why.status()).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    (status, Json(json!(NotAnswered { why }))).into_response()
}

/// One request of a device.
async fn device(door: Arc<Door>, from: network::Print, request: Request) -> Response {
    if request.method() != Method::POST {
        return not(Why::NoSuch);
    }
    let path = request.uri().path().to_owned();
    let most = network::most_bytes(&path);
    let pairing = path.starts_with("/pair/");
    let known = {
        let door = door.clone();
        move || pairing || network::is_known(&door, from)
    };
    // Nobody who is not known has anything large read.
    match tokio::task::spawn_blocking(known).await {
        Ok(true) => {}
        Ok(false) => return not(Why::Unknown),
        Err(_) => return not(Why::Fault),
    }
    let announced =
        request.headers().get(CONTENT_LENGTH).and_then(|l| l.to_str().ok()).and_then(|l| l.parse::<usize>().ok());
    if announced.is_some_and(|length| length > most) {
        return not(Why::TooLarge);
    }
    let Ok(body) = to_bytes(request.into_body(), most).await else { return not(Why::TooLarge) };
    match tokio::task::spawn_blocking(move || network::answer(&door, from, &path, &body)).await {
        Ok(Ok(answer)) => Body::from(answer).into_response(),
        Ok(Err(why)) => not(why),
        Err(_) => not(Why::Fault),
    }
}

/// What a browser is known by, if it has been paired.
fn token(headers: &HeaderMap) -> Option<String> {
    let cookies = headers.get_all(COOKIE).iter().filter_map(|c| c.to_str().ok());
    let mut pairs = cookies.flat_map(|c| c.split(';')).filter_map(|c| c.trim().split_once('='));
    pairs.find(|(name, _)| *name == COOKIE_NAME).map(|(_, value)| value.to_owned())
}

/// One request through the door, with what the browser's role allows.
async fn ask(State(door): State<Arc<Door>>, request: Request) -> Response {
    let token = token(request.headers());
    let known = {
        let door = door.clone();
        tokio::task::spawn_blocking(move || token.and_then(|t| network::screen(&door, &t))).await
    };
    let Ok(Some(worker)) = known else { return Json(json!({ "unpaired": true })).into_response() };
    let Ok(body) = to_bytes(request.into_body(), limits::REQUEST_BYTES).await else {
        return StatusCode::PAYLOAD_TOO_LARGE.into_response();
    };
    let Ok(asked) = serde_json::from_slice::<Value>(&body) else { return StatusCode::BAD_REQUEST.into_response() };
    match tokio::task::spawn_blocking(move || door.ask(&asked, Face::Screen(worker))).await {
        Ok(reply) => Json(reply).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Code {
    code: String,
}

/// A browser pairs by the code that the other device shows.
async fn pair(State(door): State<Arc<Door>>, request: Request) -> Response {
    let Ok(body) = to_bytes(request.into_body(), network::wire::UNPAIRED_BYTES).await else {
        return not(Why::TooLarge);
    };
    let Ok(Code { code }) = serde_json::from_slice(&body) else { return not(Why::Unreadable) };
    match tokio::task::spawn_blocking(move || network::pair_screen(&door, &code)).await {
        Ok(Ok(token)) => {
            let cookie =
                format!("{COOKIE_NAME}={token}; Path=/; Secure; HttpOnly; SameSite=Strict; Max-Age={COOKIE_AGE_S}");
            ([(SET_COOKIE, cookie)], Json(json!({ "paired": true }))).into_response()
        }
        Ok(Err(why)) => not(why),
        Err(_) => not(Why::Fault),
    }
}

/// What a phone's camera opens.
async fn to_pairing(Path(code): Path<String>) -> Response {
    let digits: String = code.chars().filter(char::is_ascii_digit).take(12).collect();
    (StatusCode::SEE_OTHER, [(LOCATION, format!("/#/pair/{digits}"))]).into_response()
}
