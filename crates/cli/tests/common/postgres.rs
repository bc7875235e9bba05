//! A real PostgreSQL server of the test's own.

use std::net::TcpListener;
use std::os::unix::fs::chown;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

use postgres::{Client, NoTls};
use tempfile::TempDir;

use super::PATIENCE;

/// A server over an own folder, on a port of the loopback.
pub struct Server {
    pub folder: TempDir,
    pub port: u16,
    child: Option<Child>,
}

/// PostgreSQL refuses to run as root; then it runs as nobody (65534 on Debian and its kin).
fn as_somebody(program: &Path) -> Command {
    let mut command = Command::new(program);
    if is_root() {
        command.uid(65_534).gid(65_534);
    }
    command.stdout(Stdio::null()).stderr(Stdio::null());
    command
}

pub fn is_root() -> bool {
    Command::new("id").arg("-u").output().is_ok_and(|out| out.stdout.starts_with(b"0\n"))
}

/// Where Debian keeps a version's programs, or else the path.
fn program(name: &str) -> PathBuf {
    let versions = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().filter_map(Result::ok);
    let mut found: Vec<PathBuf> = versions.map(|v| v.path().join("bin").join(name)).filter(|p| p.is_file()).collect();
    found.sort();
    found.pop().unwrap_or_else(|| PathBuf::from(name))
}

impl Server {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        if is_root() {
            chown(folder.path(), Some(65_534), Some(65_534)).unwrap();
        }
        let made = as_somebody(&program("initdb"))
            .args(["--no-sync", "--auth=trust", "--username=owner", "--encoding=UTF8", "-D"])
            .arg(folder.path().join("data"))
            .status()
            .expect("PostgreSQL is installed (make test sees to it)");
        assert!(made.success());
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut server = Self { folder, port, child: None };
        server.start();
        server
    }

    pub fn start(&mut self) {
        let port = self.port.to_string();
        let child = as_somebody(&program("postgres"))
            .args(["-p", &port, "-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=", "-D"])
            .arg(self.folder.path().join("data"))
            .spawn()
            .unwrap();
        self.child = Some(child);
        let start = Instant::now();
        while Client::connect(&self.url("postgres"), NoTls).is_err() {
            assert!(start.elapsed() < PATIENCE, "the server does not answer");
            std::thread::yield_now();
        }
    }

    /// Kills it in the middle of whatever it does.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
        // Its children notice by themselves that it is gone; until then they hold the shared memory.
        let start = Instant::now();
        let lock = self.folder.path().join("data/postmaster.pid");
        while TcpListener::bind(("127.0.0.1", self.port)).is_err() && start.elapsed() < PATIENCE {
            std::thread::yield_now();
        }
        let _ = std::fs::remove_file(lock);
    }

    pub fn url(&self, database: &str) -> String {
        self.url_of("owner", database)
    }

    pub fn url_of(&self, user: &str, database: &str) -> String {
        format!("postgres://{user}@127.0.0.1:{}/{database}?sslmode=disable", self.port)
    }

    pub fn client(&self, database: &str) -> Client {
        Client::connect(&self.url(database), NoTls).unwrap()
    }

    pub fn database(&self, name: &str) -> String {
        self.client("postgres").batch_execute(&format!("CREATE DATABASE {name}")).unwrap();
        self.url(name)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
