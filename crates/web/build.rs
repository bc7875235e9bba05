//! Puts the built screens (`ui/dist`) into the program. Where they have not been built, it goes without.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::{env, fs, io};

fn main() -> io::Result<()> {
    let dist = PathBuf::from(env::var_os("CARGO_MANIFEST_DIR").unwrap_or_default()).join("../../ui/dist");
    // A path that does not exist makes Cargo look again at the next build: just what is wanted here.
    println!("cargo::rerun-if-changed={}", dist.display());
    println!("cargo::rerun-if-changed=build.rs");
    let mut files = Vec::new();
    if dist.join("index.html").is_file() {
        collect(&dist, "", &mut files)?;
    }
    files.sort();
    let mut code =
        String::from("/// Path below the root, and bytes; in order of path.\nstatic FILES: &[(&str, &[u8])] = &[\n");
    let out = PathBuf::from(env::var_os("OUT_DIR").unwrap_or_default());
    for (n, (name, path)) in files.iter().enumerate() {
        // A copy: the screens may be built anew while this crate is compiled.
        let copy = out.join(format!("screen-{n}"));
        fs::copy(path, &copy)?;
        let _ = writeln!(code, "    ({name:?}, include_bytes!({copy:?})),");
    }
    code.push_str("];\n");
    fs::write(out.join("screens.rs"), code)
}

/// All files under `folder`, with their paths below the root written with `/`.
fn collect(folder: &Path, below: &str, files: &mut Vec<(String, PathBuf)>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = format!("{below}{}", entry.file_name().to_string_lossy());
        if entry.file_type()?.is_dir() {
            collect(&entry.path(), &format!("{name}/"), files)?;
        } else {
            files.push((name, entry.path().canonicalize()?));
        }
    }
    Ok(())
}
