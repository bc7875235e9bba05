//! Whole-program tests and checks against published references; helpers for them.
//!
//! The tests start the program itself, as a person would, over a shop file of their own in a folder of their own.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// The repository.
///
/// # Panics
/// Where it is gone.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().expect("the repository")
}

/// A program that this workspace builds, beside the running test. `make test` builds it first.
///
/// # Panics
/// Where it has not been built.
pub fn program(name: &str) -> PathBuf {
    let test = std::env::current_exe().expect("the running test");
    let folder = test.parent().and_then(Path::parent).expect("the build folder");
    let path = folder.join(format!("{name}{}", std::env::consts::EXE_SUFFIX));
    assert!(path.is_file(), "{} has not been built: cargo build --workspace --bins", path.display());
    path
}

/// The command line over one shop file.
pub struct Cli {
    shop: PathBuf,
}

impl Cli {
    /// Over the shop file at `shop`.
    pub fn over(shop: PathBuf) -> Self {
        Self { shop }
    }

    /// The JSON document of a command that ends well.
    ///
    /// # Panics
    /// Where it does not.
    pub fn json(&self, args: &[&str]) -> Value {
        let out = Command::new(program("sheetloft"))
            .arg("--shop")
            .arg(&self.shop)
            .arg("--json")
            .args(args)
            .output()
            .expect("the program runs");
        assert!(out.status.success(), "{args:?}: {} {}", out.status, String::from_utf8_lossy(&out.stderr));
        serde_json::from_slice(&out.stdout).expect("one JSON document")
    }
}

/// A customer's drawing, made by another program: Python's `ezdxf`, in the environment that `make test` sets up.
///
/// # Panics
/// Where that is missing.
pub fn customer_drawing(name: &str, path: &Path) {
    let python = root().join(".venv/bin/python");
    let script = root().join("tests/reference/customer_drawing.py");
    let made = Command::new(python).arg(script).arg(name).arg(path).status().expect(".venv is there: make reference");
    assert!(made.success(), "the drawing {name} is made");
}
