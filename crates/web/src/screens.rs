//! The built screens, carried in the program.

use sheetloft_shop::say;

include!(concat!(env!("OUT_DIR"), "/screens.rs"));

/// Whether the program was built with its screens. Without them it serves a page that says how to build them.
pub fn has_screens() -> bool {
    !FILES.is_empty()
}

/// The file at a path below the root.
pub(crate) fn file(path: &str) -> Option<&'static [u8]> {
    let at = FILES.binary_search_by(|(name, _)| (*name).cmp(path)).ok()?;
    FILES.get(at).map(|(_, bytes)| *bytes)
}

/// The media type that a file's name says.
pub(crate) fn media_type(path: &str) -> &'static str {
    match path.rsplit_once('.').map_or("", |(_, ending)| ending) {
        "html" => "text/html; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "json" | "webmanifest" => "application/json",
        "txt" => "text/plain; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "ico" => "image/x-icon",
        "woff2" => "font/woff2",
        _ => "application/octet-stream",
    }
}

/// The page that stands where the screens would.
pub(crate) fn how_to_build() -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\"><meta charset=\"utf-8\"><title>Sheetloft</title>\n<h1>{}</h1>\n<p>{}</p>\n</html>\n",
        say!("screens-missing").text(),
        say!("screens-missing-do").text()
    )
}
