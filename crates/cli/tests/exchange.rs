//! Two and more devices as real programs, exchanging through a folder: joining, double uses and how they are settled,
//! damaged files, and every refusal with its exit status.

mod common;

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use common::Place;
use serde_json::{Value, json};
use sheetloft_cli::Console;
use sheetloft_shop::host::{Ids as _, Replay};

/// A shop on device `a` with three sheets of 50.00 and two orders, which device `b` has joined.
fn two_devices() -> (Place, Vec<String>, Vec<String>) {
    let place = Place::new();
    place.ok("a", &["init", "--name", "Exhibits"]);
    place.ok("a", &["material", "add", "--name", "Ply", "--thickness", "6"]);
    let received =
        place.ok("a", &["receive", "--material", "Ply", "--sheets", "3", "--size", "1000x1000", "--unit-cost", "50"]);
    let pieces = received["pieces"].as_array().unwrap().iter().map(|p| p["piece"].as_str().unwrap().to_owned());
    let order = |name| place.ok("a", &["order", "new", "--name", name])["order"].as_str().unwrap().to_owned();
    let orders = vec![order("one"), order("two")];
    let pieces = pieces.collect();
    assert!(place.sync("a")["sent"].as_u64().unwrap() > 5);
    let joined = place.sync("b");
    assert_eq!(joined["joined"].as_str().unwrap().len(), 2);
    assert!(joined["received"].as_u64().unwrap() > 5 && joined["problems"] == json!([]));
    place.meet(&["a", "b"]);
    (place, pieces, orders)
}

/// Both devices cut the same sheet: one leaves 40 %, the other 10 %.
fn double_use() -> (Place, Vec<String>, Vec<String>) {
    let (place, pieces, orders) = two_devices();
    place.ok("a", &["take", &pieces[0], "--left", "400x1000", "--for", &orders[0]]);
    place.ok("b", &["take", &pieces[0], "--left", "100x1000", "--for", &orders[1]]);
    place.sync("a");
    let told = place.sync("b");
    assert_eq!(told["conflicts"][0]["piece"], pieces[0].as_str());
    assert_eq!(told["conflicts"][0]["events"].as_array().unwrap().len(), 2);
    place.meet(&["a", "b"]);
    (place, pieces, orders)
}

/// The events of the conflict: first the one that charges `order`, then the other.
fn sides(place: &Place, order: &str) -> (String, String) {
    let conflicts = place.ok("b", &["conflicts"]);
    let events = conflicts["conflicts"][0]["events"].as_array().unwrap().clone();
    assert_eq!(events.len(), 2);
    assert_eq!(events.iter().filter(|e| e["counts"] == true).count(), 1);
    let event = |e: &Value| e["event"].as_str().unwrap().to_owned();
    let of = events.iter().find(|e| e["orders"][0] == order).unwrap();
    let other = events.iter().find(|e| e["orders"][0] != order).unwrap();
    (event(of), event(other))
}

fn books(place: &Place) -> [String; 4] {
    let books = place.ok("a", &["check"])["books"].clone();
    ["received", "on_hand", "charged", "written_off"].map(|k| books[k].as_str().unwrap().to_owned())
}

#[test]
fn a_double_use_is_seen_on_both_devices_and_settled_as_nothing() {
    let (place, pieces, orders) = double_use();
    let shown = place.ok("a", &["stock", "show", &pieces[0]]);
    assert_eq!(shown["status"], "conflict");
    let (status, _, err) = place.run("a", &["scrap", &pieces[0], "--why", "x"]);
    assert_eq!(status, 3, "{err}");
    let (happened, other) = sides(&place, &orders[1]);
    let settled = place.ok("b", &["settle", &pieces[0], "--happened", &happened, "--other", &other, "nothing"]);
    assert_eq!(settled["again"], json!([orders[0]]));
    place.meet(&["a", "b"]);
    assert_eq!(books(&place), ["150.00", "105.00", "45.00", "0.00"]);
    assert_eq!(place.ok("a", &["conflicts"])["conflicts"], json!([]));
    assert_eq!(place.ok("a", &["stock", "show", &pieces[0]])["status"], "used");
    assert_eq!(place.ok("a", &["order", "cost", &orders[0]])["total"], "0.00");
    assert_eq!(place.run("a", &["settle", &pieces[0], "--happened", &happened]).0, 3);
    place.ok("b", &["undo"]);
    place.meet(&["a", "b"]);
    assert_eq!(place.ok("a", &["conflicts"])["conflicts"].as_array().unwrap().len(), 1);
}

#[test]
fn both_happened_and_one_used_another_sheet() {
    let (place, pieces, orders) = double_use();
    let (happened, other) = sides(&place, &orders[1]);
    let wrong = |words: &[&str]| {
        let all = [&["settle", &pieces[0], "--happened", &happened], words].concat();
        place.run("a", &all).0
    };
    assert_eq!(wrong(&["--other", &other, "used", &pieces[0]]), 3);
    assert_eq!(wrong(&["--other", &other, "used"]), 2);
    assert_eq!(wrong(&["--other", &other, "sold"]), 2);
    assert_eq!(wrong(&["--other", &happened, "nothing"]), 2);
    assert_eq!(wrong(&["--other", "0190", "nothing"]), 2);
    place.ok("a", &["settle", &pieces[0], "--happened", &happened, "--other", &other, "used", &pieces[1]]);
    place.meet(&["a", "b"]);
    // 45 + 5 of the one sheet, 30 + 20 of the other, 50 untouched.
    assert_eq!(books(&place), ["150.00", "75.00", "75.00", "0.00"]);
    assert_eq!(place.ok("b", &["stock", "show", &pieces[1]])["status"], "used");
    assert_eq!(place.ok("b", &["order", "cost", &orders[0]])["total"], "30.00");
}

#[test]
fn the_same_cut_recorded_twice_gives_second_names() {
    let (place, pieces, orders) = double_use();
    let (happened, other) = sides(&place, &orders[1]);
    let settled = place.ok("a", &["settle", &pieces[0], "--happened", &happened, "--other", &other, "same"]);
    place.meet(&["a", "b"]);
    let [name, is] = [0, 1].map(|i| settled["names"][0][i].as_str().unwrap());
    assert_eq!(place.ok("b", &["stock", "show", name])["piece"], is);
    assert_eq!(books(&place), ["150.00", "105.00", "45.00", "0.00"]);
}

#[test]
fn a_damaged_file_is_named_the_rest_is_taken_and_what_was_lost_is_written_anew() {
    let (place, pieces, _) = two_devices();
    place.ok("a", &["rack", "add", "North"]);
    place.sync("a");
    place.ok("a", &["move", &pieces[0], "North"]);
    place.sync("a");
    let files = event_files(&place.dir());
    let newest = files.iter().max_by_key(|f| fs::metadata(f).unwrap().modified().unwrap()).unwrap();
    let whole = fs::read(newest).unwrap();
    fs::write(newest, &whole[..whole.len() / 2]).unwrap();
    let (status, told, _) = place.run("b", &["sync", "now"]);
    assert_eq!(status, 1);
    assert!(told["problems"][0]["what"].as_str().unwrap().contains(newest.file_name().unwrap().to_str().unwrap()));
    assert!(!told["problems"][0]["do"].as_str().unwrap().is_empty());
    assert!(place.ok("b", &["rack", "list"])["racks"][0]["name"] == "North");
    // The writer sees that its file does not count, and leaves what it held once more.
    assert_eq!(place.run("a", &["sync", "now"]).0, 1);
    assert_eq!(place.run("b", &["sync", "now"]).0, 1, "still named");
    let digest = |device| place.ok(device, &["digest"])["digest"].clone();
    assert_eq!(digest("a"), digest("b"));
    fs::write(newest, whole).unwrap();
    place.meet(&["a", "b"]);
}

fn event_files(dir: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()) {
        if entry.is_dir() { found.extend(event_files(&entry)) } else { found.push(entry) }
    }
    found.retain(|f| f.extension().is_some_and(|e| e == "events"));
    found
}

#[test]
fn what_a_stranger_changed_or_forged_is_not_let_in_and_named() {
    let (place, _, _) = two_devices();
    place.ok("a", &["rack", "add", "North"]);
    place.sync("a");
    let files = event_files(&place.dir());
    let newest = files.iter().max_by_key(|f| fs::metadata(f).unwrap().modified().unwrap()).unwrap();
    let mut bytes = fs::read(newest).unwrap();
    let at = bytes.windows(5).position(|w| w == b"North").unwrap();
    bytes[at..at + 5].copy_from_slice(b"South");
    // Whoever changes a file can also mend its hash; the device's seal he cannot.
    let body = bytes.len() - 32;
    let hash = hash_of(&bytes[..body]);
    bytes[body..].copy_from_slice(&hash);
    fs::write(newest, bytes).unwrap();
    let (status, told, _) = place.run("b", &["sync", "now"]);
    assert_eq!(status, 1);
    assert!(told["problems"][0]["what"].as_str().unwrap().contains("seal"), "{told}");
    assert_eq!(place.ok("b", &["rack", "list"])["racks"], json!([]));
    assert_eq!(place.ok("b", &["check"])["ok"], true);
}

fn hash_of(bytes: &[u8]) -> [u8; 32] {
    use sha2::Digest as _;
    sha2::Sha256::digest(bytes).into()
}

#[test]
fn links_and_strange_names_in_the_folder_are_left_alone() {
    let (place, _, _) = two_devices();
    let home = fs::read_dir(place.dir()).unwrap().next().unwrap().unwrap().path();
    let outside = place.0.path().join("outside");
    fs::create_dir(&outside).unwrap();
    fs::write(outside.join("00000001-00000000.events"), b"not ours").unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink(&outside, home.join("0190f5b0-0000-7000-8000-000000000000")).unwrap();
    fs::create_dir(home.join("..hidden")).unwrap();
    fs::write(home.join("..hidden").join("1.events"), b"rubbish").unwrap();
    fs::write(place.dir().join("sheetloft-not-a-uuid"), b"rubbish").unwrap();
    assert_eq!(place.sync("b")["problems"], json!([]));
    assert_eq!(fs::read(outside.join("00000001-00000000.events")).unwrap(), b"not ours");
}

#[test]
fn refusals_have_their_status_and_leave_nothing_behind() {
    let place = Place::new();
    let dir = place.dir();
    let dir = dir.to_str().unwrap();
    let missing = place.0.path().join("none");
    assert_eq!(place.run("a", &["sync", "folder", missing.to_str().unwrap()]).0, 2);
    assert_eq!(place.run("a", &["sync", "folder", dir]).0, 3, "a new shop file, and no shop there");
    assert_eq!(place.run("a", &["sync", "status"]).0, 2, "no shop file");
    assert!(!place.shop("a").exists());
    place.ok("a", &["init"]);
    assert_eq!(place.run("a", &["sync", "now"]).0, 3, "no way set up");
    assert_eq!(place.run("a", &["sync", "folder", missing.to_str().unwrap()]).0, 2);
    place.sync("a");
    place.ok("other", &["init"]);
    let before = event_files(&place.dir()).len();
    assert_eq!(place.run("other", &["sync", "folder", dir]).0, 3, "another shop's folder");
    assert_eq!(event_files(&place.dir()).len(), before);
    fs::create_dir(place.dir().join("sheetloft-01900000-0000-7000-8000-000000000000")).unwrap();
    assert_eq!(place.run("new", &["sync", "folder", dir]).0, 3, "two shops");
    assert!(!place.shop("new").exists());
    let status = place.ok("a", &["sync", "status"]);
    assert_eq!(status["devices"].as_array().unwrap().len(), 1);
    assert_eq!(status["devices"][0]["own"], true);
    let renamed = place.ok("a", &["sync", "rename", "Office"]);
    assert_eq!(renamed["devices"][0]["name"], "Office");
}

impl Copies {
    /// Two devices of one shop, and a copy of the second with the key beside it.
    fn made() -> Self {
        let (place, pieces, _) = two_devices();
        for ending in ["", ".device"] {
            let from = PathBuf::from(format!("{}{ending}", place.shop("b").display()));
            fs::copy(from, format!("{}{ending}", place.shop("copy").display())).unwrap();
        }
        Self { place, pieces }
    }

    /// An exchange, whatever is wrong.
    fn exchange(&self, device: &str) -> Value {
        self.place.run(device, &["sync", "folder", self.place.dir().to_str().unwrap()]).1
    }

    /// All of them exchange until nobody hears anything new; then they hold the same.
    fn agree(&self) {
        for device in ["b", "copy", "a", "b", "copy", "a", "b", "copy", "a"] {
            self.exchange(device);
        }
        for device in ["a", "b", "copy"] {
            assert_eq!(self.place.digest(device), self.place.digest("a"), "{device}");
            assert_eq!(self.place.ok(device, &["check"])["ok"], true, "{device}");
        }
    }

    fn is_complete(&self) -> bool {
        let complete = |device: &&str| self.place.ok(device, &["digest"])["complete"] == true;
        let all = ["a", "b", "copy"].iter().filter(|d| complete(d)).count();
        assert!(all == 0 || all == 3, "they do not agree on what is missing");
        all == 3
    }

    /// What is wrong, and what to do, as a device says it.
    fn problems(&self, device: &str) -> String {
        self.place.run(device, &["sync", "status"]).1["problems"].to_string()
    }
}

/// Two copies of one device.
struct Copies {
    place: Place,
    pieces: Vec<String>,
}

/// A copy with the key beside it works under the same name: it is found, and what either did is kept.
#[test]
fn two_copies_of_one_device_are_found_when_they_meet() {
    let copies = Copies::made();
    let (place, pieces) = (&copies.place, &copies.pieces);
    place.ok("b", &["scrap", &pieces[1], "--why", "bent"]);
    place.ok("copy", &["scrap", &pieces[2], "--why", "bent"]);
    copies.exchange("b");
    let told = copies.exchange("copy");
    assert!(told["problems"].to_string().contains("rename"), "{told}");
    copies.agree();
    assert!(!copies.is_complete());
    assert!(copies.problems("a").contains("2 count nowhere yet"), "{}", copies.problems("a"));
    assert_eq!(place.run("b", &["rack", "add", "North"]).0, 3);
    // Each copy takes a name of its own, and writes what it did once more under it.
    place.run("b", &["sync", "rename", "Bench"]);
    copies.agree();
    assert!(!copies.is_complete());
    assert!(copies.problems("a").contains("one counts nowhere yet"), "{}", copies.problems("a"));
    place.run("copy", &["sync", "rename", "Rack"]);
    copies.agree();
    for piece in &pieces[1..] {
        assert_eq!(place.ok("a", &["stock", "show", piece])["status"], "written_off");
    }
    // Nothing is missing any more, and nobody is told to do anything.
    assert!(copies.is_complete());
    for device in ["a", "b", "copy"] {
        let status = place.ok(device, &["sync", "status"]);
        assert_eq!((&status["problems"], &status["waiting"]), (&json!([]), &json!(0)), "{device}");
        assert_eq!(place.ok(device, &["check"])["waiting"], 0, "{device}");
    }
}

#[test]
fn what_another_device_built_on_a_copys_work_counts_again_once_the_copies_have_their_names() {
    let copies = Copies::made();
    let (place, pieces) = (&copies.place, &copies.pieces);
    let offcut = place.ok("b", &["offcut", "add", "--material", "Ply", "--rect", "300x200"])["piece"].clone();
    let offcut = offcut.as_str().unwrap();
    copies.exchange("b");
    copies.exchange("a");
    place.ok("a", &["scrap", offcut, "--why", "bent"]);
    place.ok("a", &["undo"]);
    place.ok("a", &["scrap", offcut, "--why", "bent indeed"]);
    copies.exchange("a");
    place.ok("copy", &["scrap", &pieces[2], "--why", "bent"]);
    copies.agree();
    assert!(!copies.is_complete());
    let own = place.ok("a", &["shop"])["device"].as_str().unwrap().to_owned();
    assert!(copies.problems("b").contains(&format!("3 events of device {own}")), "{}", copies.problems("b"));
    assert_eq!(place.run("a", &["stock", "show", offcut]).0, 2, "it is not there for the time being");
    place.run("b", &["sync", "rename", "Bench"]);
    copies.agree();
    assert!(!copies.is_complete());
    place.run("copy", &["sync", "rename", "Rack"]);
    copies.agree();
    assert!(copies.is_complete(), "{}", copies.problems("a"));
    for device in ["a", "b", "copy"] {
        assert_eq!(place.ok(device, &["stock", "show", offcut])["status"], "written_off", "{device}");
        assert_eq!(copies.problems(device), "[]", "{device}");
    }
    let undone = place.ok("c", &["sync", "folder", place.dir().to_str().unwrap()]);
    assert_eq!(undone["problems"], json!([]), "a device that joins later is told of nothing that is over");
}

#[test]
fn what_a_copy_left_that_is_gone_for_good_is_saved_by_another_device() {
    let copies = Copies::made();
    let (place, pieces) = (&copies.place, &copies.pieces);
    let of = place.ok("b", &["shop"])["device"].as_str().unwrap().to_owned();
    // Two actions on each side, of more than one event, under the same numbers.
    for (device, piece) in [("b", &pieces[1]), ("copy", &pieces[2])] {
        place.ok(device, &["take", piece, "--left", "400x1000", "--why", "jig"]);
        place.ok(device, &["rack", "add", device]);
    }
    place.ok("a", &["rack", "add", "own"]);
    place.refused("a", &["sync", "rescue", &of], 3, "left anything that counts nowhere");
    copies.agree();
    place.refused("a", &["sync", "rescue", "nobody"], 2, "No device");
    place.refused("b", &["sync", "rescue", &of], 3, "one of the copies itself");
    place.run("b", &["sync", "rename", "Bench"]);
    copies.agree();
    assert!(!copies.is_complete());
    // The other copy's disk is gone: nobody will give it a name.
    let saved = place.ok("a", &["sync", "rescue", &of]);
    assert_eq!(saved["problems"], json!([]), "{saved}");
    let devices = saved["devices"].as_array().unwrap();
    assert!(devices.iter().any(|d| d["name"] == format!("Left by a copy of {of}")), "{saved}");
    for device in ["a", "b", "a"] {
        copies.exchange(device);
    }
    for device in ["a", "b"] {
        assert_eq!(place.ok(device, &["digest"])["complete"], true, "{device}");
        assert_eq!(place.ok(device, &["check"])["ok"], true, "{device}");
        for piece in &pieces[1..3] {
            assert_eq!(place.ok(device, &["stock", "show", piece])["status"], "used", "{device}");
        }
        let racks = place.ok(device, &["rack", "list"]);
        let mut names: Vec<&str> =
            racks["racks"].as_array().unwrap().iter().map(|r| r["name"].as_str().unwrap()).collect();
        names.sort_unstable();
        assert_eq!(names, ["b", "copy", "own"], "{device}");
    }
    assert_eq!(place.digest("a"), place.digest("b"));
    place.refused("a", &["sync", "rescue", &of], 3, "left anything that counts nowhere");
    // It was not gone after all: it hears of that, takes a name, and writes nothing a second time.
    copies.exchange("copy");
    place.run("copy", &["sync", "rename", "Rack"]);
    copies.agree();
    assert!(copies.is_complete());
    assert_eq!(place.ok("copy", &["conflicts"])["conflicts"], json!([]));
    assert_eq!(place.ok("copy", &["rack", "list"])["racks"].as_array().unwrap().len(), 3);
}

#[test]
fn both_copies_used_one_sheet_and_that_is_seen() {
    let copies = Copies::made();
    let (place, pieces) = (&copies.place, &copies.pieces);
    place.ok("b", &["take", &pieces[1], "--left", "400x1000", "--why", "jig"]);
    place.ok("copy", &["take", &pieces[1], "--left", "100x1000", "--why", "sample"]);
    copies.agree();
    place.run("b", &["sync", "rename", "Bench"]);
    copies.agree();
    place.run("copy", &["sync", "rename", "Rack"]);
    copies.agree();
    assert!(copies.is_complete());
    for device in ["a", "b", "copy"] {
        let conflicts = place.ok(device, &["conflicts"]);
        assert_eq!(conflicts["conflicts"][0]["piece"], pieces[1].as_str(), "{device}: {conflicts}");
        assert_eq!(conflicts["conflicts"][0]["events"].as_array().unwrap().len(), 2, "{device}");
    }
}

/// The events of the only conflict, by what they are.
fn side(place: &Place, kind: &str) -> String {
    let conflicts = place.ok("a", &["conflicts"]);
    let events = conflicts["conflicts"][0]["events"].as_array().unwrap().clone();
    assert_eq!(events.len(), 2);
    let found = events.iter().find(|e| e["kind"] == kind).unwrap_or_else(|| panic!("no {kind} in {conflicts}"));
    found["event"].as_str().unwrap().to_owned()
}

#[test]
fn two_write_downs_are_a_conflict_and_do_not_add_up() {
    let (place, pieces, _) = two_devices();
    let down = |device, to| place.ok(device, &["write-down", &pieces[0], "--to", to, "--why", "bent"]);
    down("a", "20");
    down("b", "10");
    place.meet(&["a", "b"]);
    let conflicts = place.ok("a", &["conflicts"]);
    let events = conflicts["conflicts"][0]["events"].as_array().unwrap().clone();
    let of = |sum: &str| events.iter().find(|e| e["charged"] == sum).unwrap()["event"].as_str().unwrap().to_owned();
    let (twenty, ten) = (of("30.00"), of("40.00"));
    let carried = place.ok("b", &["stock", "show", &pieces[0]])["cost"].clone();
    assert!(carried == "20.00" || carried == "10.00", "{carried}");
    let settle = |words: &[&str]| place.run("a", &[&["settle", &pieces[0], "--happened", &twenty], words].concat());
    assert_eq!(settle(&["--other", &ten, "same"]).0, 2);
    assert_eq!(settle(&["--other", &ten, "used", &pieces[1]]).0, 2);
    assert_eq!(settle(&["--other", &ten, "nothing"]).0, 0);
    place.meet(&["a", "b"]);
    let shown = place.ok("b", &["stock", "show", &pieces[0]]);
    assert_eq!((shown["status"].as_str(), shown["cost"].as_str()), (Some("free"), Some("20.00")));
    assert_eq!(books(&place), ["150.00", "120.00", "0.00", "30.00"]);
}

#[test]
fn a_sheet_that_was_cut_here_and_never_came_by_what_they_say_there() {
    let (place, pieces, orders) = two_devices();
    let lot = place.ok("a", &["lot", "list"])["lots"][0]["lot"].as_str().unwrap().to_owned();
    let last = pieces.iter().max().unwrap();
    place.ok("a", &["take", last, "--left", "400x1000", "--for", &orders[0]]);
    place.ok("b", &["lot", "correct", &lot, "--sheets", "2", "--why", "counted again"]);
    place.meet(&["a", "b"]);
    let (taken, withdrawn) = (side(&place, "taken"), side(&place, "withdrawn"));
    let settle = |words: &[&str]| place.run("a", &[&["settle", last, "--happened"], words].concat());
    let (status, _, err) = settle(&[&taken, "--other", &withdrawn, "used", &pieces[0]]);
    assert_eq!(status, 2, "it came or it did not: {err}");
    assert_eq!(settle(&[&taken, "--other", &withdrawn, "nothing"]).0, 0);
    place.meet(&["a", "b"]);
    assert_eq!(books(&place), ["150.00", "120.00", "30.00", "0.00"]);
}

#[test]
fn a_use_cannot_be_settled_to_have_been_of_a_sheet_that_never_came() {
    let (place, pieces, orders) = double_use();
    let lot = place.ok("a", &["lot", "list"])["lots"][0]["lot"].as_str().unwrap().to_owned();
    place.ok("a", &["lot", "correct", &lot, "--sheets", "2", "--why", "counted again"]);
    let (_, _, gone) = (&pieces[0], &pieces[1], &pieces[2]);
    assert_eq!(place.ok("a", &["stock", "show", gone])["status"], "written_off");
    place.meet(&["a", "b"]);
    let (happened, other) = sides(&place, &orders[1]);
    let (status, _, err) =
        place.run("a", &["settle", &pieces[0], "--happened", &happened, "--other", &other, "used", gone]);
    assert_eq!(status, 3, "{err}");
    place.meet(&["a", "b"]);
}

/// Does one thing as a device whose UUIDs follow from a seed.
fn as_seeded(shop: &Path, seed: u64, words: &[&str]) -> (u8, Value) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let host = Replay::new(seed, 1_790_000_000_000);
    let first = ["sheetloft", "--json", "--shop", shop.to_str().unwrap()];
    let status =
        sheetloft_cli::run_on(first.iter().chain(words), &mut out, &mut err, Console::default(), Box::new(host));
    (status, serde_json::from_slice(&out).unwrap_or(Value::Null))
}

#[test]
fn two_devices_that_took_one_tag_keep_their_codes_and_one_takes_another() {
    // Two seeds whose devices begin to look for a tag at the same place.
    let mut seen: HashMap<[u8; 2], u64> = HashMap::new();
    let (one, two) = (10..)
        .find_map(|seed| {
            let id = Replay::new(seed, 1_790_000_000_000).uuid();
            let place = [id.as_bytes()[14], id.as_bytes()[15]];
            seen.insert(place, seed).map(|before| (before, seed))
        })
        .unwrap();
    let place = Place::new();
    place.ok("a", &["init"]);
    place.ok("a", &["material", "add", "--name", "Ply", "--thickness", "6"]);
    place.sync("a");
    // They join at two copies of the folder, so that neither knows of the other.
    let copy = place.0.path().join("copy");
    let copied = Command::new("cp").arg("-r").arg(place.dir()).arg(&copy).status().unwrap();
    assert!(copied.success());
    let [b, c] = ["b", "c"].map(|device| place.shop(device));
    let joined = |shop: &Path, seed: u64, dir: &Path| {
        let (status, answer) = as_seeded(shop, seed, &["sync", "folder", dir.to_str().unwrap()]);
        assert_eq!(status, 0, "{answer}");
        answer["joined"].as_str().unwrap().to_owned()
    };
    let tag = joined(&b, one, &place.dir());
    assert_eq!(joined(&c, two, &copy), tag, "the seeds were chosen so");
    let offcut = |shop: &Path, seed: u64, size: &str| {
        let (status, answer) = as_seeded(shop, seed, &["offcut", "add", "--material", "Ply", "--rect", size]);
        assert_eq!(status, 0, "{answer}");
        answer["piece"].as_str().unwrap().to_owned()
    };
    let code = offcut(&b, one + 1_000_000, "300x200");
    assert_eq!(offcut(&c, two + 1_000_000, "400x200"), code, "one code on two labels");

    // They meet: the codes stay, one of the devices goes on under another tag.
    for device in ["b", "c", "b", "c", "a", "b"] {
        place.sync(device);
    }
    let tags: Vec<String> = ["b", "c"].map(|d| place.ok(d, &["shop"])["device"].as_str().unwrap().to_owned()).into();
    assert_ne!(tags[0], tags[1]);
    assert!(tags.contains(&tag));
    place.meet(&["a", "b", "c"]);
    for device in ["a", "b", "c"] {
        let (status, _, err) = place.run(device, &["stock", "show", &code]);
        assert_eq!(status, 3, "{device}: which of the two is meant has to be asked: {err}");
        let list = place.ok(device, &["stock", "list"]);
        let pieces = list["pieces"].as_array().unwrap();
        assert_eq!(pieces.iter().filter(|p| p["piece"] == code.as_str()).count(), 2);
        place.ok(device, &["stock", "show", pieces[0]["uuid"].as_str().unwrap()]);
    }
}
