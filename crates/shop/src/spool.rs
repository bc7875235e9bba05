//! The printers of the system on which the program runs: which there are, and a document sent to one without a dialogue.
//!
//! Where the system prints by CUPS (Linux, macOS and their kin) its own commands `lp` and `lpstat` do it. Elsewhere there is
//! no command that puts a PDF on paper at its own size, and that is said; a file can be made and printed by hand.

use std::io::{ErrorKind, Read, Write};
use std::process::{Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use crate::error::Error;
use crate::say;
use crate::shop::shown;

/// How long the system may take to say which printers it has: it may look for them on the network.
const ASK_MOST: Duration = Duration::from_secs(10);
/// How long it may take to accept a document.
const SEND_MOST: Duration = Duration::from_secs(60);
/// How often a command is asked whether it has ended.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// Longest name of a printer, and most characters of what a command complains of.
const CHARS: usize = 127;
/// How far a page may differ from a size that has a name, mm.
const SAME_MM: f64 = 0.05;

/// Why something was not printed.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SpoolError {
    /// The system has no command to print with.
    #[error("the system has no command to print with")]
    NoCommand,
    /// It has one, and no printer.
    #[error("the system has no printer")]
    NoPrinter,
    /// No printer of that name, but these.
    #[error("no printer {named}")]
    Unknown {
        /// What was asked for.
        named: String,
        /// What there is.
        there: Vec<String>,
    },
    /// What the system says.
    #[error("{0}")]
    Failed(String),
    /// It did not answer in time.
    #[error("no answer")]
    TooSlow,
}

impl From<SpoolError> for Error {
    fn from(error: SpoolError) -> Self {
        match error {
            SpoolError::NoCommand => Self::refused(say!("refused-no-printing")),
            SpoolError::NoPrinter => Self::refused(say!("refused-no-system-printer")),
            SpoolError::Unknown { named, there } => {
                Self::bad(say!("error-system-printer", text = shown(&named), names = there.join(", "))).at("printer")
            }
            SpoolError::Failed(why) => Self::refused(say!("refused-print", why = why)),
            SpoolError::TooSlow => Self::refused(say!("refused-print-slow")),
        }
    }
}

/// A printer that the system has.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SystemPrinter {
    /// Its name in the system.
    pub name: String,
    /// It is the one that the system takes where none is named.
    pub usual: bool,
}

/// A document to be printed at its own size.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PrintJob<'a> {
    /// The printer's name in the system.
    pub printer: &'a str,
    /// What the system's list of jobs shows.
    pub title: &'a str,
    /// A PDF.
    pub pdf: &'a [u8],
    /// Width and height of its pages, mm.
    pub page_mm: (f64, f64),
}

/// What prints.
pub trait Spool: Send + Sync {
    /// The printers, by name.
    ///
    /// # Errors
    /// [`SpoolError`] where there is none, or the system does not say.
    fn printers(&self) -> Result<Vec<SystemPrinter>, SpoolError>;

    /// Hands a document to a printer's queue; that it lies on paper then, nobody says.
    ///
    /// # Errors
    /// [`SpoolError`] where the system did not take it.
    fn send(&self, job: &PrintJob<'_>) -> Result<(), SpoolError>;
}

/// A machine without printers.
#[derive(Clone, Copy, Debug)]
pub struct Nothing;

impl Spool for Nothing {
    fn printers(&self) -> Result<Vec<SystemPrinter>, SpoolError> {
        Err(SpoolError::NoCommand)
    }

    fn send(&self, _: &PrintJob<'_>) -> Result<(), SpoolError> {
        Err(SpoolError::NoCommand)
    }
}

/// The system's own printing.
#[derive(Clone, Copy, Debug)]
pub struct System;

impl Spool for System {
    fn printers(&self) -> Result<Vec<SystemPrinter>, SpoolError> {
        // "-e: shows all available destinations on the local network" (lpstat(1) of CUPS), one a line.
        let names = run("lpstat", &["-e"], &[], ASK_MOST)?;
        // "system default destination: NAME", or a sentence without a colon; in English, see `run`.
        let usual = run("lpstat", &["-d"], &[], ASK_MOST).unwrap_or_default();
        let usual = usual.split_once(':').map_or("", |(_, name)| name.trim());
        let mut printers: Vec<SystemPrinter> = names
            .lines()
            .map(str::trim)
            .filter(|name| is_name(name))
            .map(|name| SystemPrinter { name: name.to_owned(), usual: name == usual })
            .collect();
        printers.sort_by(|a, b| a.name.cmp(&b.name));
        printers.dedup();
        if printers.is_empty() { Err(SpoolError::NoPrinter) } else { Ok(printers) }
    }

    fn send(&self, job: &PrintJob<'_>) -> Result<(), SpoolError> {
        let there = self.printers()?;
        if !there.iter().any(|p| p.name == job.printer) {
            let there = there.into_iter().map(|p| p.name).collect();
            return Err(SpoolError::Unknown { named: job.printer.to_owned(), there });
        }
        let media = format!("media={}", media(job.page_mm));
        // "print-scaling: none" of PWG 5100.13: neither enlarged nor made to fit.
        let options = ["-d", job.printer, "-t", job.title, "-n", "1", "-o", &media, "-o", "print-scaling=none"];
        run("lp", &options, job.pdf, SEND_MOST).map(drop)
    }
}

/// Whether a text can be the name of a printer of CUPS: "any printable character except SPACE, TAB, / and #" (lpadmin(8)).
pub fn is_name(text: &str) -> bool {
    let letter = |c: char| !c.is_whitespace() && !c.is_control() && !"/#".contains(c);
    (1..=CHARS).contains(&text.chars().count()) && !text.starts_with('-') && text.chars().all(letter)
}

/// The page's name for CUPS: its own where it has one, else `Custom.WxHmm` ("Command-Line Printing and Options" of CUPS).
fn media((width, height): (f64, f64)) -> String {
    // ISO 216; 8 1/2 × 11 in.
    let named = [("A4", 210.0, 297.0), ("Letter", 215.9, 279.4)];
    let same = |a: f64, b: f64| (a - b).abs() < SAME_MM;
    match named.iter().find(|(_, w, h)| same(*w, width) && same(*h, height)) {
        Some((name, ..)) => (*name).to_owned(),
        None => format!("Custom.{}x{}mm", mm(width), mm(height)),
    }
}

/// To the thousandth, without noughts at the end.
fn mm(length: f64) -> String {
    let text = format!("{length:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// What a command prints; what it complains of where it fails.
fn run(command: &str, args: &[&str], input: &[u8], most: Duration) -> Result<String, SpoolError> {
    let failed = |e: &std::io::Error| SpoolError::Failed(e.to_string());
    let mut child = Command::new(command)
        .args(args)
        .env("LC_ALL", "C")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|e| if e.kind() == ErrorKind::NotFound { SpoolError::NoCommand } else { failed(&e) })?;
    let (stdin, stdout, stderr) = (child.stdin.take(), child.stdout.take(), child.stderr.take());
    let until = Instant::now() + most;
    thread::scope(|scope| {
        scope.spawn(move || {
            // One that ends without reading to the end says itself why.
            let _ = stdin.map(|mut pipe| pipe.write_all(input));
        });
        let said = scope.spawn(move || read(stdout));
        let complained = scope.spawn(move || read(stderr));
        let status = loop {
            match child.try_wait() {
                Ok(Some(status)) => break status,
                Ok(None) if Instant::now() < until => thread::sleep(LOOK_EVERY),
                slow_or_lost => {
                    // Its pipes close with it, so that the threads end.
                    let _ = child.kill();
                    let _ = child.wait();
                    return Err(slow_or_lost.err().map_or(SpoolError::TooSlow, |e| failed(&e)));
                }
            }
        };
        let text = |thread: thread::ScopedJoinHandle<'_, String>| thread.join().unwrap_or_default();
        let (said, complained) = (text(said), text(complained));
        if status.success() {
            return Ok(said);
        }
        // "lp: Error - The printer or class does not exist."
        let line = complained.lines().map(str::trim).find(|l| !l.is_empty()).unwrap_or(command);
        let line = line.strip_prefix(&format!("{command}: ")).unwrap_or(line);
        let line = line.strip_prefix("Error - ").unwrap_or(line).trim_end_matches('.');
        Err(SpoolError::Failed(line.chars().filter(|c| !c.is_control()).take(CHARS).collect()))
    })
}

/// The beginning of what a command says; nobody has so many printers that it is not all.
fn read(pipe: Option<impl Read>) -> String {
    const MOST: u64 = 1 << 20;
    let mut bytes = Vec::new();
    let _ = pipe.map(|pipe| pipe.take(MOST).read_to_end(&mut bytes));
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pages_have_the_names_that_the_system_knows() {
        assert_eq!(media((210.0, 297.0)), "A4");
        assert_eq!(media((215.9, 279.4)), "Letter");
        assert_eq!(media((100.0, 50.0)), "Custom.100x50mm");
        assert_eq!(media((101.6, 152.4)), "Custom.101.6x152.4mm");
        assert_eq!(media((297.0, 210.0)), "Custom.297x210mm");
    }

    #[test]
    fn names_of_printers() {
        for good in ["shelf", "Zone-2_label.printer@office", "Büro"] {
            assert!(is_name(good), "{good}");
        }
        for bad in ["", "by the saw", "a/b", "a#b", "-d", "a\tb", "a\u{7}"] {
            assert!(!is_name(bad), "{bad}");
        }
    }

    #[test]
    fn a_command_that_is_not_there_is_said_and_one_that_hangs_is_ended() {
        assert_eq!(run("no-such-command-here", &[], &[], ASK_MOST), Err(SpoolError::NoCommand));
        #[cfg(unix)]
        {
            assert_eq!(run("cat", &[], b"labels", ASK_MOST), Ok("labels".to_owned()));
            assert_eq!(run("tail", &["-f", "/dev/null"], &[], Duration::ZERO), Err(SpoolError::TooSlow));
            let told = run("sh", &["-c", "echo 'sh: Error - out of paper.' >&2; exit 1"], &[1; 100_000], ASK_MOST);
            assert_eq!(told, Err(SpoolError::Failed("out of paper".to_owned())));
        }
    }
}
