//! Files in and out: read with bounds, written whole or not at all.

use std::io::Write;
use std::path::Path;

use serde_json::{Value, json};
use sheetloft_shop::action::{Answer, Upload};
use sheetloft_shop::answer::{FileAnswer, LabelAnswer};
use sheetloft_shop::door::{download, upload};
use sheetloft_shop::error::Error;
use sheetloft_shop::{limits, say};

/// Reads a file from outside; `-` is standard input.
pub fn read(path: &Path) -> Result<Upload, Error> {
    use std::io::Read as _;
    let name = path.display().to_string();
    let wrong = |e: std::io::Error| Error::bad(say!("error-file", file = &name, why = e.to_string()));
    if path.is_dir() {
        return Err(Error::bad(say!("error-is-folder", file = &name)));
    }
    let mut bytes = Vec::new();
    let most = limits::FILE_BYTES as u64 + 1;
    if name == "-" {
        std::io::stdin().take(most).read_to_end(&mut bytes).map_err(wrong)?;
    } else {
        let file = std::fs::File::open(path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Error::bad(say!("error-file-missing", file = &name)),
            _ => wrong(e),
        })?;
        file.take(most).read_to_end(&mut bytes).map_err(wrong)?;
    }
    if bytes.len() > limits::FILE_BYTES {
        return Err(Error::bad(say!("error-file-large", file = &name, most = limits::FILE_BYTES >> 20)));
    }
    Ok(upload(&name, &bytes))
}

/// No command makes a folder.
pub fn parent_exists(path: &Path) -> Result<(), Error> {
    match path.parent().filter(|p| !p.as_os_str().is_empty() && !p.is_dir()) {
        Some(folder) => Err(Error::bad(say!("error-folder", folder = folder.display().to_string()))),
        None if path.is_dir() => Err(Error::bad(say!("error-is-folder", file = path.display().to_string()))),
        None => Ok(()),
    }
}

fn file_of(answer: &Answer) -> Option<(&str, &str)> {
    match answer {
        Answer::StockExport(FileAnswer { name, data, .. })
        | Answer::Layout(FileAnswer { name, data, .. })
        | Answer::ReportFile(FileAnswer { name, data, .. })
        | Answer::QuoteFile(FileAnswer { name, data, .. })
        | Answer::Ticket(FileAnswer { name, data, .. }) => Some((name, data)),
        Answer::Label(LabelAnswer { name, data, .. }) => Some((name, data)),
        _ => None,
    }
}

/// Writes the file that an answer carries: a temporary file beside it, fsync, rename.
pub fn write_answer(path: &Path, answer: &Answer) -> Result<(), Error> {
    let none = || Error::fault(say!("error-database", what = "no file"));
    let (_, data) = file_of(answer).ok_or_else(none)?;
    let bytes = download(data)?;
    let name = path.display().to_string();
    let wrong = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::StorageFull => Error::fault(say!("error-disk-full")),
        _ => Error::bad(say!("error-file", file = &name, why = e.to_string())),
    };
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new().prefix(".sheetloft").tempfile_in(folder).map_err(wrong)?;
    file.write_all(&bytes).and_then(|()| file.as_file().sync_all()).map_err(wrong)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        // A temporary file is private; what a person asked for is not.
        let _ = file.as_file().set_permissions(std::fs::Permissions::from_mode(0o644));
    }
    file.persist(path).map_err(|e| wrong(e.error))?;
    Ok(())
}

/// The answer without its file, with where that was written.
pub fn without_data(answer: &Answer, path: &Path) -> Result<Value, Error> {
    let fault = |e: serde_json::Error| Error::fault(say!("error-database", what = e.to_string()));
    let mut value = serde_json::to_value(answer).map_err(fault)?;
    if let Some(object) = value.as_object_mut() {
        object.remove("data");
        object.remove("name");
        object.insert("out".to_owned(), Value::String(path.display().to_string()));
    }
    Ok(value)
}

/// The file that an answer carries, as text.
pub fn content(answer: &Answer) -> Result<String, Error> {
    let Some((_, data)) = file_of(answer) else { return Ok(String::new()) };
    Ok(String::from_utf8_lossy(&download(data)?).into_owned())
}

/// JSON lines as one document.
pub fn lines_as_document(answer: &Answer) -> Result<Value, Error> {
    let text = content(answer)?;
    let pieces: Vec<Value> = text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect();
    Ok(json!({ "pieces": pieces }))
}
