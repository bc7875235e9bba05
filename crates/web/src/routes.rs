//! The routes: the door, and the screens.

use std::sync::Arc;

use axum::extract::{DefaultBodyLimit, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router, middleware};
use serde_json::Value;
use sheetloft_shop::door::Door;
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

/// One request through the door. The work is done off the server's own threads, so that progress can be asked
/// and long work be cancelled meanwhile.
async fn ask(State(door): State<Arc<Door>>, Json(request): Json<Value>) -> Response {
    match tokio::task::spawn_blocking(move || door.ask(&request, false)).await {
        Ok(reply) => Json(reply).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// A file of the screens.
async fn screen(uri: Uri) -> Response {
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
    StatusCode::NOT_FOUND.into_response()
}
