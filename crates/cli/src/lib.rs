//! The command line: parses into an action, hands it through the door, prints the answer.
//!
//! **Exit status**: 0 done; 1 the honest answer is no; 2 bad input; 3 refused by the shop's state; 70 a fault
//! of the program. With 0 or 1 the one document stands on standard output; with 2, 3 or 70 standard output is
//! empty and standard error has exactly one line.

mod args;
mod counting;
mod files;
mod interrupt;
mod labelling;
mod text;

pub use interrupt::Interrupt;

use std::ffi::OsString;
use std::io::Write;

use clap::error::ErrorKind;
use clap::{CommandFactory as _, FromArgMatches as _};
use sheetloft_shop::action::{Action, Answer};
use sheetloft_shop::door::{Door, Job};
use sheetloft_shop::error::{Error, Sort};
use sheetloft_shop::host::{Host, Machine, default_shop};
use sheetloft_shop::say;

use args::{Args, Out, What};
use interrupt::Listening;

/// The honest answer is no.
const NO: u8 = 1;
const BAD_INPUT: u8 = 2;
const REFUSED: u8 = 3;
const FAULT: u8 = 70;

/// What stands at the other end of standard error.
#[derive(Clone, Copy, Default, Debug)]
pub struct Console {
    /// It is a terminal, so progress may be shown there.
    pub terminal: bool,
    /// Set when a person presses Ctrl-C: long work then ends with the best that it has.
    pub interrupt: Option<&'static Interrupt>,
}

/// Runs the command line `args` (the first is the program's name) on the real machine and returns the exit status.
pub fn run(
    args: impl IntoIterator<Item = impl Into<OsString> + Clone>,
    out: &mut dyn Write,
    err: &mut dyn Write,
    console: Console,
) -> u8 {
    run_on(args, out, err, console, Box::new(Machine::default()))
}

/// The same on a given machine: its clock and its ids.
pub fn run_on(
    args: impl IntoIterator<Item = impl Into<OsString> + Clone>,
    out: &mut dyn Write,
    err: &mut dyn Write,
    console: Console,
    host: Box<dyn Host>,
) -> u8 {
    // A number below nothing is an argument that a use-case refuses with a reason, not an unknown option.
    let parsed = lenient(Args::command()).try_get_matches_from(args).and_then(|m| Args::from_arg_matches(&m));
    let args = match parsed {
        Ok(args) => args,
        Err(e) if matches!(e.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) => {
            let _ = write!(out, "{e}");
            return 0;
        }
        Err(e) => {
            let _ = writeln!(err, "{}", usage(&e));
            return BAD_INPUT;
        }
    };
    match act(args, out, err, console, host) {
        Ok((document, status)) => match out.write_all(document.as_bytes()).and_then(|()| out.flush()) {
            Ok(()) => status,
            // The reader went away; what was done is done.
            Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => status,
            Err(e) => fail(err, &Error::fault(say!("error-file", file = "-", why = e.to_string()))),
        },
        Err(error) => fail(err, &error),
    }
}

fn lenient(command: clap::Command) -> clap::Command {
    command.allow_negative_numbers(true).mut_subcommands(lenient)
}

fn fail(err: &mut dyn Write, error: &Error) -> u8 {
    let line = error.to_string().split_whitespace().collect::<Vec<_>>().join(" ");
    let line = match error.field {
        // What was given in one of several ways is no option by itself.
        Some("given") | None => line,
        Some(field) => format!("{line} [{}]", field.replace('_', "-")),
    };
    let _ = writeln!(err, "{line}");
    match error.sort {
        Sort::BadInput => BAD_INPUT,
        Sort::Refused => REFUSED,
        Sort::Fault => FAULT,
    }
}

/// A mistake of usage in one line: the parser's first sentence, and where to read on.
fn usage(error: &clap::Error) -> String {
    let text = error.to_string();
    let first: Vec<&str> = text
        .lines()
        .take_while(|l| !l.starts_with("Usage:") && !l.starts_with("For more"))
        .map(str::trim)
        // How to give a value that looks like an option helps nobody who mistyped one.
        .filter(|l| !l.is_empty() && !l.starts_with("tip: to pass "))
        .collect();
    let said = first.join(" ").replace(" tip: ", "; ");
    let said = said.strip_prefix("error: ").unwrap_or(&said);
    match error.kind() {
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => say!("cli-usage", said = say!("cli-no-command").text()),
        _ => say!("cli-usage", said = said),
    }
    .text()
}

fn act(
    args: Args,
    out: &mut dyn Write,
    err: &mut dyn Write,
    console: Console,
    host: Box<dyn Host>,
) -> Result<(String, u8), Error> {
    let shop = args.shop.clone().unwrap_or_else(default_shop);
    if let Some(folder) = shop.parent().filter(|p| !p.as_os_str().is_empty() && !p.is_dir())
        && args.shop.is_some()
    {
        return Err(Error::bad(say!("error-folder", folder = folder.display().to_string())));
    }
    let door = Door::with_host(shop, host);
    let (action, output) = match args.what()? {
        What::Serve { listen, share } => {
            let json = args.json;
            // Said at once, not at the end: a person opens the address while the server runs.
            let ready = |served: &sheetloft_web::Served| {
                let line = if json {
                    serde_json::json!({ "address": served.here, "share": served.share }).to_string()
                } else {
                    text::served(served.here.as_deref(), served.share.as_deref())
                };
                let _ = writeln!(out, "{line}").and_then(|()| out.flush());
            };
            let at = sheetloft_web::At { here: listen.as_deref(), share: share.as_deref() };
            return sheetloft_web::serve_blocking(std::sync::Arc::new(door), at, ready).map(|()| (String::new(), 0));
        }
        What::Act { action, output } => (action, output),
    };
    if let Out::File { path, .. } = &output {
        files::parent_exists(path)?;
    }
    let reply = with_progress(&door, &action, err, console)?;
    let status = status(&reply.answer);
    let document = match &output {
        Out::Print => print(&args, &reply.answer)?,
        Out::File { path, .. } => {
            files::write_answer(path, &reply.answer)?;
            match args.json {
                true => json(&files::without_data(&reply.answer, path)?)?,
                false => text::written(path, &reply.answer),
            }
        }
        Out::Raw if !args.json => files::content(&reply.answer)?,
        Out::Raw => json(&files::lines_as_document(&reply.answer)?)?,
    };
    Ok((document, status))
}

/// Does the action; where standard error is a terminal, shows how far long work is.
fn with_progress(
    door: &Door,
    action: &Action,
    err: &mut dyn Write,
    console: Console,
) -> Result<sheetloft_shop::door::Reply, Error> {
    let job = Job::default();
    let long = matches!(action, Action::Find(_) | Action::Plan(_) | Action::PlanChange(_));
    if !long || (!console.terminal && console.interrupt.is_none()) {
        return door.act(action, &job);
    }
    let working = console.interrupt.map(Interrupt::listen);
    let waiting = std::thread::current();
    std::thread::scope(|scope| {
        let work = scope.spawn(|| {
            let reply = door.act(action, &job);
            waiting.unpark();
            reply
        });
        let mut shown = String::new();
        while !work.is_finished() {
            std::thread::park_timeout(std::time::Duration::from_millis(200));
            if working.as_ref().is_some_and(Listening::heard) {
                job.cancel();
            }
            if !console.terminal {
                continue;
            }
            let (done, of) = job.progress();
            let line = match job.text() {
                said if !said.is_empty() => said,
                _ if of > 0 => say!("cli-progress", done = done, of = of).text(),
                _ => String::new(),
            };
            if line != shown {
                let _ = write!(err, "\r\x1b[K{line}");
                let _ = err.flush();
                shown = line;
            }
        }
        if !shown.is_empty() {
            let _ = write!(err, "\r\x1b[K");
        }
        work.join().unwrap_or_else(|_| Err(Error::fault(say!("error-panic"))))
    })
}

fn print(args: &Args, answer: &Answer) -> Result<String, Error> {
    match args.json {
        true => json(answer),
        false => Ok(text::answer(answer)),
    }
}

fn json(value: &impl serde::Serialize) -> Result<String, Error> {
    let fault = |e: serde_json::Error| Error::fault(say!("error-database", what = e.to_string()));
    Ok(serde_json::to_string(value).map_err(fault)? + "\n")
}

/// Whether the honest answer is no.
fn status(answer: &Answer) -> u8 {
    let no = match answer {
        Answer::Find(found) => found.queries.iter().any(|q| q.fits.is_empty()),
        Answer::Drawing(drawing) => drawing.parts.is_empty(),
        Answer::Plan(plan) | Answer::PlanChange(plan) => !plan.not_placed.is_empty(),
        Answer::PlanTry(tried) => !tried.ok,
        Answer::Check(check) => !check.ok,
        Answer::SyncStatus(a)
        | Answer::SyncNow(a)
        | Answer::SyncFolder(a)
        | Answer::SyncPair(a)
        | Answer::SyncHub(a)
        | Answer::SyncRevoke(a)
        | Answer::SyncShare(a)
        | Answer::SyncRename(a)
        | Answer::SyncRescue(a) => !a.problems.is_empty(),
        Answer::Scan(scan) => scan.kind == "unknown",
        Answer::ScanPhoto(photo) => photo.found.is_empty(),
        Answer::PrinterSystem(system) => system.printers.is_empty(),
        Answer::Pull(pull) => !["yes", "again", "none"].contains(&pull.verdict.as_str()),
        Answer::Identify(identify) => identify.pieces.is_empty(),
        _ => false,
    };
    if no { NO } else { 0 }
}
