//! Devices as real programs in one folder. Not every test uses all of it.
#![allow(dead_code)]

#[cfg(unix)]
pub mod postgres;

use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

/// As long as anything may take on a machine that does much else.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Asks again and again until something holds; fails where it does not within [`PATIENCE`].
#[track_caller]
pub fn until(mut holds: impl FnMut() -> bool) {
    let start = Instant::now();
    while !holds() {
        assert!(start.elapsed() < PATIENCE, "not in time");
        std::thread::yield_now();
    }
}

/// A place with a shared folder and the shop files of a few devices.
pub struct Place(pub TempDir);

/// A program that serves.
pub struct Serving {
    pub child: Child,
    pub share: String,
}

impl Drop for Serving {
    fn drop(&mut self) {
        // Ours alone.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Place {
    pub fn new() -> Self {
        let place = Self(tempfile::tempdir().unwrap());
        std::fs::create_dir(place.dir()).unwrap();
        place
    }

    pub fn dir(&self) -> PathBuf {
        self.0.path().join("shared")
    }

    pub fn shop(&self, device: &str) -> PathBuf {
        self.0.path().join(format!("{device}.db"))
    }

    pub fn command(&self, device: &str, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_sheetloft"));
        command.arg("--json").arg("--shop").arg(self.shop(device)).args(words);
        command
    }

    pub fn run(&self, device: &str, words: &[&str]) -> (i32, Value, String) {
        let output = self.command(device, words).output().unwrap();
        let err = String::from_utf8(output.stderr).unwrap();
        (output.status.code().unwrap_or(-1), serde_json::from_slice(&output.stdout).unwrap_or(Value::Null), err)
    }

    #[track_caller]
    pub fn ok(&self, device: &str, words: &[&str]) -> Value {
        let (status, answer, err) = self.run(device, words);
        assert_eq!(status, 0, "{words:?}: {err}{answer}");
        answer
    }

    #[track_caller]
    pub fn refused(&self, device: &str, words: &[&str], status: i32, says: &str) {
        let (got, answer, err) = self.run(device, words);
        assert_eq!(got, status, "{words:?}: {err}{answer}");
        assert!(err.contains(says), "{words:?}: {err}");
    }

    pub fn serve(&self, device: &str) -> Serving {
        self.serve_at(device, "127.0.0.1:0")
    }

    pub fn serve_at(&self, device: &str, share: &str) -> Serving {
        let words = ["serve", "--listen", "127.0.0.1:0", "--share", share];
        let mut child = self.command(device, &words).stdout(Stdio::piped()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let said: Value = serde_json::from_str(&line).unwrap();
        let share = said["share"].as_str().unwrap().strip_prefix("https://").unwrap().to_owned();
        Serving { child, share }
    }

    /// The screens for this machine alone; whether others are served is for the switch to say.
    pub fn serve_here(&self, device: &str) -> Serving {
        let mut child =
            self.command(device, &["serve", "--listen", "127.0.0.1:0"]).stdout(Stdio::piped()).spawn().unwrap();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut String::new()).unwrap();
        Serving { child, share: String::new() }
    }

    pub fn code(&self, device: &str) -> String {
        self.ok(device, &["sync", "pair"])["code"].as_str().unwrap().to_owned()
    }

    pub fn digest(&self, device: &str) -> Value {
        self.ok(device, &["digest"])["digest"].clone()
    }

    /// An exchange through the shared folder.
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

    /// A shop on a device with three sheets of 50.00.
    pub fn stocked(&self, device: &str) -> Vec<String> {
        self.ok(device, &["init", "--name", "Exhibits"]);
        self.ok(device, &["material", "add", "--name", "Ply", "--thickness", "6"]);
        let words = ["receive", "--material", "Ply", "--sheets", "3", "--size", "1000x1000", "--unit-cost", "50"];
        let received = self.ok(device, &words);
        received["pieces"].as_array().unwrap().iter().map(|p| p["piece"].as_str().unwrap().to_owned()).collect()
    }
}
