//! Labels sent to a printer of the system without a dialogue: what `lp` of CUPS is given, and what is said where it is not
//! there or does not take them. The printing system is a stand-in on the path: it keeps what it is given.
#![cfg(unix)]

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};
use tempfile::TempDir;

/// A shop of two sheets and an offcut whose labels are due, and a folder of commands that comes first on the path.
struct Place {
    folder: TempDir,
    path: String,
}

const LPSTAT: &str = r#"case "$1" in
    -e) printf 'shelf_labels\noffice\n' ;;
    -d) echo 'system default destination: office' ;;
esac"#;
const LP: &str = r#"here=$(dirname "$0")
printf '%s\n' "$@" >"$here/arguments"
cat >"$here/document.pdf""#;

impl Place {
    fn new(commands: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let bin = folder.path().join("bin");
        fs::create_dir(&bin).unwrap();
        for (name, script) in commands {
            let file = bin.join(name);
            fs::write(&file, format!("#!/bin/sh\n{script}\n")).unwrap();
            fs::set_permissions(&file, fs::Permissions::from_mode(0o755)).unwrap();
        }
        // The stand-ins need `cat` and `dirname`; without any, nothing at all is on the path.
        let rest = std::env::var("PATH").unwrap();
        let path = if commands.is_empty() { bin.display().to_string() } else { format!("{}:{rest}", bin.display()) };
        let place = Self { folder, path };
        place.ok(&["init"]);
        place.ok(&["material", "add", "--name", "Ply", "--thickness", "6"]);
        place.ok(&["receive", "--material", "Ply", "--sheets", "2", "--size", "1000x1000", "--unit-cost", "50"]);
        place.ok(&["offcut", "add", "--material", "Ply", "--rect", "300x200"]);
        place
    }

    fn bin(&self) -> PathBuf {
        self.folder.path().join("bin")
    }

    fn run(&self, words: &[&str]) -> (i32, Value, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_sheetloft"))
            .arg("--json")
            .arg("--shop")
            .arg(self.folder.path().join("shop.db"))
            .args(words)
            .env("PATH", &self.path)
            .output()
            .unwrap();
        let err = String::from_utf8(output.stderr).unwrap();
        (output.status.code().unwrap(), serde_json::from_slice(&output.stdout).unwrap_or(Value::Null), err)
    }

    fn ok(&self, words: &[&str]) -> Value {
        let (status, answer, err) = self.run(words);
        assert_eq!(status, 0, "{words:?}: {err}");
        answer
    }

    fn due(&self) -> usize {
        let now = self.ok(&["now"]);
        let label = now["todo"].as_array().unwrap().iter().find(|t| t["kind"] == "label").cloned();
        label.map_or(0, |t| t["count"].as_u64().unwrap() as usize)
    }

    /// What `lp` was given last.
    fn given(&self) -> (Vec<String>, Vec<u8>) {
        let arguments = fs::read_to_string(self.bin().join("arguments")).unwrap();
        (arguments.lines().map(str::to_owned).collect(), fs::read(self.bin().join("document.pdf")).unwrap())
    }
}

/// Width and height of the first page, mm; a user unit is 1/72 in (ISO 32000).
fn page_mm(pdf: &[u8]) -> [f64; 2] {
    let at = pdf.windows(9).position(|w| w == b"/MediaBox").unwrap() + 9;
    let text = String::from_utf8_lossy(&pdf[at..at + 80]).into_owned();
    let inside = text.trim_start().trim_start_matches('[').split(']').next().unwrap().to_owned();
    let sides: Vec<f64> = inside.split_whitespace().map(|n| n.parse().unwrap()).collect();
    [sides[2], sides[3]].map(|points| points / 72.0 * 25.4)
}

#[test]
fn labels_go_to_the_printer_at_their_own_size_and_are_due_no_longer() {
    let place = Place::new(&[("lp", LP), ("lpstat", LPSTAT)]);
    assert_eq!(
        place.ok(&["printer", "system"]),
        json!({ "printers": [{ "printer": "office", "usual": true }, { "printer": "shelf_labels", "usual": false }], "why": null })
    );
    assert_eq!(place.due(), 3);
    let printed = place.ok(&["label", "due", "--paper", "label-100x50", "--print", "shelf_labels"]);
    assert_eq!(
        (&printed["labels"], &printed["printed"], &printed["data"]),
        (&json!(3), &json!("shelf_labels"), &json!(""))
    );
    assert_eq!(place.due(), 0);
    let (arguments, pdf) = place.given();
    let wanted = [
        ["-d", "shelf_labels"],
        ["-t", "labels.pdf"],
        ["-n", "1"],
        ["-o", "media=Custom.100x50mm"],
        ["-o", "print-scaling=none"],
    ];
    assert_eq!(arguments, wanted.concat());
    assert!(pdf.starts_with(b"%PDF-") && pdf.trim_ascii_end().ends_with(b"%%EOF"));
    let [width, height] = page_mm(&pdf);
    assert!((width - 100.0).abs() < 0.01 && (height - 50.0).abs() < 0.01, "{width} × {height}");
    // The same bytes as the file would have.
    let out = place.folder.path().join("same.pdf");
    place.ok(&["label", "pieces", "--paper", "label-100x50", "--out", out.to_str().unwrap()]);
    assert_eq!(fs::read(out).unwrap(), pdf);
}

#[test]
fn a_printer_of_the_list_brings_its_paper_its_register_and_its_name_in_the_system() {
    let place = Place::new(&[("lp", LP), ("lpstat", LPSTAT)]);
    place.ok(&["printer", "set", "By the saw", "--paper", "label-62x29", "--right", "1.5", "--system", "shelf_labels"]);
    place.ok(&["label", "sample", "--print", "by the saw"]);
    let (arguments, moved) = place.given();
    assert_eq!((&arguments[1], &arguments[7]), (&"shelf_labels".to_owned(), &"media=Custom.62x29mm".to_owned()));
    place.ok(&["printer", "set", "By the saw", "--right", "0"]);
    place.ok(&["label", "sample", "--print", "shelf_labels"]);
    assert_ne!(place.given().1, moved, "moved by as much as the printer is out of register");
    // Sheets of labels, and a page that has a name.
    place.ok(&["label", "sample", "--paper", "a4-24", "--print", "shelf_labels"]);
    assert_eq!(place.given().0[7], "media=A4");
    place.ok(&["label", "alignment", "--paper", "letter-30", "--print", "office"]);
    assert_eq!(place.given().0[7], "media=Letter");
    // Without a name in the system it has to have the same.
    place.ok(&["printer", "set", "By the door", "--paper", "label-62x29"]);
    let (status, _, err) = place.run(&["label", "sample", "--print", "By the door"]);
    assert_eq!((status, err.contains("printer set")), (2, true), "{err}");
}

#[test]
fn what_is_not_printed_stays_due_and_is_said_plainly() {
    // No printing system.
    let place = Place::new(&[]);
    let (status, told, _) = place.run(&["printer", "system"]);
    assert_eq!((status, &told["printers"]), (1, &json!([])));
    assert!(told["why"].as_str().unwrap().contains("no command lp"), "{told}");
    let label = ["label", "due", "--paper", "label-62x29", "--print", "shelf_labels"];
    let (status, _, err) = place.run(&label);
    assert_eq!((status, err.contains("make a file")), (3, true), "{err}");
    assert_eq!(place.due(), 3);
    // One without printers, one that does not know this printer, one that fails after it has read nothing of them.
    let failing = "echo 'lp: Error - The printer is not accepting jobs.' >&2; exit 1";
    for (lpstat, lp, status, said) in [
        ("exit 0", LP, 3, "This system has no printer"),
        ("echo office", LP, 2, "no printer 'shelf_labels': it has office"),
        (LPSTAT, failing, 3, "not printed: The printer is not accepting jobs."),
        ("echo 'lpstat: Unable to connect to server' >&2; exit 1", LP, 3, "not printed: Unable to connect to server."),
    ] {
        let place = Place::new(&[("lp", lp), ("lpstat", lpstat)]);
        let (found, _, err) = place.run(&label);
        assert_eq!((found, err.contains(said), err.lines().count()), (status, true, 1), "{err}");
        assert_eq!(place.due(), 3);
        assert!(!Path::new(&place.bin().join("arguments")).exists());
    }
}
