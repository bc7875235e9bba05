//! The routes: the door, and the screens.

use std::sync::Arc;

use axum::extract::{DefaultBodyLimit, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, LOCATION};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router, middleware};
use serde_json::Value;
use sheetloft_shop::door::{Door, Face};
use sheetloft_shop::limits;

use crate::guard::guard;
use crate::screens;

/// Everything the server answers.
pub(crate) fn router(door: Arc<Door>) -> Router {
    Router::new()
        .route("/door", post(ask))
        .fallback(get(screen))
        .layer(DefaultBodyLimit::max(limits::REQUEST_BYTES))
        .layer(middleware::from_fn(guard))
        .with_state(door)
}

/// Whether a path can be what a label says behind the shop's address: a code, a rack's UUID, or a part behind its plan.
fn is_label(path: &str) -> bool {
    let letters = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
    let mut parts = path.splitn(3, '/');
    let first = parts.next().is_some_and(|code| code.len() <= 40 && code.contains('-') && letters(code));
    first && parts.next().is_none_or(|part| part.len() <= 20 && letters(part)) && parts.next().is_none()
}

/// One request through the door. The work is done off the server's own threads, so that progress can be asked
/// and long work be cancelled meanwhile.
async fn ask(State(door): State<Arc<Door>>, Json(request): Json<Value>) -> Response {
    match tokio::task::spawn_blocking(move || door.ask(&request, Face::Here)).await {
        Ok(reply) => Json(reply).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// A file of the screens.
pub(crate) async fn screen(uri: Uri) -> Response {
    let path = uri.path().trim_start_matches('/');
    let path = if path.is_empty() { "index.html" } else { path };
    if let Some(bytes) = screens::file(path) {
        // What lies in `assets` has its content's hash in its name and never changes.
        let cache = if path.starts_with("assets/") { "max-age=31536000, immutable" } else { "no-cache" };
        return ([(CONTENT_TYPE, screens::media_type(path)), (CACHE_CONTROL, cache)], bytes).into_response();
    }
    if path == "index.html" {
        return ([(CONTENT_TYPE, screens::media_type(path))], screens::how_to_build()).into_response();
    }
    // A label's code says the address of its page, in capital letters: `/7K-004TK`.
    if is_label(path) {
        return (StatusCode::SEE_OTHER, [(LOCATION, format!("/#/at/{path}"))]).into_response();
    }
    StatusCode::NOT_FOUND.into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_of_labels_and_nothing_else() {
        for label in ["7K-004TK", "o-7k-00716", "P-7K-003D/A-12", "0198A1B2-C3D4-7E5F-8A9B-0C1D2E3F4A5B"] {
            assert!(is_label(label), "{label}");
        }
        for other in ["favicon.ico", "assets/x-1.js", "7K-004TK/..", "7K-004TK/a/b", "", "-/", "login", "a-b%2f"] {
            assert!(!is_label(other), "{other}");
        }
    }
}
