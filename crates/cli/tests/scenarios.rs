//! Scenarios of the books as text tables: one line a command, with its exact outcome.
//!
//! A scenario is a text file: `> command` is followed by what it must print, the exit status first. Lines
//! between `file NAME` and `end` are written to a file; `later N` lets N days go by. Clock and ids are replayed, so every code is the same
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

fn run(command: &str, folder: &Path, number: u64, days: u64) -> String {
    let shop = folder.join("shop.db");
    let mut args = vec!["sheetloft".to_owned(), "--shop".to_owned(), shop.display().to_string()];
    args.extend(words(command).into_iter().map(|w| w.replace("./", &format!("{}/", folder.display()))));
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let host = Replay::new(number + 1, START_MS + number * 3_600_000 + days * 86_400_000);
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
    for file in text.lines().filter_map(|l| l.strip_prefix("Written to ./")) {
        let written = fs::metadata(folder.join(file)).is_ok_and(|m| m.len() > 0);
        assert!(written, "{command}: {file} was not written");
    }
    format!("exit {status}\n{text}")
}

fn play(path: &Path) {
    let given = fs::read_to_string(path).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut found = String::new();
    let mut lines = given.lines().peekable();
    let (mut number, mut days) = (0, 0);
    while let Some(line) = lines.next() {
        if let Some(name) = line.strip_prefix("file ") {
            let mut text = String::new();
            let _ = writeln!(found, "{line}");
            for line in lines.by_ref().take_while(|l| *l != "end") {
                let _ = writeln!(text, "{line}");
            }
            let _ = writeln!(found, "{text}end");
            fs::write(folder.path().join(name.trim()), text).unwrap();
        } else if let Some(more) = line.strip_prefix("later ") {
            let _ = writeln!(found, "{line}");
            days += more.trim().parse::<u64>().unwrap();
        } else if let Some(command) = line.strip_prefix("> ") {
            let _ = writeln!(found, "{line}");
            let _ = writeln!(found, "{}", run(command, folder.path(), number, days));
            number += 1;
            while lines
                .peek()
                .is_some_and(|l| !l.starts_with(['>', '#']) && !l.starts_with("file ") && !l.starts_with("later "))
            {
                lines.next();
            }
        } else {
            let _ = writeln!(found, "{line}");
        }
    }
    let check = run("check", folder.path(), number, days);
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

/// The parts of a message that stand in it as they are, in order: what is between its parameters.
fn fragments(message: &str) -> Vec<String> {
    let (mut found, mut text, mut depth) = (Vec::new(), String::new(), 0_u32);
    for c in message.chars() {
        match c {
            '{' => {
                depth += 1;
                found.push(std::mem::take(&mut text));
            }
            '}' => depth = depth.saturating_sub(1),
            _ if depth == 0 => text.push(c),
            _ => {}
        }
    }
    found.push(text);
    let plain = |t: String| t.split_whitespace().collect::<Vec<_>>().join(" ");
    found.into_iter().map(plain).filter(|t| t.chars().filter(|c| c.is_alphabetic()).count() > 2).collect()
}

/// Every refusal that the program can give is reached by a scenario, or stands in `unreached.txt` with the reason.
/// `UPDATE=1` writes that list anew and leaves the reasons.
#[test]
fn every_refusal_is_reached_by_a_scenario_or_listed() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let catalogue = fs::read_to_string(here.join("../shop/messages/en/program.ftl")).unwrap();
    let mut scenarios = String::new();
    for entry in fs::read_dir(here.join("tests/scenarios")).unwrap() {
        scenarios.push_str(&fs::read_to_string(entry.unwrap().path()).unwrap());
    }
    let said: Vec<&str> = scenarios.lines().filter(|l| !l.starts_with(['>', '#'])).collect();
    let mut messages: Vec<(String, String)> = Vec::new();
    for line in catalogue.lines() {
        match line.split_once(" = ") {
            Some((key, text)) if !line.starts_with([' ', '#']) => messages.push((key.to_owned(), text.to_owned())),
            _ => {
                if let Some((_, text)) = messages.last_mut().filter(|_| !line.is_empty() && !line.starts_with('#')) {
                    text.push(' ');
                    text.push_str(line);
                }
            }
        }
    }
    messages.retain(|(key, _)| key.starts_with("refused-") || key.starts_with("error-"));
    assert!(messages.len() > 100, "the catalogue has {} refusals", messages.len());
    let reached = |message: &str| {
        let fragments = fragments(message);
        said.iter().any(|line| {
            let mut rest = *line;
            fragments.iter().all(|f| {
                rest.find(f.as_str()).is_some_and(|at| {
                    rest = &rest[at + f.len()..];
                    true
                })
            })
        })
    };
    let unreached: Vec<&str> =
        messages.iter().filter(|(_, text)| !reached(text)).map(|(key, _)| key.as_str()).collect();
    let list = here.join("tests/unreached.txt");
    let before = fs::read_to_string(&list).unwrap();
    let why = |key: &str| before.lines().find_map(|l| Some(l.strip_prefix(key)?.strip_prefix(": ")?.to_owned()));
    let head = "# Refusals that no scenario reaches, each with why.";
    let rows: Vec<String> =
        unreached.iter().map(|key| format!("{key}: {}", why(key).unwrap_or_else(|| "?".to_owned()))).collect();
    let now = format!("{head}\n{}\n", rows.join("\n"));
    if std::env::var_os("UPDATE").is_some() {
        fs::write(list, now).unwrap();
        return;
    }
    assert_eq!(now, before, "a refusal is reached, or is not, that was not before");
    let unexplained: Vec<&String> = rows.iter().filter(|r| r.ends_with(": ?")).collect();
    assert!(unexplained.is_empty(), "say in unreached.txt why no scenario reaches {unexplained:?}");
}
