//! Devices find each other without anybody typing an address: real programs, in a network of the test's own that
//! nothing else of this machine is in (a network namespace of Linux).
#![cfg(target_os = "linux")]

mod common;

use std::net::UdpSocket;
use std::process::Command;

use serde_json::{Value, json};

use common::{Place, until};

/// Set where the test runs in that network.
const INSIDE: &str = "SHEETLOFT_TEST_NETWORK";
/// A number for documentation (RFC 5737), which the loopback of that network has as well: nothing leaves it.
const HERE: &str = "198.51.100.7";

/// Runs the test called `test` once more in a network with these numbers, or says why that cannot be done here.
fn in_a_network(test: &str, numbers: &[&str], what: impl FnOnce()) {
    if std::env::var_os(INSIDE).is_some() {
        return what();
    }
    let add: String = numbers.iter().map(|n| format!(" && ip address add {n}/24 dev lo")).collect();
    let inside = |then: &str| {
        let script = format!("ip link set lo up{add} && {then}");
        let mut command = Command::new("unshare");
        command.args(["--user", "--map-root-user", "--net", "--", "sh", "-c", &script]);
        command.arg(std::env::current_exe().unwrap()).arg(test).env(INSIDE, "1");
        command
    };
    match inside("true").output() {
        Ok(made) if made.status.success() => {}
        Ok(made) => return eprintln!("skipped: no network of its own: {}", String::from_utf8_lossy(&made.stderr)),
        Err(e) => return eprintln!("skipped: no network of its own: {e}"),
    }
    assert!(inside("exec \"$0\" --exact \"$1\" --nocapture").status().unwrap().success());
}

fn heard(place: &Place, device: &str) -> Value {
    let answer = place.ok(device, &["sync", "nearby"]);
    assert_eq!(answer["why"], Value::Null);
    answer["found"].clone()
}

#[test]
fn a_device_that_serves_is_found_and_got_in_with_and_its_name_is_the_one_that_it_has() {
    in_a_network("a_device_that_serves_is_found_and_got_in_with_and_its_name_is_the_one_that_it_has", &[HERE], || {
        let place = Place::new();
        place.ok("a", &["init", "--name", "Exhibits"]);
        let serving = place.serve_at("a", &format!("{HERE}:0"));
        let tag = place.ok("a", &["shop"])["device"].clone();
        until(|| place.ok("a", &["sync", "status"])["found_as"] == tag);
        // A device without a shop file yet.
        let found = heard(&place, "b");
        assert_eq!(found, json!([{ "device": tag, "shop": "Exhibits", "address": serving.share, "paired": false }]));
        assert!(!place.shop("b").exists());
        place.ok("b", &["sync", "pair", found[0]["address"].as_str().unwrap(), &place.code("a")]);
        assert_eq!(heard(&place, "b")[0]["paired"], true);
        assert_eq!(heard(&place, "a"), json!([]), "itself is none of the others");
        // It is given a name, while it serves; its codes' tag stays beside it.
        place.ok("a", &["sync", "rename", "Office. 1"]);
        let name = format!("Office. 1 ({})", tag.as_str().unwrap());
        until(|| place.ok("a", &["sync", "status"])["found_as"] == name.as_str());
        until(|| heard(&place, "b")[0]["device"] == name.as_str());
        assert_eq!(heard(&place, "b").as_array().unwrap().len(), 1, "the old name is taken back");
        // It serves no more.
        drop(serving);
        assert_eq!(heard(&place, "b"), json!([]));
    });
}

#[test]
fn what_serves_this_machine_alone_is_not_announced() {
    in_a_network("what_serves_this_machine_alone_is_not_announced", &[HERE], || {
        let place = Place::new();
        place.ok("a", &["init"]);
        let _serving = place.serve("a");
        assert_eq!(heard(&place, "b"), json!([]));
        let status = place.ok("a", &["sync", "status"]);
        assert_eq!((&status["found_as"], &status["not_found"]), (&Value::Null, &Value::Null));
    });
}

#[test]
fn where_it_cannot_be_announced_or_heard_a_sentence_says_so_and_everything_else_goes_on() {
    in_a_network(
        "where_it_cannot_be_announced_or_heard_a_sentence_says_so_and_everything_else_goes_on",
        &[HERE],
        || {
            // Another program has the port of multicast DNS for itself.
            let _taken = UdpSocket::bind("0.0.0.0:5353").unwrap();
            let _taken6 = UdpSocket::bind("[::]:5353");
            let place = Place::new();
            place.ok("a", &["init"]);
            let serving = place.serve_at("a", "0.0.0.0:0");
            let says = |text: &Value, what: &str| text.as_str().is_some_and(|t| t.contains(what));
            until(|| says(&place.ok("a", &["sync", "status"])["not_found"], "They type its address"));
            let answer = place.ok("b", &["sync", "nearby"]);
            assert_eq!(answer["found"], json!([]));
            assert!(says(&answer["why"], "Type the address"), "{answer}");
            let port = serving.share.rsplit_once(':').unwrap().1;
            place.ok("b", &["sync", "pair", &format!("{HERE}:{port}"), &place.code("a")]);
        },
    );
}
