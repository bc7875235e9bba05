//! Whole-program tests and checks against published references; helpers for them.
//!
//! The tests start the program itself, as a person would, over a shop file of their own in a folder of their own.

use std::path::PathBuf;

/// A program that this workspace builds, beside the running test. `make test` builds it first.
///
/// # Panics
/// Where it has not been built.
pub fn program(name: &str) -> PathBuf {
    let test = std::env::current_exe().expect("the running test");
    let folder = test.parent().and_then(|deps| deps.parent()).expect("the build folder");
    let path = folder.join(format!("{name}{}", std::env::consts::EXE_SUFFIX));
    assert!(path.is_file(), "{} has not been built: cargo build --workspace --bins", path.display());
    path
}
