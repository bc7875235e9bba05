//! Scenarios of the books as text tables: one line a command, with its exact outcome.
//!
//! A scenario is a text file: `> command` is followed by what it must print, the exit status first. Lines
//! between `file NAME` and `end` are written to a file. Clock and ids are replayed, so every code is the same
//! each time. After each scenario `check` must find nothing. To write the outcomes anew after a change that is
//! meant: `UPDATE=1 cargo test -p sheetloft-cli --test scenarios`, then read the difference.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use sheetloft_cli::Console;
use sheetloft_shop::host::Replay;

/// 2026-03-02 08:00 UTC.
const START_MS: u64 = 1_772_438_400_000;

fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut word = String::new();
    let (mut quoted, mut open) = (None, false);
    for c in line.chars() {
        match (c, quoted) {
            (c, Some(q)) if c == q => quoted = None,
            (c, Some(_)) => word.push(c),
            ('\'' | '"', None) => {
                quoted = Some(c);
                open = true;
            }
            (c, None) if c.is_whitespace() => {
                if open || !word.is_empty() {
                    words.push(std::mem::take(&mut word));
                }
                open = false;
            }
            (c, None) => word.push(c),
        }
    }
    if open || !word.is_empty() {
        words.push(word);
    }
    words
}

fn run(command: &str, folder: &Path, number: u64) -> String {
    let shop = folder.join("shop.db");
    let mut args = vec!["sheetloft".to_owned(), "--shop".to_owned(), shop.display().to_string()];
    args.extend(words(command).into_iter().map(|w| w.replace("./", &format!("{}/", folder.display()))));
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let host = Replay::new(number + 1, START_MS + number * 3_600_000);
    let status = sheetloft_cli::run_on(args, &mut out, &mut err, Console::default(), Box::new(host));
    let (out, err) = (String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap());
    match status {
        0 | 1 => assert!(err.is_empty(), "{command}: {err}"),
        _ => {
            assert!(out.is_empty(), "{command}: {out}");
            assert_eq!(err.lines().count(), 1, "{command}: {err}");
        }
    }
    let text = format!("{out}{err}").replace(&format!("{}/", folder.display()), "./");
    format!("exit {status}\n{text}")
}

fn play(path: &Path) {
    let given = fs::read_to_string(path).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut found = String::new();
    let mut lines = given.lines().peekable();
    let mut number = 0;
    while let Some(line) = lines.next() {
        if let Some(name) = line.strip_prefix("file ") {
            let mut text = String::new();
            let _ = writeln!(found, "{line}");
            for line in lines.by_ref().take_while(|l| *l != "end") {
                let _ = writeln!(text, "{line}");
            }
            let _ = writeln!(found, "{text}end");
            fs::write(folder.path().join(name.trim()), text).unwrap();
        } else if let Some(command) = line.strip_prefix("> ") {
            let _ = writeln!(found, "{line}");
            let _ = writeln!(found, "{}", run(command, folder.path(), number));
            number += 1;
            while lines.peek().is_some_and(|l| !l.starts_with(['>', '#']) && !l.starts_with("file ")) {
                lines.next();
            }
        } else {
            let _ = writeln!(found, "{line}");
        }
    }
    let check = run("check", folder.path(), number);
    assert!(check.starts_with("exit 0"), "{}: {check}", path.display());
    if std::env::var_os("UPDATE").is_some() {
        fs::write(path, &found).unwrap();
        return;
    }
    for (n, (want, got)) in given.lines().zip(found.lines()).enumerate() {
        assert_eq!(got, want, "{} line {}", path.display(), n + 1);
    }
    assert_eq!(given.lines().count(), found.lines().count(), "{}", path.display());
}

#[test]
fn every_scenario_has_its_exact_outcome() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scenarios");
    let mut paths: Vec<_> = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e == "txt"));
    paths.sort();
    assert!(paths.len() >= 5);
    paths.iter().for_each(|path| play(path));
}
