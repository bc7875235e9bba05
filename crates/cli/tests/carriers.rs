//! One suite over every carrier: real programs, real files, a folder, the network and a hub. Joining, both ways, again
//! and again, double uses, copies; and programs that are killed in the middle of anything.
#![cfg(unix)]

mod common;

use std::path::{Path, PathBuf};
use std::time::Duration;

use common::postgres::Server;
use common::{Place, Serving};
use serde_json::{Value, json};

/// A way between devices, of which `a` is the first.
enum Way {
    Folder(PathBuf),
    Network(Serving),
    Hub { server: Server, url: String },
}

/// The files with this ending that devices left in a folder.
fn files(dir: &Path, ending: &str) -> Vec<PathBuf> {
    let below = |dir: &Path| -> Vec<PathBuf> { std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()).collect() };
    let of_devices = below(dir).iter().flat_map(|shop| below(shop)).collect::<Vec<_>>();
    let all = of_devices.iter().flat_map(|device| below(device));
    all.filter(|file| file.extension().is_some_and(|e| e == ending)).collect()
}

const WAYS: [&str; 3] = ["folder", "network", "hub"];

impl Way {
    fn open(which: &str, place: &Place) -> Self {
        match which {
            "folder" => Self::Folder(place.dir()),
            "network" => Self::Network(place.serve("a")),
            _ => {
                let server = Server::new();
                let url = server.database("shop");
                Self::Hub { server, url }
            }
        }
    }

    /// The words with which a device exchanges, or joins; none where others come to it by themselves.
    fn words(&self, place: &Place, device: &str) -> Option<Vec<String>> {
        let words: Vec<&str> = match self {
            Self::Folder(dir) => vec!["sync", "folder", dir.to_str().unwrap()],
            Self::Hub { url, .. } => vec!["sync", "hub", url],
            Self::Network(_) if device == "a" => return None,
            Self::Network(_) if place.shop(device).exists() => vec!["sync", "now"],
            Self::Network(serving) => {
                let code = place.code("a");
                return Some(vec!["sync".into(), "pair".into(), serving.share.clone(), code]);
            }
        };
        Some(words.into_iter().map(str::to_owned).collect())
    }

    fn exchange(&self, place: &Place, device: &str) -> Value {
        let Some(words) = self.words(place, device) else { return json!({ "sent": 0, "received": 0 }) };
        place.ok(device, &words.iter().map(String::as_str).collect::<Vec<_>>())
    }

    /// The starts that lie there.
    fn starts(&self, place: &Place) -> Vec<String> {
        match self {
            Self::Folder(dir) => files(dir, "start").iter().map(|file| file.display().to_string()).collect(),
            Self::Hub { server, .. } => {
                let rows =
                    server.client("shop").query("SELECT device FROM sheetloft.start WHERE part = 0", &[]).unwrap();
                rows.iter().map(|row| row.get::<_, uuid::Uuid>(0).to_string()).collect()
            }
            Self::Network(_) => unreachable!("{}", place.0.path().display()),
        }
    }

    /// Takes all events away but for the first, by which one sees that a shop is there; and brings them back.
    fn without_events(&self, place: &Place, work: impl FnOnce()) {
        match self {
            Self::Folder(dir) => {
                let all = files(dir, "events");
                for file in &all {
                    std::fs::rename(file, file.with_extension("aside")).unwrap();
                }
                work();
                for file in all {
                    std::fs::rename(file.with_extension("aside"), file).unwrap();
                }
            }
            Self::Hub { server, .. } => {
                let mut hub = server.client("shop");
                hub.batch_execute(
                    "CREATE TABLE aside AS SELECT * FROM sheetloft.event; DELETE FROM sheetloft.event WHERE number > 1",
                )
                .unwrap();
                work();
                let back = "INSERT INTO sheetloft.event SELECT * FROM aside ON CONFLICT DO NOTHING";
                hub.batch_execute(back).unwrap();
            }
            Self::Network(_) => unreachable!("{}", place.0.path().display()),
        }
    }

    /// Changes one byte in the middle of each start.
    fn damage_start(&self, place: &Place) {
        match self {
            Self::Folder(dir) => {
                for file in files(dir, "start") {
                    let mut bytes = std::fs::read(&file).unwrap();
                    let middle = bytes.len() / 2;
                    bytes[middle] ^= 1;
                    std::fs::write(&file, bytes).unwrap();
                    std::fs::write(file.with_file_name("0000000001.start"), "nothing").unwrap();
                }
            }
            Self::Hub { server, .. } => {
                let sql = "UPDATE sheetloft.start SET bytes = set_byte(bytes, length(bytes) / 2, \
                           get_byte(bytes, length(bytes) / 2) # 1)";
                server.client("shop").batch_execute(sql).unwrap();
            }
            Self::Network(_) => unreachable!("{}", place.0.path().display()),
        }
    }

    /// Everybody exchanges until all know all; then they agree, and each file is sound.
    fn meet(&self, place: &Place, devices: &[&str]) {
        for device in devices.iter().chain(devices) {
            self.exchange(place, device);
        }
        for device in devices {
            assert_eq!(place.digest(device), place.digest(devices[0]), "{device}");
            assert_eq!(place.ok(device, &["check"])["ok"], true, "{device}");
        }
    }
}

#[test]
fn every_carrier_keeps_the_same_promises() {
    for which in WAYS {
        let place = Place::new();
        let pieces = place.stocked("a");
        let way = Way::open(which, &place);
        way.exchange(&place, "a");
        // Joining: everything, under a name of its own.
        let joined = way.exchange(&place, "b");
        assert_eq!(joined["joined"].as_str().map(str::len), Some(2), "{which}");
        way.exchange(&place, "c");
        way.meet(&place, &["a", "b", "c"]);

        // Again: nothing is sent and nothing comes.
        for device in ["a", "b", "c"] {
            let again = way.exchange(&place, device);
            assert_eq!((&again["sent"], &again["received"]), (&json!(0), &json!(0)), "{which} {device}");
        }

        // Through another: what `b` did reaches `c`, who never meets it.
        place.ok("b", &["rack", "add", "North"]);
        way.exchange(&place, "b");
        way.exchange(&place, "a");
        way.exchange(&place, "c");
        assert_eq!(place.ok("c", &["rack", "list"])["racks"][0]["name"], "North", "{which}");

        // A double use, made while nobody heard of anybody, is seen by all, and settled for all.
        let apart = Apart::of(&place, &["b", "c"]);
        place.ok("b", &["take", &pieces[0], "--left", "400x1000", "--why", "jig"]);
        place.ok("c", &["take", &pieces[0], "--left", "100x1000", "--why", "sample"]);
        drop(apart);
        way.meet(&place, &["a", "b", "c"]);
        for device in ["a", "b", "c"] {
            assert_eq!(
                place.ok(device, &["conflicts"])["conflicts"][0]["piece"],
                pieces[0].as_str(),
                "{which} {device}"
            );
        }
        let happened = place.ok("a", &["conflicts"])["conflicts"][0]["events"][1]["event"].as_str().unwrap().to_owned();
        place.ok("a", &["settle", &pieces[0], "--happened", &happened]);
        way.meet(&place, &["a", "b", "c"]);
        assert_eq!(place.ok("c", &["conflicts"])["conflicts"], json!([]), "{which}");
    }
}

/// A history long enough that a start of it is left, and what becomes of it where no event lies there any more.
#[test]
fn a_new_device_starts_from_what_another_one_left_for_it() {
    for which in ["folder", "hub"] {
        let place = Place::new();
        place.stocked("a");
        let lines: String = (0..2_100)
            .map(|n| {
                let (right, top) = (300 + n % 50, 200 + n % 40);
                format!("{{\"material\":\"Ply\",\"outline\":[[0,0],[{right},0],[{right},{top}],[0,{top}]]}}\n")
            })
            .collect();
        let file = place.0.path().join("pieces.jsonl");
        std::fs::write(&file, lines).unwrap();
        place.ok("a", &["stock", "import", file.to_str().unwrap()]);
        let way = Way::open(which, &place);
        way.exchange(&place, "a");
        assert_eq!(way.starts(&place).len(), 1, "{which}");
        way.exchange(&place, "a");
        assert_eq!(way.starts(&place).len(), 1, "{which}: not anew for nothing");

        // Nothing but the start is there: it must be what the new device has it all from.
        way.without_events(&place, || {
            let joined = way.exchange(&place, "b");
            assert_eq!(joined["problems"], json!([]), "{which}");
        });
        way.meet(&place, &["a", "b"]);
        place.ok("b", &["rack", "add", "North"]);
        way.meet(&place, &["a", "b"]);

        // One that was changed is named, and everything is taken event by event; so is one that is nothing at all.
        way.damage_start(&place);
        let words = way.words(&place, "c").unwrap();
        let (exit, joined, err) = place.run("c", &words.iter().map(String::as_str).collect::<Vec<_>>());
        let damaged = way.starts(&place).len();
        assert_eq!((exit, joined["problems"].as_array().map(Vec::len)), (1, Some(damaged)), "{which}: {err}{joined}");
        let what = joined["problems"][0]["what"].as_str().unwrap();
        assert!(what.contains("could not be used") || what.contains("is damaged"), "{what}");
        way.meet(&place, &["a", "b", "c"]);
        assert_eq!(place.ok("c", &["rack", "list"])["racks"][0]["name"], "North", "{which}");
    }
}

/// Devices that reach nobody for a while: the network's carrier would ask the others before a use.
struct Apart(Vec<(PathBuf, PathBuf)>);

impl Apart {
    fn of(place: &Place, devices: &[&str]) -> Self {
        let mut moved = Vec::new();
        for device in devices {
            let key = place.0.path().join(format!("{device}.db.network"));
            if key.exists() {
                let aside = key.with_extension("aside");
                std::fs::rename(&key, &aside).unwrap();
                moved.push((key, aside));
            }
        }
        Self(moved)
    }
}

impl Drop for Apart {
    fn drop(&mut self) {
        for (key, aside) in &self.0 {
            std::fs::rename(aside, key).unwrap();
        }
    }
}

/// splitmix64 (Steele, Lea, Flood 2014).
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) % n
    }
}

/// Random work on three devices, a third of it killed after a random time, then peace: everybody agrees, each file is
/// sound, and nothing that was acknowledged is missing.
fn killed(which: &str, steps: u64, seed: u64) {
    let mut dice = Dice(seed);
    let place = Place::new();
    let mut pieces = place.stocked("a");
    let way = Way::open(which, &place);
    let devices = ["a", "b", "c"];
    for device in devices {
        way.exchange(&place, device);
    }
    let mut acknowledged = Vec::new();
    for step in 0..steps {
        let device = devices[usize::try_from(dice.below(3)).unwrap()];
        let piece = pieces[usize::try_from(dice.below(pieces.len() as u64)).unwrap()].clone();
        let rack = format!("R{step}");
        let words: Vec<String> = match dice.below(6) {
            0 => vec!["rack".into(), "add".into(), rack.clone()],
            1 => ["receive", "--material", "Ply", "--sheets", "1", "--size", "1000x1000", "--unit-cost", "50"]
                .map(str::to_owned)
                .to_vec(),
            2 => vec![
                "take".into(),
                piece,
                "--left".into(),
                format!("{}x1000", 100 + dice.below(500)),
                "--why".into(),
                "jig".into(),
            ],
            3 => vec!["scrap".into(), piece, "--why".into(), "broken".into()],
            _ => match way.words(&place, device) {
                Some(words) => words,
                None => continue,
            },
        };
        let mut command = place.command(device, &words.iter().map(String::as_str).collect::<Vec<_>>());
        command.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::null());
        let mut child = command.spawn().unwrap();
        if dice.below(3) == 0 {
            // Wherever it is by then: before it began, in the middle of a write, or done.
            std::thread::park_timeout(Duration::from_micros(dice.below(60_000)));
            let _ = child.kill();
        }
        let output = child.wait_with_output().unwrap();
        if output.status.success() && words[0] == "rack" {
            acknowledged.push(rack);
        }
        if output.status.success() && words[0] == "receive" {
            let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
            pieces.push(answer["pieces"][0]["piece"].as_str().unwrap().to_owned());
        }
    }
    way.meet(&place, &devices);
    for device in devices {
        let racks = place.ok(device, &["rack", "list"]);
        let known: Vec<&str> = racks["racks"].as_array().unwrap().iter().filter_map(|r| r["name"].as_str()).collect();
        for rack in &acknowledged {
            assert!(known.contains(&rack.as_str()), "{which}, seed {seed}: {device} lost {rack}");
        }
    }
}

#[test]
fn programs_killed_in_the_middle_lose_nothing_over_any_carrier() {
    for (seed, which) in (1..).zip(WAYS) {
        killed(which, 60, seed);
    }
}

#[test]
#[ignore = "slow: make test-slow"]
fn programs_killed_in_the_middle_for_half_an_hour_of_work() {
    for seed in 0..20 {
        for which in WAYS {
            killed(which, 400, 1_000 + seed);
        }
    }
}
