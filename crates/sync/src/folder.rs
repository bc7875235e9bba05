//! A folder, or a USB stick: devices leave files in it for each other, through whatever copies the folder about.
//!
//! ```text
//! DIR/sheetloft-<shop>/<device>/<number>-<hash>.events      one batch each
//! DIR/sheetloft-<shop>/<device>/<events>.start              what a new device may begin with
//! ```
//! Each device writes in a folder of its own, each file once: a temporary file, synced, then renamed. Nobody changes
//! or deletes another's files. A file counts only as it is read back, hash and all; so whatever became of a file is
//! written anew by the next device that still has its events. What was read and looks the same since is not read at each
//! exchange, but in turns (`seen`).

use std::fs;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use sheetloft_ledger::event::Hash;
use sheetloft_ledger::exchange::{Have, Refused, Runs, Sealed};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

use crate::batch::{self, BatchError, Head, Range};
use crate::limits;
use crate::replica::{Problem, Replica, Report};
use crate::seen::Seen;
use crate::start::{self, Head as StartHead};

const SHOP: &str = "sheetloft-";
const ENDING: &str = ".events";
const START: &str = ".start";
/// Times that everything is read again because something new made more of it readable.
const PASSES: usize = 50;

/// Why nothing was exchanged.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum FolderError<E> {
    #[error("{} is not a folder", path.display())]
    NotAFolder { path: PathBuf },
    #[error("{} has another shop in it", path.display())]
    OtherShop { path: PathBuf },
    #[error("{}: {source}", path.display())]
    File { path: PathBuf, source: std::io::Error },
    #[error("the shop file")]
    Shop(E),
}

/// The shops that have left something in a folder.
pub fn shops(dir: &Path) -> Result<Vec<Uuid>, FolderError<std::convert::Infallible>> {
    shops_in(dir)
}

fn shops_in<E>(dir: &Path) -> Result<Vec<Uuid>, FolderError<E>> {
    if !dir.is_dir() {
        return Err(FolderError::NotAFolder { path: dir.to_owned() });
    }
    let names = entries(dir).map_err(|source| FolderError::File { path: dir.to_owned(), source })?;
    let mut found: Vec<Uuid> =
        names.iter().filter(|(_, is_dir)| *is_dir).filter_map(|(name, _)| id(name.strip_prefix(SHOP)?)).collect();
    found.sort();
    Ok(found)
}

/// A UUID, written in exactly the one way in which this program writes it: no other name is followed.
fn id(text: &str) -> Option<Uuid> {
    Uuid::try_parse(text).ok().filter(|id| id.hyphenated().to_string() == text)
}

/// The plain files and real folders in a folder, by name; links are not followed.
fn entries(dir: &Path) -> std::io::Result<Vec<(String, bool)>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir)?.take(limits::EXCHANGE_FILES) {
        let entry = entry?;
        let kind = entry.file_type()?;
        if (kind.is_dir() || kind.is_file())
            && let Ok(name) = entry.file_name().into_string()
        {
            found.push((name, kind.is_dir()));
        }
    }
    found.sort();
    Ok(found)
}

/// Exchanges with whoever uses the folder: takes in what they left, leaves what none of them has.
pub fn exchange<R: Replica>(dir: &Path, replica: &mut R) -> Result<Report, FolderError<R::Error>> {
    let shops = shops_in(dir)?;
    let home = dir.join(format!("{SHOP}{}", replica.shop().hyphenated()));
    if !shops.contains(&replica.shop()) {
        if !shops.is_empty() {
            return Err(FolderError::OtherShop { path: dir.to_owned() });
        }
        make(&home)?;
    }
    let mut report = Report::default();
    let there = read_all(&home, replica, &mut report)?;
    write_lacking(&home, replica, there, &mut report)?;
    leave_start(&home, replica)?;
    Ok(report)
}

/// Begins a replica in which nothing is yet with what a folder has of a shop, and leaves nothing there.
pub fn begin<R: Replica>(dir: &Path, replica: &mut R) -> Result<Report, FolderError<R::Error>> {
    let home = dir.join(format!("{SHOP}{}", replica.shop().hyphenated()));
    let mut report = Report::default();
    let mut problems = Vec::new();
    for (path, head) in starts(&home, replica) {
        let file = fs::File::open(&path).ok().filter(|_| head.is_some());
        match file.map(|file| start::begin(file, replica)).transpose().map_err(FolderError::Shop)?.flatten() {
            Some(events) => {
                report.received = events;
                break;
            }
            None => problems.push(Problem::Damaged { file: path }),
        }
    }
    read_all(&home, replica, &mut report)?;
    report.problems.extend(problems);
    Ok(report)
}

/// The starts in a folder that can be of use here, the longest first; and those that do not say what they are of.
fn starts<R: Replica>(home: &Path, replica: &R) -> Vec<(PathBuf, Option<StartHead>)> {
    let is_of_use = |head: &StartHead| head.shop == replica.shop() && head.form == replica.form();
    // Whatever is wrong with a folder is said where its events are read.
    let mut found: Vec<_> = files(home, START, &mut Vec::new())
        .into_iter()
        .map(|path| (fs::File::open(&path).ok().and_then(start::read_head), path))
        .filter(|(head, _)| head.as_ref().is_none_or(is_of_use))
        .map(|(head, path)| (path, head))
        .collect();
    found.sort_by_key(|(_, head)| std::cmp::Reverse(head.map_or(0, |h| h.events)));
    found
}

/// Leaves a start where there is none of about what is here, in the place of this device's earlier one. It is no more
/// than a shorter way: where it cannot be left, all is as it was.
fn leave_start<R: Replica>(home: &Path, replica: &R) -> Result<(), FolderError<R::Error>> {
    let before = starts(home, replica).first().and_then(|(_, head)| *head).map_or(0, |head| head.events);
    let folder = home.join(replica.device().hyphenated().to_string());
    let part = || {
        fs::create_dir_all(&folder)?;
        tempfile::Builder::new().prefix(".part-").tempfile_in(&folder)
    };
    let left = start::leave(replica, before, part).map_err(FolderError::Shop)?;
    let Some((events, file)) = left else { return Ok(()) };
    let name = format!("{events:010}{START}");
    let is_written = file.as_file().sync_all().is_ok();
    if is_written && file.persist(folder.join(&name)).is_ok() {
        for (earlier, _) in entries(&folder).unwrap_or_default() {
            if earlier.ends_with(START) && earlier != name {
                let _ = fs::remove_file(folder.join(earlier));
            }
        }
    }
    Ok(())
}

fn make<E>(folder: &Path) -> Result<(), FolderError<E>> {
    match fs::create_dir(folder) {
        Err(source) if source.kind() != std::io::ErrorKind::AlreadyExists => {
            Err(FolderError::File { path: folder.to_owned(), source })
        }
        _ => Ok(()),
    }
}

/// Every file of devices with this ending, in the order of their names.
fn files(home: &Path, ending: &str, problems: &mut Vec<Problem>) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut list = |folder: &Path| match entries(folder) {
        Ok(names) => names,
        Err(e) => {
            problems.push(Problem::NotRead { file: folder.to_owned(), why: e.to_string() });
            Vec::new()
        }
    };
    for (writer, is_dir) in list(home) {
        if !is_dir || id(&writer).is_none() {
            continue;
        }
        let folder = home.join(&writer);
        for (name, is_dir) in list(&folder) {
            // Others, such as a syncer's temporary files, are not ours to judge.
            if !is_dir && name.ends_with(ending) && !name.starts_with('.') {
                found.push(folder.join(name));
            }
        }
    }
    found
}

fn read_file(file: &Path) -> Result<Vec<Sealed>, Problem> {
    let not_read = |e: std::io::Error| Problem::NotRead { file: file.to_owned(), why: e.to_string() };
    let mut bytes = Vec::new();
    let most = limits::BATCH_BYTES_TAKEN as u64 + 1;
    fs::File::open(file).map_err(not_read)?.take(most).read_to_end(&mut bytes).map_err(not_read)?;
    batch::read(&bytes).map_err(|e| match e {
        BatchError::Newer => Problem::Newer { file: file.to_owned() },
        BatchError::Damaged | BatchError::TooLarge => Problem::Damaged { file: file.to_owned() },
    })
}

/// What the folder has: rows of events, and the events of forked devices one by one.
#[derive(Default)]
struct There {
    ranges: Vec<Range>,
    files: BTreeMap<PathBuf, Vec<Range>>,
}

/// Looks at every file and takes in what is new, again as long as something new makes more of it readable.
fn read_all<R: Replica>(home: &Path, replica: &mut R, report: &mut Report) -> Result<There, FolderError<R::Error>> {
    let mut there = There::default();
    let mut seen = Seen::open(replica).map_err(FolderError::Shop)?;
    for _ in 0..PASSES {
        let mut problems = Vec::new();
        let mut refused: Vec<Refused> = Vec::new();
        let mut new = 0;
        let mut runs = replica.runs().map_err(FolderError::Shop)?;
        there = There::default();
        for file in files(home, ENDING, &mut problems) {
            let before = match seen.look(&file) {
                Ok(ranges) if all_here(&ranges, &runs, replica).map_err(FolderError::Shop)? => {
                    there.ranges.extend(&ranges);
                    there.files.insert(file, ranges);
                    continue;
                }
                Ok(_) => Seen::look_again(&file),
                Err(before) => before,
            };
            report.files_read += 1;
            let events = match read_file(&file) {
                Ok(events) => events,
                Err(problem) => {
                    problems.push(problem);
                    seen.forget(before);
                    continue;
                }
            };
            let ranges = batch::ranges(&events);
            let says_nothing = ranges.is_empty() && !events.is_empty();
            match says_nothing {
                true => seen.forget(before),
                false => seen.learn(before, &ranges, SystemTime::now()),
            }
            if says_nothing || !all_here(&ranges, &runs, replica).map_err(FolderError::Shop)? {
                let taken = replica.take_in(events).map_err(FolderError::Shop)?;
                new += taken.new;
                refused.extend(taken.refused);
                runs = replica.runs().map_err(FolderError::Shop)?;
            }
            there.ranges.extend(&ranges);
            there.files.insert(file, ranges);
        }
        refused.sort_by_key(|r| (r.device, r.number));
        refused.dedup();
        problems.extend(refused.into_iter().map(Problem::Refused));
        report.received += new;
        report.problems = problems;
        if new == 0 {
            break;
        }
    }
    seen.keep(replica).map_err(FolderError::Shop)?;
    Ok(there)
}

/// Whether all of these events are here already.
fn all_here<R: Replica>(ranges: &[Range], runs: &Runs, replica: &R) -> Result<bool, R::Error> {
    for range in ranges {
        let have = runs.get(&range.device).copied().unwrap_or_default();
        if have.forked.is_some() || have.run < range.to || !replica.has(range.last)? {
            return Ok(false);
        }
    }
    Ok(true)
}

/// What the folder has of what is here, by device.
fn runs_there<R: Replica>(there: &There, replica: &R) -> Result<Runs, R::Error> {
    let mut runs = Runs::new();
    for (device, have) in replica.runs()? {
        // A row counts where it leads up to an event that is here, so that it holds the same events.
        let mut rows: Vec<(u64, u64)> = Vec::new();
        for range in there.ranges.iter().filter(|r| r.device == device) {
            let to = range.to.min(have.run);
            let same = match range.to <= have.run {
                true => replica.hash_at(device, to)? == Some(range.last),
                false => replica.has(range.last)?,
            };
            if same && range.from <= to {
                rows.push((range.from, to));
            }
        }
        rows.sort_unstable();
        let mut run = 0;
        for (from, to) in rows {
            if from <= run + 1 {
                run = run.max(to);
            }
        }
        let forked = have.forked.map(|_| forked_there(there, device, have));
        let last = if run > 0 { replica.hash_at(device, run)? } else { None };
        runs.insert(device, Have { run, last, forked });
    }
    Ok(runs)
}

/// Which events of a forked device the folder has, said in the way in which a shop file says it.
fn forked_there(there: &There, device: Uuid, have: Have) -> Hash {
    let mut all: BTreeSet<(u64, Hash)> = BTreeSet::new();
    let of_device = |ranges: &[Range]| ranges.iter().any(|r| r.device == device && r.to > have.run);
    for (file, _) in there.files.iter().filter(|(_, ranges)| of_device(ranges)) {
        for event in read_file(file).unwrap_or_default() {
            if let Some(head) = Head::of(&event).filter(|h| h.device == device && h.number > have.run) {
                all.insert((head.number, Hash::of(&event.bytes)));
            }
        }
    }
    Hash::of(&all.into_iter().flat_map(|(_, hash)| hash.0).collect::<Vec<_>>())
}

/// Leaves in the folder what nobody has left there yet.
fn write_lacking<R: Replica>(
    home: &Path,
    replica: &mut R,
    mut there: There,
    report: &mut Report,
) -> Result<(), FolderError<R::Error>> {
    let folder = home.join(replica.device().hyphenated().to_string());
    let mut before = None;
    loop {
        let theirs = runs_there(&there, replica).map_err(FolderError::Shop)?;
        let events = replica.lacking(&theirs, limits::BATCH_BYTES).map_err(FolderError::Shop)?;
        // Nothing left, or what was left last made no difference: more of it would not either.
        if events.is_empty() || before.as_ref() == Some(&theirs) {
            return Ok(());
        }
        before = Some(theirs);
        make(&folder)?;
        let file = write_file(&folder, &batch::write(&events))
            .map_err(|source| FolderError::File { path: folder.clone(), source })?;
        report.sent += events.len() as u64;
        let ranges = batch::ranges(&events);
        there.ranges.extend(&ranges);
        there.files.insert(file, ranges);
    }
}

/// Writes a batch under a name that nobody has used: its number in the folder, and what it holds.
fn write_file(folder: &Path, bytes: &[u8]) -> std::io::Result<PathBuf> {
    let highest = entries(folder)?.iter().filter_map(|(name, _)| name.get(..8)?.parse::<u64>().ok()).max().unwrap_or(0);
    let hash = Hash::of(bytes).to_string();
    let path = folder.join(format!("{:08}-{}{ENDING}", highest + 1, &hash[..8]));
    let mut file = tempfile::Builder::new().prefix(".part-").tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    match file.persist_noclobber(&path) {
        Ok(_) => {}
        // The very same batch, left by a copy of this device.
        Err(e) if e.error.kind() == std::io::ErrorKind::AlreadyExists => {}
        Err(e) => return Err(e.error),
    }
    // The name itself has to be on the disk too; not every system can be asked for that.
    if let Ok(folder) = fs::File::open(folder) {
        let _ = folder.sync_all();
    }
    Ok(path)
}
