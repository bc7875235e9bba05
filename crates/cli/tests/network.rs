//! Devices as real programs on one network (the loopback): pairing, lines, claims, sending away, and strangers.

mod common;

use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::process::Stdio;
use std::sync::Arc;

use rustls::pki_types::ServerName;
use serde_json::{Value, json};
use sheetloft_sync::net::pair::{self, Side};
use sheetloft_sync::net::{Fingerprint, Identity, tls, wire};

use common::{PATIENCE, Place, Serving, until};

/// What is done with devices on a network.
trait Served {
    fn tag(&self, device: &str) -> String;
    fn agree(&self, devices: &[&str]);
    fn identity(&self, device: &str) -> Identity;
}

impl Served for Place {
    fn tag(&self, device: &str) -> String {
        self.ok(device, &["shop"])["device"].as_str().unwrap().to_owned()
    }

    /// Waits until two devices hold the same, and both are sound.
    fn agree(&self, devices: &[&str]) {
        until(|| devices.iter().all(|d| self.digest(d) == self.digest(devices[0])));
        for device in devices {
            assert_eq!(self.ok(device, &["check"])["ok"], true, "{device}");
        }
    }

    fn identity(&self, device: &str) -> Identity {
        let kept: Value =
            serde_json::from_slice(&std::fs::read(self.0.path().join(format!("{device}.db.network"))).unwrap())
                .unwrap();
        Identity::of(&self.shop(device), kept["device"].as_str().unwrap().parse().unwrap()).unwrap()
    }
}

/// A shop on device `a` with three sheets, which serves; and device `b`, which has joined it.
fn paired() -> (Place, Serving, Vec<String>) {
    let place = Place::new();
    let pieces = place.stocked("a");
    place.refused("a", &["sync", "pair"], 3, "does not serve others yet");
    let serving = place.serve("a");
    let joined = place.ok("b", &["sync", "pair", &serving.share, &place.code("a")]);
    assert_eq!(joined["joined"].as_str().unwrap().len(), 2);
    place.agree(&["a", "b"]);
    (place, serving, pieces)
}

#[test]
fn a_code_is_good_once_for_few_attempts_and_a_shop_file_is_not_left_behind() {
    let place = Place::new();
    place.ok("a", &["init"]);
    let serving = place.serve("a");
    let at = &serving.share;
    place.refused("b", &["sync", "pair", at, "123456"], 3, "offers no pairing now");
    let code = place.code("a");
    let wrong = if code == "000 000" { "000001" } else { "000000" };
    for _ in 0..pair::ATTEMPTS {
        place.refused("b", &["sync", "pair", at, wrong], 3, "is not the one that");
    }
    // The right one comes too late: whoever guessed had the attempts.
    place.refused("b", &["sync", "pair", at, &code], 3, "offers no pairing now");
    let code = place.code("a");
    place.ok("b", &["sync", "pair", at, &code]);
    place.refused("c", &["sync", "pair", at, &code], 3, "offers no pairing now");
    let left: Vec<_> = std::fs::read_dir(place.0.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(!left.iter().any(|name| name.to_string_lossy().starts_with("c.db")), "{left:?}");
    // Typed otherwise.
    place.refused("c", &["sync", "pair", at, "12345"], 2, "has 6 digits");
    place.refused("c", &["sync", "pair", "office:x", "123456"], 2, "is not an address");
    place.refused("c", &["sync", "pair", "127.0.0.1:1", "123456"], 3, "cannot be reached");
    // A device of another shop is told, and nothing is mixed.
    place.ok("d", &["init", "--name", "Other"]);
    place.refused("d", &["sync", "pair", at, &place.code("a")], 3, "is another shop");
    assert_eq!(place.ok("d", &["sync", "status"])["peers"], json!([]));
}

#[test]
fn what_happens_on_one_device_is_on_the_other_by_itself_and_a_claim_keeps_them_apart() {
    let (place, _a, pieces) = paired();
    let _b = place.serve("b");
    // There and back, without anybody asking for an exchange.
    place.ok("a", &["scrap", &pieces[0], "--why", "broken"]);
    until(|| place.ok("b", &["stock", "list"])["pieces"].as_array().unwrap().len() == 2);
    place.ok("b", &["scrap", &pieces[1], "--why", "broken"]);
    until(|| place.ok("a", &["stock", "list"])["pieces"].as_array().unwrap().len() == 1);
    place.agree(&["a", "b"]);
    assert_eq!(place.ok("a", &["conflicts"])["conflicts"], json!([]));
}

#[test]
fn before_a_piece_is_used_the_others_are_asked() {
    let (place, _a, pieces) = paired();
    // No line is kept by `b` here: only what is asked before a use can tell it.
    place.ok("a", &["scrap", &pieces[0], "--why", "broken"]);
    place.refused("b", &["scrap", &pieces[0], "--why", "mine"], 3, "was thrown away");
    // A third device says that it is about to use another one; then neither of the others may.
    let code = place.code("a");
    place.ok("c", &["sync", "pair", &_a.share, &code]);
    let uuid = place.ok("a", &["stock", "show", &pieces[1]])["uuid"].as_str().unwrap().to_owned();
    let mut stranger = Raw::connect(&_a.share, &place.identity("c"));
    let claimed = stranger.post(wire::CLAIM, json!({ "pieces": [uuid] }).to_string().as_bytes());
    assert_eq!((claimed.0, claimed.1), (200, json!({ "by": null })));
    place.refused("b", &["scrap", &pieces[1], "--why", "mine"], 3, "is about to use");
    place.refused("a", &["scrap", &pieces[1], "--why", "mine"], 3, "is about to use");
    let mut again = Raw::connect(&_a.share, &place.identity("c"));
    again.post(wire::RELEASE, json!({ "pieces": [uuid] }).to_string().as_bytes());
    place.ok("b", &["scrap", &pieces[1], "--why", "mine"]);
    place.agree(&["a", "b"]);
}

#[test]
fn three_devices_that_want_one_sheet_at_once_never_use_it_twice() {
    let place = Place::new();
    place.stocked("a");
    let a = place.serve("a");
    place.ok("b", &["sync", "pair", &a.share, &place.code("a")]);
    let b = place.serve("b");
    // Each asks every other one that serves.
    place.ok("a", &["sync", "pair", &b.share, &place.code("b")]);
    place.ok("c", &["sync", "pair", &a.share, &place.code("a")]);
    place.ok("c", &["sync", "pair", &b.share, &place.code("b")]);
    let received =
        place.ok("a", &["receive", "--material", "Ply", "--sheets", "6", "--size", "1000x1000", "--unit-cost", "50"]);
    let pieces: Vec<&str> =
        received["pieces"].as_array().unwrap().iter().map(|p| p["piece"].as_str().unwrap()).collect();
    place.ok("c", &["sync", "now"]);
    place.agree(&["a", "b", "c"]);
    for (round, piece) in pieces.iter().enumerate() {
        // Two of them at once, then all three.
        let devices = [&["b", "c"][..], &["a", "b"], &["a", "c"], &["a", "b", "c"]][round % 4];
        let asking: Vec<_> = devices
            .iter()
            .map(|device| {
                let words = ["take", piece, "--left", "400x1000", "--why", device];
                let mut command = place.command(device, &words);
                command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap()
            })
            .collect();
        let done: Vec<_> = asking.into_iter().map(|child| child.wait_with_output().unwrap()).collect();
        let used = done.iter().filter(|d| d.status.success()).count();
        assert!(used <= 1, "{piece} was used by {used} of {devices:?}");
        // Whoever did not get it was refused in words, and nothing broke.
        for other in done.iter().filter(|d| !d.status.success()) {
            assert_eq!(other.status.code(), Some(3), "{}", String::from_utf8_lossy(&other.stderr));
        }
        if used == 0 {
            // Each was about to use it and said so to the others: whoever asks again alone gets it.
            place.ok("c", &["take", piece, "--left", "400x1000", "--why", "c"]);
        }
    }
    place.ok("c", &["sync", "now"]);
    place.agree(&["a", "b", "c"]);
    for device in ["a", "b", "c"] {
        assert_eq!(place.ok(device, &["conflicts"])["conflicts"], json!([]), "{device}");
    }
}

#[test]
fn whoever_is_sent_away_gets_nothing_at_once_and_can_be_let_in_again() {
    let (place, a, pieces) = paired();
    let tag = place.tag("b");
    let own = place.tag("a");
    place.refused("a", &["sync", "revoke", &own], 3, "cannot be sent away from here");
    place.refused("a", &["sync", "revoke", "nobody"], 2, "No device");
    place.ok("a", &["sync", "revoke", &tag]);
    place.ok("a", &["scrap", &pieces[0], "--why", "broken"]);
    let before = place.digest("b");
    let (status, answer, _) = place.run("b", &["sync", "now"]);
    assert_eq!(status, 1);
    assert!(answer["problems"][0]["what"].as_str().unwrap().contains("does not know this device"), "{answer}");
    assert_eq!(place.digest("b"), before);
    let mut raw = Raw::connect(&a.share, &place.identity("b"));
    for path in
        [wire::RUNS, wire::TAKE, wire::GIVE, wire::WAIT, wire::START, wire::START_BYTES, wire::CLAIM, wire::RELEASE]
    {
        assert_eq!(raw.post(path, b"{}"), (403, json!({ "why": "unknown" })), "{path}");
    }
    place.ok("b", &["sync", "pair", &a.share, &place.code("a")]);
    place.agree(&["a", "b"]);
}

#[test]
fn a_start_is_whole_for_whom_it_was_made_and_for_nobody_else() {
    let (place, a, _) = paired();
    let _ = place.ok("c", &["sync", "pair", &a.share, &place.code("a")]);
    let event: Value = {
        let all = sheetloft_store::Store::open(&place.shop("a")).unwrap().read().lacking(&Default::default(), 1);
        serde_json::from_slice(&all.unwrap()[0].bytes).unwrap()
    };
    let [mut b, mut c] = ["b", "c"].map(|device| Raw::connect(&a.share, &place.identity(device)));
    let wanted = json!({ "shop": event["shop"] }).to_string();
    let made = b.post(wire::START, wanted.as_bytes()).1;
    let from = |at: u64| json!({ "id": made["id"], "from": at }).to_string().into_bytes();
    assert_eq!(c.post(wire::START_BYTES, &from(0)).1["why"], "no_such", "it was made for another");
    let (status, file) = b.post_for_bytes(wire::START_BYTES, &from(0));
    assert_eq!((status, file.len() as u64), (200, made["bytes"].as_u64().unwrap()));
    let head = sheetloft_sync::start::read_head(&file[..]).unwrap();
    assert_eq!(json!(head.shop), event["shop"]);
    assert_eq!(b.post(wire::START_BYTES, &from(0)).1["why"], "no_such", "it was fetched");
    // Sent away between two requests: not one byte more.
    let made = c.post(wire::START, wanted.as_bytes()).1;
    place.ok("a", &["sync", "revoke", &place.tag("c")]);
    let first = json!({ "id": made["id"], "from": 0 }).to_string();
    assert_eq!(c.post(wire::START_BYTES, first.as_bytes()), (403, json!({ "why": "unknown" })));
}

#[test]
fn the_switch_opens_the_port_while_the_program_runs_and_says_why_where_it_cannot() {
    let place = Place::new();
    place.ok("a", &["init"]);
    let _a = place.serve_here("a");
    let status = || place.run("a", &["sync", "status"]).1;
    assert_eq!((&status()["shares"], &status()["serves"]), (&Value::Null, &json!([])));
    place.refused("a", &["sync", "share", "--at", "here"], 2, "is not an address");
    place.refused("a", &["sync", "share", "--port", "70000"], 2, "70000");
    // Somebody else has the port.
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let at = taken.local_addr().unwrap().to_string();
    place.ok("a", &["sync", "share", "--at", &at]);
    until(|| status()["problems"][0]["what"].as_str().is_some_and(|what| what.contains(&at)));
    assert!(status()["problems"][0]["do"].as_str().unwrap().contains("--port"));
    place.refused("a", &["sync", "pair"], 3, "does not serve others yet");
    drop(taken);
    until(|| status()["serves"] == json!([at]) && status()["problems"] == json!([]));
    place.ok("b", &["sync", "pair", &at, &place.code("a")]);
    // Off: nobody gets anything; and where it was is remembered.
    place.ok("a", &["sync", "share", "--off"]);
    until(|| status()["serves"] == json!([]));
    let (answered, told, _) = place.run("b", &["sync", "now"]);
    assert_eq!(answered, 1, "{told}");
    place.ok("a", &["sync", "share"]);
    until(|| status()["serves"] == json!([at]));
    place.ok("b", &["sync", "now"]);
}

#[test]
fn strangers_and_nonsense_get_nothing() {
    let (place, a, _) = paired();
    let before = place.digest("a");
    // Somebody with a certificate that nobody has paired.
    let stranger = Identity::make().unwrap();
    let mut raw = Raw::connect(&a.share, &stranger);
    for path in [wire::RUNS, wire::TAKE, wire::GIVE, wire::WAIT, wire::START, wire::CLAIM, "/door", "/", "/../b.db"] {
        assert_eq!(raw.post(path, b"{}"), (403, json!({ "why": "unknown" })), "{path}");
    }
    // A pairing that is none: no offer, nonsense, an answer to nobody's question, too much.
    assert_eq!(raw.post(wire::PAIR_HELLO, b"{}").0, 400);
    let message = |bytes: &[u8]| json!({ "message": base64(bytes) }).to_string();
    assert_eq!(raw.post(wire::PAIR_HELLO, message(b"x").as_bytes()).1["why"], "no_offer");
    assert_eq!(raw.post(wire::PAIR_HELLO, &vec![b' '; wire::UNPAIRED_BYTES + 1]).1["why"], "too_large");
    // A proof is good for the connection's certificate alone, once: replayed by another, it is nothing.
    let code = pair::read_code(&place.code("a")).unwrap();
    let caller = Identity::make().unwrap();
    let mut first = Raw::connect(&a.share, &caller);
    let (begun, hello) = pair::call(&code);
    let back = first.post(wire::PAIR_HELLO, message(&hello).as_bytes()).1;
    let agreed = begun.finish(&unbase64(back["message"].as_str().unwrap())).unwrap();
    let prove = |own: Fingerprint, theirs: Fingerprint| {
        json!({ "session": back["session"], "proof": base64(&agreed.prove(Side::Calls, own, theirs)),
            "device": uuid::Uuid::from_u128(7), "shop": null })
        .to_string()
    };
    let right = prove(caller.fingerprint(), first.theirs);
    // A second one is told the code as well and begins before the first is done: the code is good for one of them.
    let second = Identity::make().unwrap();
    let mut late = Raw::connect(&a.share, &second);
    let (late_begun, late_hello) = pair::call(&code);
    let late_back = late.post(wire::PAIR_HELLO, message(&late_hello).as_bytes()).1;
    let late_agreed = late_begun.finish(&unbase64(late_back["message"].as_str().unwrap())).unwrap();
    let late_proof = late_agreed.prove(Side::Calls, second.fingerprint(), late.theirs);
    let mut other = Raw::connect(&a.share, &stranger);
    assert_eq!(other.post(wire::PAIR_PROVE, right.as_bytes()).1["why"], "no_offer");
    assert_eq!(first.post(wire::PAIR_PROVE, right.as_bytes()).0, 200);
    assert_eq!(first.post(wire::PAIR_PROVE, right.as_bytes()).1["why"], "no_offer");
    let too_late = json!({ "session": late_back["session"], "proof": base64(&late_proof),
        "device": uuid::Uuid::from_u128(8), "shop": null });
    assert_eq!(late.post(wire::PAIR_PROVE, too_late.to_string().as_bytes()).1["why"], "no_offer");
    assert_eq!(late.post(wire::RUNS, b"{}").1["why"], "unknown");
    // Now it is paired, and still has to speak sense.
    assert_eq!(first.post(wire::GIVE, b"not a batch").1["why"], "unreadable");
    assert_eq!(first.post(wire::TAKE, b"[]").1["why"], "unreadable");
    assert_eq!(
        first.post(wire::RUNS, json!({ "shop": uuid::Uuid::nil(), "runs": {} }).to_string().as_bytes()).1["why"],
        "other_shop"
    );
    assert_eq!(first.post("/exchange/else", b"{}").1["why"], "no_such");
    let of_nobody = json!({ "shop": uuid::Uuid::nil() }).to_string();
    assert_eq!(first.post(wire::START, of_nobody.as_bytes()).1["why"], "other_shop");
    let unmade = json!({ "id": uuid::Uuid::nil(), "from": 0 }).to_string();
    assert_eq!(first.post(wire::START_BYTES, unmade.as_bytes()).1["why"], "no_such");
    let pieces: Vec<String> = (0..=wire::CLAIM_PIECES).map(|i| uuid::Uuid::from_u128(i as u128).to_string()).collect();
    assert_eq!(first.post(wire::CLAIM, json!({ "pieces": pieces }).to_string().as_bytes()).1["why"], "too_large");
    // Bytes that are no TLS at all, and a connection that says nothing, hold up nobody.
    let mut plain = TcpStream::connect(&a.share).unwrap();
    plain.write_all(b"GET / HTTP/1.1\r\n\r\n").unwrap();
    let _silent = TcpStream::connect(&a.share).unwrap();
    assert_eq!(place.digest("a"), before);
    place.ok("b", &["sync", "now"]);
}

#[test]
fn somebody_between_shows_another_certificate_and_is_found_out() {
    let (place, a, _) = paired();
    let at = a.share.clone();
    drop(a);
    // Another program takes the place of the one that was paired.
    place.ok("x", &["init"]);
    let _x = place.serve_at("x", &at);
    let before = place.digest("b");
    let (status, answer, _) = place.run("b", &["sync", "now"]);
    assert_eq!(status, 1);
    let what = answer["problems"][0]["what"].as_str().unwrap();
    assert!(what.contains("Another device answers at"), "{answer}");
    // Nor does it get anywhere with a code of its own.
    place.refused("b", &["sync", "pair", &at, &place.code("x")], 3, "is another shop");
    assert_eq!(place.digest("b"), before);
    assert_eq!(place.ok("x", &["sync", "status"])["received"], 0);
}

fn base64(bytes: &[u8]) -> String {
    use base64::Engine as _;
    base64::engine::general_purpose::STANDARD.encode(bytes)
}

fn unbase64(text: &str) -> Vec<u8> {
    use base64::Engine as _;
    base64::engine::general_purpose::STANDARD.decode(text).unwrap()
}

/// A caller that says what it likes.
struct Raw {
    stream: rustls::StreamOwned<rustls::ClientConnection, TcpStream>,
    theirs: Fingerprint,
}

impl Raw {
    fn connect(at: &str, identity: &Identity) -> Self {
        let config = tls::for_calling(identity, None).unwrap();
        let name = ServerName::try_from("sheetloft.local").unwrap();
        let client = rustls::ClientConnection::new(Arc::clone(&config), name).unwrap();
        let tcp = TcpStream::connect(at).unwrap();
        tcp.set_read_timeout(Some(PATIENCE)).unwrap();
        let mut stream = rustls::StreamOwned::new(client, tcp);
        stream.flush().unwrap();
        let theirs = Fingerprint::of(&stream.conn.peer_certificates().unwrap()[0]);
        Self { stream, theirs }
    }

    /// Status and body.
    fn post(&mut self, path: &str, body: &[u8]) -> (u16, Value) {
        let (status, body) = self.post_for_bytes(path, body);
        (status, serde_json::from_slice(&body).unwrap_or(Value::Null))
    }

    fn post_for_bytes(&mut self, path: &str, body: &[u8]) -> (u16, Vec<u8>) {
        write!(self.stream, "POST {path} HTTP/1.1\r\nhost: x\r\ncontent-length: {}\r\n\r\n", body.len()).unwrap();
        self.stream.write_all(body).unwrap();
        self.stream.flush().unwrap();
        let mut head = Vec::new();
        let mut byte = [0];
        while !head.ends_with(b"\r\n\r\n") {
            self.stream.read_exact(&mut byte).unwrap();
            head.push(byte[0]);
        }
        let head = String::from_utf8(head).unwrap().to_lowercase();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        let length = head.split("content-length: ").nth(1).unwrap().split("\r\n").next().unwrap().parse().unwrap();
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).unwrap();
        (status, body)
    }
}
