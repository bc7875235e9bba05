//! For the checks against references: what codes are in many pictures. One path a line on standard input; one JSON array a
//! line on standard output, of the texts that were read in it.

use std::io::{BufRead, Write, stdin, stdout};

fn main() -> std::io::Result<()> {
    for path in stdin().lock().lines() {
        let photo = sheetloft_labels::codes_in(&std::fs::read(path?)?).map_err(std::io::Error::other)?;
        // Codes hold nothing but what JSON takes as it is in a string, once quoted by Rust's own rules for ASCII.
        let mut texts: Vec<String> = photo.codes.iter().map(|code| format!("{:?}", code.text)).collect();
        texts.sort();
        writeln!(stdout(), "[{}]", texts.join(","))?;
        stdout().flush()?;
    }
    Ok(())
}
