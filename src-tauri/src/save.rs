//! Files for the person: a safe name, a folder they know, and nothing ever overwritten.

use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use directories::UserDirs;
use sheetloft_shop::error::Error;
use sheetloft_shop::say;

/// Files of one name in one folder before the program gives up counting.
const SAME_NAME: u32 = 10_000;

/// Longest name without its ending, in characters.
const NAME_CHARS: usize = 100;

/// What the program itself writes; only these are opened.
const ENDINGS: [&str; 8] = ["pdf", "png", "svg", "dxf", "csv", "json", "jsonl", "txt"];

/// Where files go: `SHEETLOFT_FILES`, else the person's folder for downloads, else their home.
pub(crate) fn folder() -> Result<PathBuf, Error> {
    if let Some(folder) = std::env::var_os("SHEETLOFT_FILES") {
        return Ok(folder.into());
    }
    let person = UserDirs::new().ok_or_else(|| Error::fault(say!("error-no-folder")))?;
    Ok(person.download_dir().unwrap_or(person.home_dir()).to_owned())
}

/// Whether to open the file once it is written. `SHEETLOFT_FILES` says that something else looks after the files.
pub(crate) fn may_open(path: &Path) -> bool {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or_default();
    std::env::var_os("SHEETLOFT_FILES").is_none() && ENDINGS.contains(&ending)
}

/// Writes `bytes` into `folder` under `name`, or `name (2)`, `name (3)` … where that is taken. Gives the path.
pub(crate) fn save(folder: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf, Error> {
    let (stem, ending) = parts(name);
    let failed = |path: &Path, e: &io::Error| {
        Error::fault(say!("error-file", file = path.display().to_string(), why = e.to_string()))
    };
    fs::create_dir_all(folder).map_err(|e| failed(folder, &e))?;
    for n in 1..=SAME_NAME {
        let path = folder.join(if n == 1 { format!("{stem}{ending}") } else { format!("{stem} ({n}){ending}") });
        match OpenOptions::new().write(true).create_new(true).open(&path) {
            Ok(mut file) => {
                return match file.write_all(bytes).and_then(|()| file.sync_all()) {
                    Ok(()) => Ok(path),
                    Err(e) => {
                        // Half a file helps nobody.
                        let _ = fs::remove_file(&path);
                        Err(failed(&path, &e))
                    }
                };
            }
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(failed(&path, &e)),
        }
    }
    Err(failed(folder, &io::ErrorKind::AlreadyExists.into()))
}

/// A name's stem and its ending with the dot, free of anything that a file system reads as more than a name.
fn parts(name: &str) -> (String, String) {
    let clean: String =
        name.chars().map(|c| if c.is_control() || "/\\:*?\"<>|".contains(c) { '-' } else { c }).collect();
    let clean = clean.trim_matches(['.', ' ', '-']);
    let (stem, ending) = match clean.rsplit_once('.') {
        Some((stem, ending))
            if (1..=8).contains(&ending.len()) && ending.chars().all(|c| c.is_ascii_alphanumeric()) =>
        {
            (stem, format!(".{}", ending.to_ascii_lowercase()))
        }
        _ => (clean, String::new()),
    };
    let stem: String = stem.chars().take(NAME_CHARS).collect();
    (if stem.is_empty() { "sheetloft".to_owned() } else { stem }, ending)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_only_ever_a_name() {
        let safe = |name: &str| {
            let (stem, ending) = parts(name);
            format!("{stem}{ending}")
        };
        assert_eq!(safe("P-7K-003D 7K-004TK.dxf"), "P-7K-003D 7K-004TK.dxf");
        assert_eq!(safe("../../.profile"), "profile");
        assert_eq!(safe("/etc/cron.d/x"), "etc-cron.d-x");
        assert_eq!(safe("C:\\a\\b.PDF"), "C--a-b.pdf");
        assert_eq!(safe("a\u{0}\nb.svg"), "a--b.svg");
        for nothing in ["", "..", "///", " . "] {
            assert_eq!(safe(nothing), "sheetloft", "{nothing:?}");
        }
        assert_eq!(safe(&"ä".repeat(500)).chars().count(), NAME_CHARS);
    }

    #[test]
    fn nothing_is_overwritten() {
        let folder = tempfile::tempdir().expect("a folder");
        let paths: Vec<_> = ["one", "two", "three"]
            .map(|text| save(folder.path(), "labels.pdf", text.as_bytes()).expect("saved"))
            .into();
        let names: Vec<_> = paths.iter().filter_map(|p| p.file_name()?.to_str()).collect();
        assert_eq!(names, ["labels.pdf", "labels (2).pdf", "labels (3).pdf"]);
        let texts: Vec<_> = paths.iter().map(|p| fs::read_to_string(p).expect("read")).collect();
        assert_eq!(texts, ["one", "two", "three"]);
    }

    #[test]
    fn a_folder_that_is_a_file_is_said() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("file");
        fs::write(&file, "x").expect("written");
        assert!(save(&file, "a.pdf", b"x").is_err());
        assert_eq!(fs::read_to_string(&file).expect("read"), "x");
    }
}
