//! The real program as processes: killed in the middle, two at once, and the shop file of every schema.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

fn sheetloft(shop: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_sheetloft")).arg("--shop").arg(shop).args(args).output().unwrap()
}

fn done(shop: &Path, args: &[&str]) -> String {
    let output = sheetloft(shop, args);
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn pieces(shop: &Path) -> usize {
    let stock: serde_json::Value = serde_json::from_str(&done(shop, &["--json", "stock", "list"])).unwrap();
    stock["pieces"].as_array().unwrap().len()
}

fn new_shop(folder: &Path) -> PathBuf {
    let shop = folder.join("shop.db");
    done(&shop, &["init"]);
    done(&shop, &["material", "add", "--name", "M", "--thickness", "3mm"]);
    shop
}

fn import_file(folder: &Path, count: usize) -> PathBuf {
    let line = r#"{"material": "M", "outline": [[0,0],[300,0],[300,200],[0,200]], "cost": "1.00"}"#;
    let path = folder.join("pieces.jsonl");
    std::fs::write(&path, format!("{line}\n").repeat(count)).unwrap();
    path
}

#[test]
fn killed_at_any_moment_nothing_is_half_done() {
    let folder = tempfile::tempdir().unwrap();
    let shop = new_shop(folder.path());
    let file = import_file(folder.path(), 40);
    let mut whole = 0;
    // Bounded and seeded: sixteen kills, spread over the time that an import takes.
    let mut seed = 0x5eed_u64;
    for _ in 0..16 {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let after = Duration::from_micros(seed >> 33 & 0xffff);
        let mut child = Command::new(env!("CARGO_BIN_EXE_sheetloft"))
            .arg("--shop")
            .arg(&shop)
            .args(["stock", "import"])
            .arg(&file)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let begun = Instant::now();
        while begun.elapsed() < after && child.try_wait().unwrap().is_none() {
            std::thread::yield_now();
        }
        let _ = child.kill();
        let _ = child.wait();
        let now = pieces(&shop);
        assert_eq!(now % 40, 0, "an import is all or none");
        assert!(now == whole || now == whole + 40);
        whole = now;
    }
    done(&shop, &["check"]);
    // And the shop goes on, with the same device.
    done(&shop, &["stock", "import", file.to_str().unwrap()]);
    assert_eq!(pieces(&shop), whole + 40);
    done(&shop, &["check"]);
}

#[test]
fn two_programs_at_once_take_turns() {
    let folder = tempfile::tempdir().unwrap();
    let shop = new_shop(folder.path());
    let children: Vec<_> = (0..2)
        .map(|n| {
            let shop = shop.clone();
            std::thread::spawn(move || {
                for i in 0..10 {
                    done(&shop, &["rack", "add", &format!("R{n}-{i}")]);
                }
            })
        })
        .collect();
    children.into_iter().for_each(|c| c.join().unwrap());
    let racks: serde_json::Value = serde_json::from_str(&done(&shop, &["--json", "rack", "list"])).unwrap();
    assert_eq!(racks["racks"].as_array().unwrap().len(), 20);
    done(&shop, &["check"]);
}

/// A shop file of each schema from the first is kept; each must open, add up, and mean what it meant.
#[test]
fn shop_files_of_every_schema_open_and_add_up() {
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/shops");
    let mut seen = 0;
    for entry in std::fs::read_dir(fixtures).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "db") {
            continue;
        }
        seen += 1;
        let folder = tempfile::tempdir().unwrap();
        let shop = folder.path().join("shop.db");
        std::fs::copy(&path, &shop).unwrap();
        let before = std::fs::read_to_string(path.with_extension("cost.json")).unwrap();
        let order = before.split('"').nth(3).unwrap().to_owned();
        let now = done(&shop, &["--json", "order", "cost", &order]);
        let [now, before] = [now, before].map(|text| serde_json::from_str::<serde_json::Value>(&text).unwrap());
        assert!(says_all(&now, &before), "{}: {now} after {before}", path.display());
        done(&shop, &["check"]);
        // What a question over the stock looks at is there as well.
        let ask = ["--json", "find", "--material", "Acrylic clear 3 mm", "--rect", "120x90", "--sheets"];
        let found: serde_json::Value = serde_json::from_str(&done(&shop, &ask)).unwrap();
        let list = ["--json", "stock", "list", "--material", "Acrylic clear 3 mm", "--status", "free"];
        let free: serde_json::Value = serde_json::from_str(&done(&shop, &list)).unwrap();
        assert!(!found["queries"][0]["fits"].as_array().unwrap().is_empty());
        assert_eq!(found["queries"][0]["looked_at"], free["pieces"].as_array().unwrap().len());
        done(&shop, &["rack", "add", "One more"]);
        done(&shop, &["check"]);
    }
    assert!(seen >= 3);
}

/// Whether an answer says all that another said; it may say more.
fn says_all(now: &serde_json::Value, before: &serde_json::Value) -> bool {
    use serde_json::Value::{Array, Object};
    match (now, before) {
        (Object(now), Object(before)) => {
            before.iter().all(|(name, before)| now.get(name).is_some_and(|now| says_all(now, before)))
        }
        (Array(now), Array(before)) => {
            now.len() == before.len() && now.iter().zip(before).all(|(now, before)| says_all(now, before))
        }
        _ => now == before,
    }
}

#[test]
fn standard_output_holds_one_document_and_errors_are_one_line() {
    let folder = tempfile::tempdir().unwrap();
    let shop = new_shop(folder.path());
    let ok = sheetloft(&shop, &["--json", "material", "list"]);
    let document: serde_json::Value = serde_json::from_slice(&ok.stdout).unwrap();
    assert_eq!(document["materials"][0]["name"], "M");
    assert!(ok.stderr.is_empty());
    for args in [&["--json", "stock", "show", "7K-0000"][..], &["nonsense"], &["receive"], &[]] {
        let output = sheetloft(&shop, args);
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(output.stdout.is_empty(), "{args:?}");
        assert_eq!(String::from_utf8(output.stderr).unwrap().lines().count(), 1, "{args:?}");
    }
    let newer = sheetloft(Path::new("/nonexistent-folder/shop.db"), &["init"]);
    assert_eq!(newer.status.code(), Some(2));
}

/// A disk that changes a byte: what is stored of the state is a cache, and the history brings it back.
#[test]
fn what_is_not_what_the_history_adds_up_to_is_found_and_added_up_anew() {
    let folder = tempfile::tempdir().unwrap();
    let shop = folder.path().join("shop.db");
    done(&shop, &["init"]);
    done(&shop, &["rack", "add", "North"]);
    let mut bytes = std::fs::read(&shop).unwrap();
    // The state has the name beside the rack's id, the event has not.
    let stored = b"\",\"name\":\"North\"";
    let places: Vec<usize> = (0..bytes.len() - stored.len()).filter(|at| bytes[*at..].starts_with(stored)).collect();
    assert_eq!(places.len(), 1);
    bytes[places[0] + stored.len() - 6] = b'W';
    std::fs::write(&shop, bytes).unwrap();
    let run = |words: &[&str]| {
        let output = sheetloft(&shop, words);
        (output.status.code(), String::from_utf8(output.stdout).unwrap())
    };
    assert!(run(&["rack", "list"]).1.contains("Worth"));
    let (exit, said) = run(&["check"]);
    assert_eq!(exit, Some(1));
    assert!(said.contains("sheetloft check --anew"), "{said}");
    assert_eq!(run(&["check", "--anew"]).0, Some(0));
    assert!(run(&["rack", "list"]).1.contains("North"));
    assert_eq!(run(&["check"]).0, Some(0));
}
