//! What DEVELOPERS.md promises about the code and code can break: held here.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use sheetloft_tests::root;

/// All files of the repository that people write, with their path below the root.
fn files() -> Vec<(String, PathBuf)> {
    /// Built, fetched, or not ours.
    const NOT_OURS: [&str; 8] =
        ["target", ".git", "node_modules", "dist", ".venv", "__pycache__", ".pytest_cache", "gen"];
    fn walk(folder: &Path, below: &str, files: &mut Vec<(String, PathBuf)>) {
        for entry in fs::read_dir(folder).expect("a folder").map(|e| e.expect("an entry")) {
            let name = entry.file_name().to_string_lossy().into_owned();
            if entry.file_type().expect("a type").is_dir() {
                if !NOT_OURS.contains(&name.as_str()) {
                    walk(&entry.path(), &format!("{below}{name}/"), files);
                }
            } else {
                files.push((format!("{below}{name}"), entry.path()));
            }
        }
    }
    let mut found = Vec::new();
    walk(&root(), "", &mut found);
    found.sort();
    assert!(found.len() > 100, "the repository has files");
    found
}

/// The files with one of the endings, with their text.
fn texts(endings: &[&str]) -> Vec<(String, String)> {
    files()
        .into_iter()
        .filter(|(name, _)| endings.iter().any(|ending| name.ends_with(ending)))
        .filter_map(|(name, path)| fs::read_to_string(path).ok().map(|text| (name, text)))
        .collect()
}

/// Rust code without comments and without its test modules.
fn code(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod ").next().unwrap_or_default();
    text.lines().map(|line| line.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

#[track_caller]
fn none(found: Vec<String>, rule: &str) {
    assert!(found.is_empty(), "{rule}:\n  {}", found.join("\n  "));
}

/// Floors of the house: a crate may lean on crates of lower floors only.
const FLOORS: [(&str, u8); 12] = [
    ("sheetloft-shapes", 0),
    ("sheetloft-ledger", 1),
    ("sheetloft-fit", 2),
    ("sheetloft-drawings", 2),
    ("sheetloft-labels", 2),
    ("sheetloft-store", 2),
    ("sheetloft-sync", 2),
    ("sheetloft-shop", 3),
    ("sheetloft-web", 4),
    ("sheetloft-window", 5),
    ("sheetloft-cli", 5),
    ("sheetloft-tests", 6),
];

fn packages() -> BTreeMap<String, Vec<(String, Value)>> {
    let out = Command::new(env!("CARGO"))
        .args(["metadata", "--no-deps", "--offline", "--format-version", "1"])
        .current_dir(root())
        .output()
        .expect("cargo metadata");
    let metadata: Value = serde_json::from_slice(&out.stdout).expect("cargo metadata is JSON");
    let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
    list(&metadata["packages"])
        .into_iter()
        .map(|package| {
            let dependencies = list(&package["dependencies"]);
            let named = dependencies.into_iter().map(|d| (d["name"].as_str().unwrap_or_default().to_owned(), d));
            (package["name"].as_str().unwrap_or_default().to_owned(), named.collect())
        })
        .collect()
}

#[test]
fn imports_run_downwards_only() {
    let floors: BTreeMap<_, _> = FLOORS.into();
    let floor = |name: &str| floors.get(name).copied();
    let mut wrong = Vec::new();
    for (package, dependencies) in packages() {
        let Some(own) = floor(&package) else {
            wrong.push(format!("{package} has no floor"));
            continue;
        };
        for (name, _) in dependencies.iter().filter(|(name, _)| name.starts_with("sheetloft-")) {
            if floor(name).is_none_or(|other| other >= own) {
                wrong.push(format!("{package} → {name}"));
            }
        }
    }
    none(wrong, "imports run downwards only");
}

#[test]
fn faces_know_the_one_door_only() {
    let mut wrong = Vec::new();
    for (package, dependencies) in packages() {
        if !["sheetloft-web", "sheetloft-window", "sheetloft-cli"].contains(&package.as_str()) {
            continue;
        }
        for (name, _) in dependencies.iter().filter(|(_, d)| d["kind"].is_null()) {
            if name.starts_with("sheetloft-") && !["sheetloft-shop", "sheetloft-web"].contains(&name.as_str()) {
                wrong.push(format!("{package} → {name}"));
            }
        }
    }
    none(wrong, "a face leans on the shop's door alone");
}

#[test]
fn the_only_sql_is_the_stores() {
    let users: Vec<String> = packages()
        .into_iter()
        .filter(|(package, dependencies)| {
            package != "sheetloft-store"
                && dependencies.iter().any(|(name, d)| name == "rusqlite" && d["kind"].is_null())
        })
        .map(|(package, _)| package)
        .collect();
    none(users, "only the store opens the database");
    let mut found = Vec::new();
    for (name, text) in texts(&[".rs"]) {
        // The hub is a database of its own, and its tests play one that lies.
        let hub = ["crates/sync/src/hub.rs", "crates/cli/tests/hub.rs", "crates/cli/tests/carriers.rs"];
        if hub.contains(&name.as_str()) || name.starts_with("crates/store/") || name.starts_with("tests/") {
            continue;
        }
        let code = code(&text);
        for (statement, with) in [
            ("SELECT ", " FROM "),
            ("INSERT INTO ", ""),
            ("DELETE FROM ", ""),
            ("UPDATE ", " SET "),
            ("CREATE TABLE ", ""),
            ("PRAGMA ", ""),
        ] {
            if code.split(statement).skip(1).any(|rest| rest.contains(with)) {
                found.push(format!("{name}: {statement}"));
            }
        }
    }
    none(found, "the only SQL is the store's, and the hub's");
}

#[test]
fn the_cores_are_pure() {
    const RIM: [&str; 16] = [
        "std::fs",
        "std::io",
        "std::net",
        "std::env",
        "std::process",
        "std::time",
        "SystemTime",
        "Instant",
        "Utc::now",
        "Local::now",
        "now_v7",
        "new_v4",
        "rand::",
        "RandomState",
        "println!",
        "unsafe",
    ];
    let mut found = Vec::new();
    for (name, text) in texts(&[".rs"]) {
        if !["shapes", "fit", "ledger"].iter().any(|core| name.starts_with(&format!("crates/{core}/src/"))) {
            continue;
        }
        let code = code(&text);
        found.extend(RIM.iter().filter(|word| code.contains(**word)).map(|word| format!("{name}: {word}")));
    }
    none(found, "no clock, disk, network or chance in shapes, fit and ledger");
}

#[test]
fn no_float_touches_money() {
    // The ledger decides every sum and the store keeps them: neither knows floats at all. Elsewhere sums are texts or
    // whole minor units; a line that turns one into a float is found by what sums are called.
    let floats = ["f32", "f64"];
    let sums = ["minor", "carried()", ".cost", "charge.", ".price", "written_off", "freight", "duty", "amount"];
    let mut found = Vec::new();
    for (path, text) in texts(&[".rs"]) {
        let whole = path.starts_with("crates/ledger/src") || path.starts_with("crates/store/src");
        let some = path.starts_with("crates/shop/src") && !path.ends_with("answer.rs");
        for (number, line) in code(&text).lines().enumerate().filter(|_| whole || some) {
            let float = floats.iter().any(|f| line.contains(f));
            if float && (whole || sums.iter().any(|sum| line.contains(sum))) {
                found.push(format!("{path}:{}: {}", number + 1, line.trim()));
            }
        }
    }
    none(found, "no float touches money");
}

#[test]
fn each_source_says_what_it_is() {
    let mut without = Vec::new();
    for (name, text) in texts(&[".rs", ".ts", ".svelte", ".mjs", ".css", ".py", ".sh", ".sql"]) {
        let lines: Vec<&str> = text.lines().take(2).map(str::trim).collect();
        let first = lines.first().copied().unwrap_or_default();
        let second = lines.get(1).copied().unwrap_or_default();
        let says = match name.rsplit('.').next().unwrap_or_default() {
            "rs" => first.starts_with("//! "),
            "svelte" => second.starts_with("// ") || text.contains("<script lang=\"ts\">\n  // "),
            "py" => first.starts_with("\"\"\""),
            "sh" => second.starts_with("# "),
            "sql" => first.starts_with("-- "),
            "css" => first.starts_with("/* "),
            _ => first.starts_with("// "),
        };
        if !says {
            without.push(name);
        }
    }
    none(without, "each source file begins with what it is");
}

#[test]
fn nothing_is_left_lying_about() {
    // Written in two halves, so that this list does not find itself.
    let words: [&str; 19] = [
        concat!("TO", "DO"),
        concat!("FIX", "ME"),
        concat!("XX", "X"),
        concat!("HA", "CK"),
        concat!("todo", "!("),
        concat!("unimplemented", "!("),
        concat!("dbg", "!("),
        concat!("#[", "ignore"),
        concat!(".sk", "ip("),
        concat!(".on", "ly("),
        concat!("mark.", "skip"),
        concat!("mark.", "xfail"),
        concat!("transc", "ript"),
        concat!("/wo", "rk/"),
        concat!("/tm", "p/"),
        concat!("DESIGN", ".md"),
        concat!("STYLE", ".md"),
        concat!("REFERENCES", ".md"),
        concat!("COMMANDS", ".md"),
    ];
    let mut found = Vec::new();
    let written =
        [".rs", ".ts", ".svelte", ".mjs", ".py", ".sh", ".sql", ".toml", ".md", ".ftl", ".css", ".html", "Makefile"];
    for (name, text) in texts(&written) {
        for (n, line) in text.lines().enumerate() {
            for word in words {
                // Iterators may well skip; tests may not.
                let in_rust = name.ends_with(".rs") && [concat!(".sk", "ip("), concat!(".on", "ly(")].contains(&word);
                let whole = |at: usize| {
                    let before = line[..at].chars().next_back();
                    let after = line[at + word.len()..].chars().next();
                    !word.chars().all(|c| c.is_ascii_uppercase())
                        || ![before, after].iter().any(|c| c.is_some_and(|c| c.is_alphanumeric() || c == '_'))
                };
                // What takes minutes has a target of its own, and says so.
                let slow = word == concat!("#[", "ignore") && line.contains("= \"slow: make test-slow\"");
                if !in_rust && !slow && line.match_indices(word).any(|(at, _)| whole(at)) {
                    found.push(format!("{name}:{}: {word}", n + 1));
                }
            }
        }
    }
    none(found, "nothing unfinished, nothing of one machine");
}

#[test]
fn the_screens_types_are_the_programs() {
    let written = fs::read_to_string(root().join("ui/src/lib/door.ts")).expect("the screens' types");
    assert!(written == sheetloft_shop::typescript::typescript(), "ui/src/lib/door.ts is stale: make types");
}

/// The keys of a Fluent catalogue, each once.
fn keys(catalogue: &str) -> BTreeSet<String> {
    let text = fs::read_to_string(root().join("crates/shop/messages/en").join(catalogue)).expect("the catalogue");
    let mut keys = BTreeSet::new();
    let mut twice = Vec::new();
    for line in text.lines().filter(|line| line.starts_with(|c: char| c.is_ascii_lowercase())) {
        let key = line.split([' ', '=']).next().unwrap_or_default().to_owned();
        if !keys.insert(key.clone()) {
            twice.push(key);
        }
    }
    none(twice, "each message stands once");
    assert!(keys.len() > 50, "{catalogue} has messages");
    keys
}

/// What stands between double quotes in the sources and looks like a key.
fn quoted(sources: &[(String, String)]) -> BTreeSet<String> {
    let like_a_key =
        |s: &&str| !s.is_empty() && s.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
    sources
        .iter()
        .flat_map(|(_, text)| text.lines())
        .flat_map(|line| line.split('"').skip(1).step_by(2).filter(like_a_key).map(str::to_owned).collect::<Vec<_>>())
        .collect()
}

#[test]
fn each_message_of_the_screens_is_used_and_each_used_one_is_there() {
    let keys = keys("screens.ftl");
    let sources: Vec<_> =
        texts(&[".ts", ".svelte"]).into_iter().filter(|(name, _)| name.starts_with("ui/src/")).collect();
    let used: BTreeSet<String> = quoted(&sources).into_iter().filter(|word| word.starts_with("ui-")).collect();
    none(used.difference(&keys).cloned().collect(), "messages that the screens use and the catalogue lacks");
    none(keys.difference(&used).cloned().collect(), "messages that no screen uses");
}

#[test]
fn each_message_of_the_program_is_used_and_each_used_one_is_there() {
    let keys = keys("program.ftl");
    let sources: Vec<_> = texts(&[".rs"])
        .into_iter()
        .filter(|(name, _)| !name.starts_with("tests/") && !name.contains("/tests/"))
        .collect();
    let quoted = quoted(&sources);
    let mut said = BTreeSet::new();
    // Families whose last part is another module's name for a thing: `format!("left-out-why-{}", …)`.
    let mut families = BTreeSet::new();
    for (_, text) in &sources {
        for at in ["say!(", "Say::new("] {
            for (i, _) in text.match_indices(at) {
                let rest = text[i + at.len()..].trim_start();
                if let Some(key) = rest.strip_prefix('"').and_then(|r| r.split('"').next()) {
                    said.insert(key.to_owned());
                } else if let Some(key) = rest.strip_prefix("format!(\"").and_then(|r| r.split('{').next()) {
                    families.insert(key.to_owned());
                }
            }
        }
    }
    said.retain(|key| !key.is_empty() && !key.contains('$'));
    none(said.difference(&keys).cloned().collect(), "messages that the program uses and the catalogue lacks");
    let unused = keys
        .iter()
        .filter(|key| !quoted.contains(*key) && !families.iter().any(|family| key.starts_with(family.as_str())))
        .cloned();
    none(unused.collect(), "messages that nothing uses");
    none(
        families.into_iter().filter(|f| !keys.iter().any(|k| k.starts_with(f.as_str()))).collect(),
        "families without messages",
    );
}

/// The variables of each message.
fn variables(catalogue: &str) -> BTreeMap<String, BTreeSet<String>> {
    let text = fs::read_to_string(root().join("crates/shop/messages/en").join(catalogue)).expect("the catalogue");
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut key = String::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        if line.starts_with(|c: char| c.is_ascii_lowercase()) {
            key = line.split([' ', '=']).next().unwrap_or_default().to_owned();
            found.entry(key.clone()).or_default();
        }
        let names = line
            .split('$')
            .skip(1)
            .map(|rest| rest.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect::<String>());
        if let Some(all) = found.get_mut(&key) {
            all.extend(names);
        }
    }
    found
}

/// The names given in `say!("key", name = value, …)`, from what stands after its opening bracket.
fn given(call: &str) -> Option<(String, BTreeSet<String>)> {
    let (mut depth, mut quoted, mut before) = (0_usize, false, ' ');
    let mut fields = vec![String::new()];
    for c in call.chars() {
        match c {
            '"' if before != '\\' => quoted = !quoted,
            '(' | '[' | '{' if !quoted => depth += 1,
            ')' if !quoted && depth == 0 => break,
            ')' | ']' | '}' if !quoted => depth -= 1,
            ',' if !quoted && depth == 0 => {
                fields.push(String::new());
                continue;
            }
            _ => {}
        }
        before = c;
        fields.last_mut()?.push(c);
    }
    let key = fields.first()?.trim().strip_prefix('"')?.strip_suffix('"')?.to_owned();
    let names = fields.iter().skip(1).filter_map(|field| field.split_once('=')).map(|(name, _)| name.trim().to_owned());
    Some((key, names.collect()))
}

#[test]
fn each_message_gets_what_it_speaks_of() {
    let variables = variables("program.ftl");
    let mut wrong = Vec::new();
    let mut seen = 0;
    for (name, text) in texts(&[".rs"]).into_iter().filter(|(name, _)| !name.starts_with("tests/")) {
        let text = code(&text);
        for (at, _) in text.match_indices("say!(") {
            let Some((key, given)) = given(&text[at + 5..]) else { continue };
            let Some(wanted) = variables.get(&key) else { continue };
            seen += 1;
            let missing: Vec<_> = wanted.difference(&given).collect();
            // A name that the message does not speak of may be meant for another language.
            if !missing.is_empty() {
                wrong.push(format!("{name}: {key} wants {missing:?}, is given {given:?}"));
            }
        }
    }
    assert!(seen > 100, "the program says things");
    none(wrong, "each message gets the values that it speaks of");
}
