//! Several devices as real programs, with a folder over which they exchange.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;

/// A place with a shared folder and the shop files of a few devices.
pub struct Place(pub TempDir);

impl Place {
    pub fn new() -> Self {
        let place = Self(tempfile::tempdir().unwrap());
        fs::create_dir(place.dir()).unwrap();
        place
    }

    pub fn dir(&self) -> PathBuf {
        self.0.path().join("shared")
    }

    pub fn shop(&self, device: &str) -> PathBuf {
        self.0.path().join(format!("{device}.db"))
    }

    pub fn run(&self, device: &str, words: &[&str]) -> (i32, Value, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_sheetloft"))
            .arg("--json")
            .arg("--shop")
            .arg(self.shop(device))
            .args(words)
            .output()
            .unwrap();
        let err = String::from_utf8(output.stderr).unwrap();
        (output.status.code().unwrap(), serde_json::from_slice(&output.stdout).unwrap_or(Value::Null), err)
    }

    pub fn ok(&self, device: &str, words: &[&str]) -> Value {
        let (status, answer, err) = self.run(device, words);
        assert_eq!(status, 0, "{words:?}: {err}{answer}");
        answer
    }

    pub fn sync(&self, device: &str) -> Value {
        self.ok(device, &["sync", "folder", self.dir().to_str().unwrap()])
    }

    /// Everybody exchanges until all know all; then they agree, and each file is sound.
    pub fn meet(&self, devices: &[&str]) {
        for device in devices.iter().chain(devices) {
            self.sync(device);
        }
        let digest = |device: &&str| self.ok(device, &["digest"]);
        for device in devices {
            assert_eq!(digest(device)["digest"], digest(&devices[0])["digest"], "{device}");
            assert_eq!(digest(device)["complete"], true);
            assert_eq!(self.ok(device, &["check"])["ok"], true);
        }
    }
}
