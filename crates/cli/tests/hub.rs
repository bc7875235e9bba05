//! Devices as real programs over a real PostgreSQL server as their hub: joining, a server that dies in the middle,
//! commits out of order, a role that may only read and add, TLS, and a hub that lies.
#![cfg(unix)]

mod common;

use std::os::unix::fs::{PermissionsExt as _, chown};

use common::Place;
use common::postgres::{Server, is_root};
use serde_json::json;
use sheetloft_ledger::exchange::{Runs, Sealed};
use sheetloft_sync::Carrier as _;
use sheetloft_sync::hub::Hub;

/// Everybody exchanges until all know all; then they agree, and each file is sound.
fn meet(place: &Place, url: &str, devices: &[&str]) {
    for device in devices.iter().chain(devices) {
        place.ok(device, &["sync", "hub", url]);
    }
    for device in devices {
        assert_eq!(place.digest(device), place.digest(devices[0]), "{device}");
        assert_eq!(place.ok(device, &["check"])["ok"], true);
    }
}

#[test]
fn several_sites_meet_on_a_hub_and_a_server_that_dies_loses_nothing() {
    let mut server = Server::new();
    let url = server.database("shop");
    let place = Place::new();
    let pieces = place.stocked("a");
    place.refused("a", &["sync", "hub", "mysql://x"], 2, "is not the address of a hub");
    place.refused("b", &["sync", "hub", &url], 3, "no shop on this hub yet");
    assert!(!place.shop("b").exists());
    assert!(place.ok("a", &["sync", "hub", &url])["sent"].as_u64().unwrap() >= 4);
    let joined = place.ok("b", &["sync", "hub", &url]);
    assert_eq!(joined["joined"].as_str().unwrap().len(), 2);
    meet(&place, &url, &["a", "b"]);
    let status = place.ok("a", &["sync", "status"]);
    assert_eq!(status["hub"], format!("postgres://127.0.0.1:{}/shop", server.port), "nothing that opens it is shown");
    // Another shop is not mixed in.
    place.stocked("x");
    place.refused("x", &["sync", "hub", &url], 3, "is another shop");

    // Both use one piece, the hub dies between the two, and comes back.
    place.ok("a", &["take", &pieces[0], "--left", "400x1000", "--why", "sample"]);
    place.ok("a", &["sync", "now"]);
    server.kill();
    place.ok("b", &["take", &pieces[0], "--left", "100x1000", "--why", "jig"]);
    let (exit, answer, _) = place.run("b", &["sync", "now"]);
    assert_eq!((exit, answer["problems"].as_array().unwrap().len()), (1, 1), "{answer}");
    assert!(answer["problems"][0]["what"].as_str().unwrap().contains("hub does not do it"), "{answer}");
    server.start();
    meet(&place, &url, &["a", "b"]);
    assert_eq!(place.ok("a", &["conflicts"])["conflicts"][0]["piece"], pieces[0].as_str());
    assert_eq!(place.ok("b", &["conflicts"])["conflicts"][0]["piece"], pieces[0].as_str());
}

#[test]
fn commits_out_of_order_a_small_role_and_no_place_yet() {
    let server = Server::new();
    let url = server.database("shop");
    let place = Place::new();
    place.stocked("a");
    let mut hub = server.client("shop");
    hub.batch_execute("CREATE ROLE site LOGIN").unwrap();
    let small = server.url_of("site", "shop");
    place.refused("a", &["sync", "hub", &small], 3, "has no place for a shop yet");
    place.ok("a", &["sync", "hub", &url]);
    let grants =
        "GRANT USAGE ON SCHEMA sheetloft TO site; GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA sheetloft TO site";
    hub.batch_execute(grants).unwrap();
    // What is promised in the docs is enough to join and to exchange.
    place.ok("b", &["sync", "hub", &small]);
    place.ok("b", &["rack", "add", "North"]);
    meet(&place, &small, &["a", "b"]);

    // A hub of an earlier program: whoever may make tables brings it forward, and nobody else stumbles over it.
    hub.batch_execute("DROP TABLE sheetloft.start; UPDATE sheetloft.form SET version = 1").unwrap();
    place.refused("b", &["sync", "hub", &small], 3, "or an older one");
    meet(&place, &url, &["a"]);
    // What it may not see there is no harm.
    meet(&place, &small, &["a", "b"]);
    hub.batch_execute(grants).unwrap();
    meet(&place, &small, &["a", "b"]);

    // A commit that becomes visible later than a later one: the gap is seen, waited for, and closed.
    hub.batch_execute("CREATE TABLE held AS SELECT * FROM sheetloft.event WHERE number = 3").unwrap();
    hub.batch_execute("DELETE FROM sheetloft.event WHERE number = 3").unwrap();
    let (exit, _, err) = place.run("c", &["sync", "hub", &url]);
    // Either it has everything else and waits, or it says that the shop is not there whole; nothing is half done.
    assert!(exit == 0 || (exit == 3 && !place.shop("c").exists()), "{exit} {err}");
    hub.batch_execute("INSERT INTO sheetloft.event SELECT * FROM held ON CONFLICT DO NOTHING").unwrap();
    meet(&place, &url, &["a", "b", "c"]);
    // What nobody brought back would be handed over anew by whoever has it.
    hub.batch_execute("DELETE FROM sheetloft.event WHERE number = 2").unwrap();
    assert!(place.ok("a", &["sync", "now"])["sent"].as_u64().unwrap() >= 1);
    meet(&place, &url, &["a", "b", "c"]);
}

#[test]
fn a_hub_that_lies_gets_nothing_in() {
    let server = Server::new();
    let url = server.database("shop");
    let place = Place::new();
    place.stocked("a");
    place.ok("a", &["sync", "hub", &url]);
    place.ok("b", &["sync", "hub", &url]);
    meet(&place, &url, &["a", "b"]);
    let before = place.digest("b");
    let mut hub = server.client("shop");

    // An event is changed where it lies.
    place.ok("a", &["rack", "add", "East"]);
    place.ok("a", &["sync", "now"]);
    let newest = "(SELECT hash FROM sheetloft.event ORDER BY number DESC LIMIT 1)";
    let altered = "overlay(bytes PLACING 'W'::bytea FROM position('East'::bytea IN bytes))";
    hub.batch_execute(&format!(
        "CREATE TABLE was AS SELECT * FROM sheetloft.event WHERE hash = {newest};
         UPDATE sheetloft.event SET bytes = {altered} WHERE hash = {newest}"
    ))
    .unwrap();
    let (exit, answer, _) = place.run("b", &["sync", "now"]);
    assert_eq!(exit, 1, "{answer}");
    assert!(answer["problems"][0]["what"].as_str().unwrap().contains("not what they say"), "{answer}");
    assert_eq!(place.digest("b"), before);

    // It is changed, and its hash with it: no seal covers it.
    hub.batch_execute("UPDATE sheetloft.event SET hash = sha256(bytes) WHERE hash <> sha256(bytes)").unwrap();
    let (exit, answer, _) = place.run("b", &["sync", "now"]);
    assert_eq!(exit, 1, "{answer}");
    let what = answer["problems"][0]["what"].as_str().unwrap().to_owned();
    assert!(what.contains("seal") || what.contains("sealed"), "{what}");
    assert_eq!(place.digest("b"), before);

    // The truth beside the lie: the truth is taken in.
    hub.batch_execute("INSERT INTO sheetloft.event SELECT * FROM was").unwrap();
    place.run("b", &["sync", "now"]);
    assert_eq!(place.digest("b"), place.digest("a"));

    // Everything dropped: nothing is lost, and it is handed over anew.
    hub.batch_execute("TRUNCATE sheetloft.event").unwrap();
    meet(&place, &url, &["a", "b"]);
    assert_eq!(place.ok("b", &["rack", "list"])["racks"].as_array().unwrap().len(), 1);

    // Nonsense under the shop's name.
    let nonsense = json!({ "device": "x" }).to_string();
    hub.execute(
        "INSERT INTO sheetloft.event SELECT shop, gen_random_uuid(), 1, sha256($1), $1, NULL FROM sheetloft.event LIMIT 1",
        &[&nonsense.as_bytes()],
    )
    .unwrap();
    let (exit, answer, _) = place.run("b", &["sync", "now"]);
    assert_eq!(exit, 1, "{answer}");
    assert_eq!(place.digest("b"), place.digest("a"));
}

/// An exchange that relies on what was looked through before says the same as one that looks through all of it, as long
/// as nothing is added or lost below.
#[test]
fn what_was_looked_through_before_need_not_be_again() {
    let server = Server::new();
    let url = server.database("shop");
    let shop = uuid::Uuid::from_u128(1);
    let event = |device: u128, number: u64, other: bool| Sealed {
        bytes: json!({ "device": uuid::Uuid::from_u128(device), "number": number, "other": other }).to_string().into(),
        seal: None,
    };
    let none = Runs::new();
    let all = |shop| Hub::connect(&url).unwrap().runs(shop, &none).unwrap();
    let mut hub = Hub::connect(&url).unwrap();
    assert_eq!(hub.runs(shop, &none).unwrap(), none);
    hub.give(shop, (1..=5).flat_map(|n| [event(7, n, false), event(8, n, false)]).collect()).unwrap();
    hub.give(uuid::Uuid::from_u128(2), vec![event(9, 1, false)]).unwrap();
    let runs = hub.runs(shop, &none).unwrap();
    assert_eq!((runs.len(), runs[&uuid::Uuid::from_u128(7)].run), (2, 5));
    // A gap, which is filled later, of one; nothing new of the other; a device that is new.
    let mut other = Hub::connect(&url).unwrap();
    for events in [vec![event(7, 7, false), event(10, 1, false)], vec![event(7, 6, false)], vec![event(7, 8, false)]] {
        other.give(shop, events).unwrap();
        let mut relies = Hub::connect(&url).unwrap();
        relies.rely_on(hub.checked().clone());
        assert_eq!(relies.runs(shop, &none).unwrap(), all(shop));
        assert_eq!(hub.runs(shop, &none).unwrap(), all(shop));
    }
    // Two histories from the last one on, and one that this very connection brings for what is below.
    other.give(shop, vec![event(8, 5, true)]).unwrap();
    hub.give(shop, vec![event(7, 2, true)]).unwrap();
    let runs = hub.runs(shop, &none).unwrap();
    assert_eq!(runs, all(shop));
    assert!(runs[&uuid::Uuid::from_u128(8)].forked.is_some() && runs[&uuid::Uuid::from_u128(7)].forked.is_some());
    // Everything is lost.
    server.client("shop").batch_execute("TRUNCATE sheetloft.event").unwrap();
    assert_eq!(hub.runs(shop, &none).unwrap(), none);
}

#[test]
fn over_tls_only_the_hub_that_is_known_is_spoken_to() {
    let mut server = Server::new();
    server.database("shop");
    let data = server.folder.path().join("data");
    let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned(), "127.0.0.1".to_owned()]).unwrap();
    server.kill();
    for (name, text) in [
        ("server.crt", pem("CERTIFICATE", made.cert.der())),
        ("server.key", pem("PRIVATE KEY", &made.signing_key.serialize_der())),
    ] {
        let path = data.join(name);
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        if is_root() {
            chown(&path, Some(65_534), Some(65_534)).unwrap();
        }
    }
    let settings = data.join("postgresql.conf");
    let text = std::fs::read_to_string(&settings).unwrap() + "\nssl = on\n";
    std::fs::write(&settings, text).unwrap();
    server.start();
    let place = Place::new();
    place.stocked("a");
    let url = format!("postgres://owner@127.0.0.1:{}/shop?sslmode=require", server.port);
    place.refused("a", &["sync", "hub", &url], 3, "hub does not do it");
    let known = format!("{url}&sslrootcert={}", data.join("server.crt").display());
    place.ok("a", &["sync", "hub", &known]);
    place.ok("b", &["sync", "hub", &known]);
    place.refused("a", &["sync", "hub", &format!("{url}&sslrootcert=/nowhere.pem")], 2, "certificate file");
}

/// RFC 7468.
fn pem(what: &str, der: &[u8]) -> String {
    use base64::Engine as _;
    let text = base64::engine::general_purpose::STANDARD.encode(der);
    let lines: Vec<&str> = text.as_bytes().chunks(64).map(|l| std::str::from_utf8(l).unwrap()).collect();
    format!("-----BEGIN {what}-----\n{}\n-----END {what}-----\n", lines.join("\n"))
}
