//! The server over real TCP: what it answers, to whom, and what it refuses.

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::sync::{Arc, OnceLock, mpsc};
use std::time::Duration;

use serde_json::{Value, json};
use sheetloft_shop::door::Door;

/// One server for all tests of this file, over a shop file that does not exist yet.
fn server() -> SocketAddr {
    static SERVER: OnceLock<(SocketAddr, tempfile::TempDir)> = OnceLock::new();
    SERVER
        .get_or_init(|| {
            let folder = tempfile::tempdir().expect("a folder");
            let door = Arc::new(Door::new(folder.path().join("shop.db")));
            let (ready, is_ready) = mpsc::channel();
            std::thread::spawn(move || {
                let at = sheetloft_web::At { here: Some("127.0.0.1:0"), share: None };
                sheetloft_web::serve_blocking(door, at, |served| {
                    let here = served.here.as_deref().and_then(|a| a.strip_prefix("http://"));
                    let address = here.and_then(|a| a.parse().ok());
                    ready.send(address.expect("an address")).expect("the test waits");
                })
            });
            (is_ready.recv().expect("the server answers"), folder)
        })
        .0
}

/// What came back: status, headers in lower case, body.
struct Got {
    status: u16,
    headers: String,
    body: String,
}

/// A connection that does not wait for ever.
fn connect() -> TcpStream {
    let stream = TcpStream::connect(server()).expect("connect");
    stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a patience");
    stream
}

/// Sends a request as written and reads to the end.
fn send(head: &str, body: &[u8]) -> Got {
    let mut stream = connect();
    write!(stream, "{head}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n", body.len()).expect("send");
    // A server that refuses may close before it has read everything.
    let _ = stream.write_all(body);
    let mut text = Vec::new();
    let _ = stream.read_to_end(&mut text);
    let text = String::from_utf8_lossy(&text).into_owned();
    let (headers, body) = text.split_once("\r\n\r\n").expect("an answer");
    let status = headers.split(' ').nth(1).and_then(|s| s.parse().ok()).expect("a status");
    Got { status, headers: headers.to_ascii_lowercase(), body: body.to_owned() }
}

fn post(more: &str, body: &str) -> Got {
    send(&format!("POST /door HTTP/1.1\r\nhost: {}{more}", server()), body.as_bytes())
}

fn get(path: &str) -> Got {
    send(&format!("GET {path} HTTP/1.1\r\nhost: {}", server()), b"")
}

const JSON: &str = "\r\ncontent-type: application/json";

#[test]
fn the_door_answers_as_a_browser_may_ask() {
    let got = post(JSON, r#"{"ask":"hello"}"#);
    assert_eq!(got.status, 200);
    let hello: Value = serde_json::from_str(&got.body).expect("JSON");
    assert_eq!(hello["window"], json!(false));
    assert_eq!(hello["shop"], json!(false));
    assert!(got.headers.contains("cache-control: no-store"), "{}", got.headers);
}

#[test]
fn a_browser_may_not_name_files_of_the_machine() {
    let request = r#"{"ask":"act","id":"","action":{"do":"backup","with":{"file":"copy.db"}}}"#;
    let reply: Value = serde_json::from_str(&post(JSON, request).body).expect("JSON");
    assert_eq!(reply["ok"], json!(false));
    assert_eq!(reply["refused"]["key"], json!("refused-window-only"));
}

#[test]
fn other_web_pages_are_turned_away() {
    let own = format!("{JSON}\r\norigin: http://{}\r\nsec-fetch-site: same-origin", server());
    assert_eq!(post(&own, r#"{"ask":"hello"}"#).status, 200);
    assert_eq!(post(&format!("{JSON}\r\norigin: http://shop.example"), r#"{"ask":"hello"}"#).status, 403);
    assert_eq!(post(&format!("{JSON}\r\norigin: null"), r#"{"ask":"hello"}"#).status, 403);
    assert_eq!(post(&format!("{JSON}\r\nsec-fetch-site: cross-site"), r#"{"ask":"hello"}"#).status, 403);
    // A name that another site made point here.
    let rebound = send(&format!("POST /door HTTP/1.1\r\nhost: shop.example{JSON}"), br#"{"ask":"hello"}"#);
    assert_eq!(rebound.status, 403);
    assert_eq!(send("GET / HTTP/1.1\r\nhost: shop.example", b"").status, 403);
    // What a page may send elsewhere without asking first: not JSON by its type.
    for kind in ["", "\r\ncontent-type: text/plain", "\r\ncontent-type: application/x-www-form-urlencoded"] {
        assert_eq!(post(kind, r#"{"ask":"hello"}"#).status, 415, "{kind}");
    }
    // No answer allows another origin, the question beforehand included.
    let before = send(
        &format!(
            "OPTIONS /door HTTP/1.1\r\nhost: {}\r\norigin: http://shop.example\r\naccess-control-request-method: POST",
            server()
        ),
        b"",
    );
    assert_eq!(before.status, 403);
    assert!(!before.headers.contains("access-control"), "{}", before.headers);
}

#[test]
fn every_answer_forbids_what_the_screens_do_not_need() {
    for got in
        [get("/"), get("/none"), post(JSON, "{}"), post("", "{}"), send("GET / HTTP/1.1\r\nhost: shop.example", b"")]
    {
        for header in [
            "content-security-policy: default-src 'none'; script-src 'self';",
            "frame-ancestors 'none'",
            "x-content-type-options: nosniff",
            "referrer-policy: no-referrer",
            "cross-origin-resource-policy: same-origin",
        ] {
            assert!(got.headers.contains(header), "{header} is missing in:\n{}", got.headers);
        }
    }
}

#[test]
fn bad_requests_are_refused_and_the_server_goes_on() {
    for body in ["", "{", "[]", "null", "\u{0}", r#"{"ask":"act"}"#, r#"{"ask":"act","action":{"do":"fly","with":{}}}"#]
    {
        let got = post(JSON, body);
        let refused = got.status == 400
            || serde_json::from_str::<Value>(&got.body).is_ok_and(|reply| reply["refused"]["kind"] == "bad_input");
        assert!(refused, "{body:?}: {} {}", got.status, got.body);
    }
    // Deeper than any honest request.
    let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
    assert_eq!(post(JSON, &deep).status, 400);
    // Larger than any honest request: turned away by the length alone.
    let mut stream = connect();
    write!(stream, "POST /door HTTP/1.1\r\nhost: {}{JSON}\r\ncontent-length: 99999999999\r\n\r\n", server())
        .expect("send");
    let mut start = [0; 12];
    stream.read_exact(&mut start).expect("an answer");
    assert_eq!(&start, b"HTTP/1.1 413");
    assert_eq!(post(JSON, r#"{"ask":"hello"}"#).status, 200);
}

#[test]
fn the_screens_or_the_way_to_them() {
    let page = get("/");
    assert_eq!(page.status, 200);
    assert!(page.headers.contains("content-type: text/html; charset=utf-8"), "{}", page.headers);
    if sheetloft_web::has_screens() {
        assert!(page.body.contains("<script type=\"module\""), "{}", page.body);
        // Everything the page names is there.
        for name in page.body.split(['"', '\'']).filter(|name| name.starts_with("./assets/")) {
            let got = get(&name[1..]);
            assert_eq!(got.status, 200, "{name}");
            assert!(got.headers.contains("immutable"), "{}", got.headers);
        }
    } else {
        assert!(page.body.contains("make screens"), "{}", page.body);
    }
}

#[test]
fn nothing_but_the_screens_can_be_read() {
    for path in [
        "/../Cargo.toml",
        "/assets/../../Cargo.toml",
        "/%2e%2e/Cargo.toml",
        "//etc/passwd",
        "/door",
        "/assets/",
        "/assets",
    ] {
        let got = get(path);
        assert!([404, 405].contains(&got.status), "{path}: {}", got.status);
    }
}

#[test]
fn other_machines_are_not_listened_to() {
    let refused = |listen: &str| {
        let door = Arc::new(Door::new("shop.db"));
        let at = sheetloft_web::At { here: Some(listen), share: None };
        sheetloft_web::serve_blocking(door, at, |_| panic!("serves {listen}")).expect_err("refused").say.key
    };
    for open in ["0.0.0.0:0", "[::]:0", "192.0.2.7:0"] {
        assert_eq!(refused(open), "error-listen-loopback");
    }
    for odd in ["", "here", "127.0.0.1", "127.0.0.1:99999", "localhost:80"] {
        assert_eq!(refused(odd), "error-listen-address");
    }
    assert_eq!(refused(&server().to_string()), "error-listen", "the address is in use");
}
