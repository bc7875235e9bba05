//! One rack counted by two people on two devices that are apart: what either saw counts for both, the differences are the
//! same on both, and the books balance however they are settled.

mod common;

use common::Place;
use serde_json::{Value, json};

/// Device `a` has four sheets of 50.00 in A1 and one in B2; device `b` has joined.
fn shop() -> (Place, Vec<String>) {
    let place = Place::new();
    place.ok("a", &["init", "--name", "Exhibits"]);
    place.ok("a", &["material", "add", "--name", "Ply", "--thickness", "6"]);
    for rack in ["A1", "B2"] {
        place.ok("a", &["rack", "add", rack]);
    }
    let received = place.ok(
        "a",
        &["receive", "--material", "Ply", "--sheets", "5", "--size", "1000x1000", "--unit-cost", "50", "--rack", "A1"],
    );
    let pieces: Vec<String> =
        received["pieces"].as_array().unwrap().iter().map(|p| p["piece"].as_str().unwrap().to_owned()).collect();
    place.ok("a", &["move", &pieces[4], "B2"]);
    place.sync("a");
    place.sync("b");
    (place, pieces)
}

fn seen(place: &Place, device: &str, texts: &[&str]) {
    place.ok(device, &[&["count", "seen", "A1"], texts].concat());
}

/// What a device shows of the count of A1: its state, what is missing, not expected, unknown.
fn shown(place: &Place, device: &str) -> [Value; 4] {
    let count = place.ok(device, &["count", "show", "A1"]);
    ["state", "missing", "unexpected", "unknown"].map(|field| count[field].clone())
}

fn books(place: &Place) -> [String; 3] {
    let books = place.ok("a", &["check"])["books"].clone();
    ["received", "on_hand", "written_off"].map(|k| books[k].as_str().unwrap().to_owned())
}

#[test]
fn two_people_apart_count_one_rack_and_what_differs_is_settled_by_both() {
    let (place, p) = shop();
    place.ok("a", &["count", "start", "A1"]);
    place.ok("b", &["count", "start", "A1"]);
    seen(&place, "a", &[&p[0], &p[1]]);
    place.ok("a", &["count", "pause", "A1"]);
    seen(&place, "b", &[&p[2], &p[4], "scribble"]);
    assert_eq!(shown(&place, "a")[1], json!([p[2], p[3]]));
    assert_eq!(shown(&place, "b")[1], json!([p[0], p[1], p[3]]));
    place.meet(&["a", "b"]);
    for device in ["a", "b"] {
        assert_eq!(
            shown(&place, device),
            [json!("counting"), json!([p[3]]), json!([p[4]]), json!(["scribble"])],
            "{device}"
        );
    }
    // One finishes for both; each settles something, apart again.
    let finished = place.ok("b", &["count", "finish", "A1"]);
    assert_eq!(finished["devices"].as_array().unwrap().len(), 2);
    place.meet(&["a", "b"]);
    place.ok("a", &["count", "settle", "A1", &p[3], "--as", "gone"]);
    place.ok("b", &["count", "settle", "A1", &p[4], "--as", "here"]);
    place.ok("b", &["count", "settle", "A1", "scribble", "--as", "leave"]);
    place.meet(&["a", "b"]);
    for device in ["a", "b"] {
        assert_eq!(shown(&place, device), [json!("finished"), json!([]), json!([]), json!([])], "{device}");
        assert_eq!(place.ok(device, &["count", "show", "A1"])["written_off"], "50.00");
        assert_eq!(place.ok(device, &["stock", "show", &p[4]])["rack"], "A1");
    }
    assert_eq!(books(&place), ["250.00", "200.00", "50.00"]);
    assert_eq!(place.run("a", &["count", "seen", "A1", &p[0]]).0, 3, "it is finished");
}

#[test]
fn what_both_finished_apart_is_one_count_and_nobody_misses_what_the_other_saw() {
    let (place, p) = shop();
    place.ok("a", &["count", "start", "A1"]);
    place.ok("b", &["count", "start", "A1"]);
    seen(&place, "a", &[&p[0], &p[1]]);
    seen(&place, "b", &[&p[2]]);
    place.ok("a", &["count", "finish", "A1"]);
    // Finished by one, going on for the other: what was seen there is seen.
    place.sync("a");
    place.sync("b");
    assert_eq!(shown(&place, "b"), [json!("counting"), json!([p[3]]), json!([]), json!([])]);
    assert_eq!(place.ok("b", &["count", "finish", "A1"])["missing"], json!([p[3]]));
    place.meet(&["a", "b"]);
    assert_eq!(shown(&place, "a"), shown(&place, "b"));
    assert_eq!(shown(&place, "a")[..2], [json!("finished"), json!([p[3]])]);

    // Once more, and neither hears of the other before both are finished.
    for device in ["a", "b"] {
        place.ok(device, &["count", "start", "A1"]);
    }
    seen(&place, "a", &[&p[0], &p[1]]);
    seen(&place, "b", &[&p[2]]);
    assert_eq!(place.ok("a", &["count", "finish", "A1"])["missing"], json!([p[2], p[3]]));
    assert_eq!(place.ok("b", &["count", "finish", "A1"])["missing"], json!([p[0], p[1], p[3]]));
    place.meet(&["a", "b"]);
    for device in ["a", "b"] {
        assert_eq!(shown(&place, device), [json!("finished"), json!([p[3]]), json!([]), json!([])], "{device}");
    }
    // A count that is begun later stands by itself.
    place.ok("a", &["count", "start", "A1"]);
    seen(&place, "a", &[&p[3]]);
    place.ok("a", &["count", "finish", "A1"]);
    assert_eq!(shown(&place, "a")[1], json!([p[0], p[1], p[2]]));
    assert_eq!(books(&place), ["250.00", "250.00", "0.00"]);
}

#[test]
fn a_difference_settled_by_both_in_their_own_way_keeps_the_books_right() {
    let (place, p) = shop();
    place.ok("a", &["count", "start", "A1"]);
    seen(&place, "a", &[&p[0], &p[1]]);
    place.ok("a", &["count", "finish", "A1"]);
    place.meet(&["a", "b"]);
    // Both write one off; of the other one says gone, and one that it stands in B2.
    for device in ["a", "b"] {
        place.ok(device, &["count", "settle", "A1", &p[2], "--as", "gone"]);
    }
    place.ok("a", &["count", "settle", "A1", &p[3], "--as", "gone"]);
    place.ok("b", &["count", "settle", "A1", &p[3], "--as", "elsewhere", "--to", "B2"]);
    place.meet(&["a", "b"]);
    assert_eq!(shown(&place, "a"), shown(&place, "b"));
    for piece in [&p[2], &p[3]] {
        assert_eq!(place.ok("b", &["stock", "show", piece])["status"], "written_off");
    }
    assert_eq!(place.ok("a", &["conflicts"])["conflicts"], json!([]), "the same was said twice");
    assert_eq!(books(&place), ["250.00", "150.00", "100.00"]);
    assert_eq!(place.ok("a", &["count", "show", "A1"])["written_off"], "100.00", "each piece once");
    // It stands there after all, and the books have it again.
    place.ok("b", &["count", "settle", "A1", &p[3], "--as", "found"]);
    place.meet(&["a", "b"]);
    assert_eq!(place.ok("a", &["stock", "show", &p[3]])["status"], "free");
    assert_eq!(books(&place), ["250.00", "200.00", "50.00"]);
    assert_eq!(place.ok("a", &["count", "show", "A1"])["written_off"], "50.00");
}
