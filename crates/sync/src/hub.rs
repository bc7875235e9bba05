//! A PostgreSQL database as the hub of several sites: events as rows, nothing else.
//!
//! ```text
//! sheetloft.form  (version)                                        one row
//! sheetloft.event (shop, device, number, hash, bytes, seal)        one row an event, never changed
//! sheetloft.start (shop, device, events, part, bytes)              what a new device may begin with, in parts
//! ```
//! The hub is trusted with nothing but keeping: what comes of it is checked as from everybody (hash, chain, seal).
//! An event is inserted if it is not there; two events with one number stand side by side, so that a fork is seen.
//! What is there is worked out from the rows, as the unbroken run of each device's numbers: commits may become visible
//! out of order, so no serial and no highest number says anything.
//!
//! A device that only exchanges needs `USAGE` on the schema and `SELECT`, `INSERT` on the three tables; with `DELETE` on
//! `start` it also takes away what it left there earlier.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{self, Read, Seek as _, Write as _};
use std::time::Duration;

use postgres::config::{Host, SslMode};
use postgres::{Client, Config, NoTls, Row};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use sheetloft_ledger::event::Hash;
use sheetloft_ledger::exchange::{Have, Runs, Sealed};
use tokio_postgres_rustls::MakeRustlsConnect;
use uuid::Uuid;

use crate::batch::Head;
use crate::carrier::{Carrier, ExchangeError};
use crate::limits;
use crate::replica::Replica;
use crate::start;

/// The form of the tables that this program writes.
const VERSION: i32 = 2;
/// How long the server may take to answer a first time.
const REACH: Duration = Duration::from_secs(10);
/// Rows fetched at a time.
const ROWS: i64 = 2_000;

const FORM: &str = "
    CREATE SCHEMA IF NOT EXISTS sheetloft;
    CREATE TABLE IF NOT EXISTS sheetloft.form (version integer NOT NULL);
    INSERT INTO sheetloft.form SELECT 0 WHERE NOT EXISTS (SELECT FROM sheetloft.form);
";

/// Forward only; entry n leads from version n to n + 1.
const STEPS: [&str; 2] = [
    "
    CREATE TABLE sheetloft.event (
        shop   uuid   NOT NULL,
        device uuid   NOT NULL,
        number bigint NOT NULL CHECK (number > 0),
        hash   bytea  NOT NULL,
        bytes  bytea  NOT NULL,
        seal   bytea,
        PRIMARY KEY (shop, device, number, hash)
    );
",
    "
    CREATE TABLE sheetloft.start (
        shop   uuid    NOT NULL,
        device uuid    NOT NULL,
        events bigint  NOT NULL CHECK (events > 0),
        part   integer NOT NULL,
        bytes  bytea   NOT NULL,
        PRIMARY KEY (shop, device, events, part)
    );
",
];

/// Why a hub was of no use.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum HubError {
    #[error("this is no address of a PostgreSQL database")]
    Address,
    #[error("the certificate file cannot be read: {0}")]
    Certificate(String),
    #[error("{0}")]
    Database(String),
    #[error("the hub was set up by a newer program")]
    Newer,
    #[error("the hub has no place for a shop yet, and this role may not make one")]
    NotSetUp,
    /// A row is not what its columns say.
    #[error("the hub holds what is no event of its row")]
    Damaged,
}

impl From<postgres::Error> for HubError {
    fn from(error: postgres::Error) -> Self {
        // The database's own words where it has any; they name what it did not allow.
        Self::Database(error.as_db_error().map_or_else(|| error.to_string(), |e| e.message().to_owned()))
    }
}

/// Up to which event of each device a hub was looked through, without a gap or a fork.
pub type Checked = BTreeMap<Uuid, (u64, Hash)>;

/// A connection to a hub.
pub struct Hub {
    client: Client,
    /// What was looked through already; only what comes after it is looked at.
    checked: Checked,
}

/// An address, and what this program adds to it: the file with the certificates that the hub's is checked by.
fn parse(url: &str) -> Result<(Config, Option<String>), HubError> {
    let mut certificates = None;
    let (base, query) = url.split_once('?').unwrap_or((url, ""));
    let mut kept = Vec::new();
    for pair in query.split('&').filter(|p| !p.is_empty()) {
        match pair.split_once('=') {
            Some(("sslrootcert", file)) => certificates = Some(file.replace("%2F", "/").replace("%20", " ")),
            _ => kept.push(pair),
        }
    }
    let url = if kept.is_empty() { base.to_owned() } else { format!("{base}?{}", kept.join("&")) };
    if !base.starts_with("postgres://") && !base.starts_with("postgresql://") {
        return Err(HubError::Address);
    }
    let mut config: Config = url.parse().map_err(|_| HubError::Address)?;
    config.connect_timeout(REACH).application_name("sheetloft");
    // What leaves this machine is encrypted, and the other end is known, whatever the address says.
    let is_here = config.get_hosts().iter().all(|host| match host {
        Host::Tcp(name) => name == "localhost" || name.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback()),
        #[cfg(unix)]
        Host::Unix(_) => true,
    });
    if !is_here {
        config.ssl_mode(SslMode::Require);
    }
    Ok((config, certificates))
}

/// An address without what opens the door.
pub fn shown(url: &str) -> String {
    let (scheme, rest) = url.split_once("://").unwrap_or(("postgres", url));
    let (authority, path) = rest.split_once('/').map_or((rest, String::new()), |(a, p)| (a, format!("/{p}")));
    let host = authority.rsplit_once('@').map_or(authority, |(_, host)| host);
    format!("{scheme}://{host}{}", path.split('?').next().unwrap_or_default())
}

fn tls(certificates: Option<&str>) -> Result<MakeRustlsConnect, HubError> {
    let mut roots = rustls::RootCertStore::empty();
    match certificates {
        Some(file) => {
            let wrong = |e: rustls::pki_types::pem::Error| HubError::Certificate(e.to_string());
            for certificate in CertificateDer::pem_file_iter(file).map_err(wrong)? {
                let certificate = certificate.map_err(wrong)?;
                roots.add(certificate).map_err(|e| HubError::Certificate(e.to_string()))?;
            }
        }
        None => {
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        }
    }
    let provider = std::sync::Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| HubError::Certificate(e.to_string()))?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(MakeRustlsConnect::new(config))
}

impl Hub {
    /// Connects, and makes or updates the tables where that is needed and allowed.
    ///
    /// # Errors
    /// The hub cannot be reached, or is not what it has to be.
    pub fn connect(url: &str) -> Result<Self, HubError> {
        let (config, certificates) = parse(url)?;
        let client = match config.get_ssl_mode() {
            SslMode::Disable => config.connect(NoTls)?,
            _ => config.connect(tls(certificates.as_deref())?)?,
        };
        let mut hub = Self { client, checked: Checked::new() };
        hub.migrate()?;
        Ok(hub)
    }

    /// Relies on what was looked through at an earlier exchange: an exchange then costs what is new. What was lost or
    /// added below that is seen only where this is left out.
    pub fn rely_on(&mut self, checked: Checked) {
        self.checked = checked;
    }

    /// What has been looked through by now.
    pub fn checked(&self) -> &Checked {
        &self.checked
    }

    fn version(&mut self) -> Result<Option<i32>, HubError> {
        let there = self.client.query_one("SELECT to_regclass('sheetloft.form') IS NOT NULL", &[])?;
        if !there.get::<_, bool>(0) {
            return Ok(None);
        }
        Ok(self.client.query_opt("SELECT version FROM sheetloft.form", &[])?.map(|row| row.get(0)))
    }

    fn migrate(&mut self) -> Result<(), HubError> {
        match self.version()? {
            Some(VERSION) => return Ok(()),
            Some(newer) if newer > VERSION => return Err(HubError::Newer),
            _ => {}
        }
        let mut tx = self.client.transaction()?;
        // Two devices that come to an empty hub at once: one makes the tables, the other finds them.
        tx.execute("SELECT pg_advisory_xact_lock(5297846023)", &[])?;
        if tx.batch_execute(FORM).is_err() {
            return Err(HubError::NotSetUp);
        }
        let version: i32 = tx.query_one("SELECT version FROM sheetloft.form", &[])?.get(0);
        for step in STEPS.iter().skip(usize::try_from(version).unwrap_or(0)) {
            tx.batch_execute(step)?;
        }
        tx.execute("UPDATE sheetloft.form SET version = $1", &[&VERSION])?;
        Ok(tx.commit()?)
    }

    /// The shops that have left something there.
    pub fn shops(&mut self) -> Result<Vec<Uuid>, HubError> {
        // Jumps from one to the next along the key.
        let sql = "WITH RECURSIVE s(shop) AS (
                       (SELECT shop FROM sheetloft.event ORDER BY shop LIMIT 1)
                       UNION ALL
                       SELECT (SELECT e.shop FROM sheetloft.event e WHERE e.shop > s.shop ORDER BY e.shop LIMIT 1)
                       FROM s WHERE s.shop IS NOT NULL
                   ) SELECT shop FROM s WHERE shop IS NOT NULL";
        Ok(self.client.query(sql, &[])?.iter().map(|row| row.get(0)).collect())
    }

    /// The devices of which something is there.
    fn devices(&mut self, shop: Uuid) -> Result<Vec<Uuid>, HubError> {
        // Jumps from one to the next along the key.
        let sql = "WITH RECURSIVE d(device) AS (
                       (SELECT device FROM sheetloft.event WHERE shop = $1 ORDER BY device LIMIT 1)
                       UNION ALL
                       SELECT (SELECT e.device FROM sheetloft.event e WHERE e.shop = $1 AND e.device > d.device
                               ORDER BY e.device LIMIT 1)
                       FROM d WHERE d.device IS NOT NULL
                   ) SELECT device FROM d WHERE device IS NOT NULL";
        Ok(self.client.query(sql, &[&shop])?.iter().map(|row| row.get(0)).collect())
    }

    /// What is there of one device.
    fn have(&mut self, shop: Uuid, device: Uuid) -> Result<Have, HubError> {
        if let Some((number, hash)) = self.checked.get(&device).copied()
            && let Some(have) = have_after(number, hash, &self.from(shop, device, number)?)
        {
            return Ok(have);
        }
        let sql = "SELECT count(*), count(DISTINCT number), max(number) FROM sheetloft.event
                   WHERE shop = $1 AND device = $2";
        let row = self.client.query_one(sql, &[&shop, &device])?;
        let (rows, numbers) = (number(&row, 0), number(&row, 1));
        let highest = row.get::<_, Option<i64>>(2).and_then(|n| u64::try_from(n).ok()).unwrap_or(0);
        if rows == numbers && numbers == highest {
            let last = self.from(shop, device, highest)?.first().map(|(_, hash)| *hash);
            return Ok(Have { run: highest, last, forked: None });
        }
        Ok(have(&self.from(shop, device, 1)?))
    }

    /// Whether this role may do something with starts: one that was let in before there were any may not.
    fn may(&mut self, what: &str) -> Result<bool, HubError> {
        Ok(self.client.query_one("SELECT has_table_privilege('sheetloft.start', $1)", &[&what])?.get(0))
    }

    /// The starts that are there, the longest first: whose, and of how many events.
    fn starts(&mut self, shop: Uuid) -> Result<Vec<(Uuid, u64)>, HubError> {
        if !self.may("SELECT")? {
            return Ok(Vec::new());
        }
        let sql = "SELECT device, events FROM sheetloft.start WHERE shop = $1 AND part = 0 ORDER BY events DESC";
        Ok(self.client.query(sql, &[&shop])?.iter().map(|row| (row.get(0), number(row, 1))).collect())
    }

    /// Leaves a start where there is none of about what `replica` has, in the place of its device's earlier one. It is
    /// no more than a shorter way: where it cannot be made, all is as it was. `scratch` gives an empty file.
    ///
    /// # Errors
    /// The hub or the shop file cannot be read.
    pub fn leave_start<R: Replica>(
        &mut self,
        replica: &R,
        scratch: impl FnOnce() -> io::Result<File>,
    ) -> Result<(), ExchangeError<HubError, R::Error>> {
        if !self.may("INSERT").map_err(ExchangeError::Carrier)? {
            return Ok(());
        }
        let (shop, device) = (replica.shop(), replica.device());
        let before = self.starts(shop).map_err(ExchangeError::Carrier)?.first().map_or(0, |(_, events)| *events);
        let left = start::leave(replica, before, scratch).map_err(ExchangeError::Shop)?;
        let Some((events, mut file)) = left else { return Ok(()) };
        if file.rewind().is_err() {
            return Ok(());
        }
        // Another copy of the device may leave the very same at once.
        self.give_start(shop, device, events, &mut file)
            .or_else(|_| self.starts(shop).map(|_| ()))
            .map_err(ExchangeError::Carrier)
    }

    /// Leaves the parts of a start, all at once.
    fn give_start(&mut self, shop: Uuid, device: Uuid, events: u64, from: &mut File) -> Result<(), HubError> {
        let mut tx = self.client.transaction()?;
        let insert =
            tx.prepare("INSERT INTO sheetloft.start (shop, device, events, part, bytes) VALUES ($1, $2, $3, $4, $5)")?;
        for part in 0.. {
            let mut bytes = Vec::new();
            let read = Read::take(&mut *from, limits::BATCH_BYTES as u64).read_to_end(&mut bytes);
            read.map_err(|e| HubError::Database(e.to_string()))?;
            if bytes.is_empty() {
                break;
            }
            tx.execute(&insert, &[&shop, &device, &whole(events), &part, &bytes])?;
        }
        tx.commit()?;
        // Where it may not be taken away, it stays, and nobody reads it.
        let sql = "DELETE FROM sheetloft.start WHERE shop = $1 AND device = $2 AND events < $3";
        let _ = self.client.execute(sql, &[&shop, &device, &whole(events)]);
        Ok(())
    }

    /// What is there of one device from a number on: number and hash, in order.
    fn from(&mut self, shop: Uuid, device: Uuid, from: u64) -> Result<Vec<(u64, Hash)>, HubError> {
        let sql = "SELECT number, hash FROM sheetloft.event
                   WHERE shop = $1 AND device = $2 AND number >= $3 ORDER BY number, hash";
        let rows = self.client.query(sql, &[&shop, &device, &whole(from)])?;
        rows.iter().map(|row| Ok((number(row, 0), hash(row, 1)?))).collect()
    }
}

fn whole(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

fn number(row: &Row, at: usize) -> u64 {
    u64::try_from(row.get::<_, i64>(at)).unwrap_or(0)
}

fn hash(row: &Row, at: usize) -> Result<Hash, HubError> {
    Ok(Hash(row.get::<_, &[u8]>(at).try_into().map_err(|_| HubError::Damaged)?))
}

/// What a device has where everything up to `number` was looked through: `rows` begin with that one. None where they
/// do not, or where it is not so simple.
fn have_after(number: u64, hash: Hash, rows: &[(u64, Hash)]) -> Option<Have> {
    let (first, rest) = rows.split_first()?;
    let unbroken = rest.iter().zip(number + 1..).take_while(|((n, _), want)| n == want).count();
    // All that follows is in order, or there is a gap after which nothing has a number twice.
    let is_twice = rest.windows(2).any(|w| w[0].0 == w[1].0) || rest.first().is_some_and(|(n, _)| *n == number);
    if *first != (number, hash) || is_twice {
        return None;
    }
    let (run, last) = unbroken.checked_sub(1).and_then(|at| rest.get(at)).copied().unwrap_or((number, hash));
    Some(Have { run, last: Some(last), forked: None })
}

/// What numbers and hashes of one device come to.
fn have(rows: &[(u64, Hash)]) -> Have {
    let mut of: BTreeMap<u64, BTreeSet<Hash>> = BTreeMap::new();
    for (number, hash) in rows {
        of.entry(*number).or_default().insert(*hash);
    }
    let forked_at = of.iter().find(|(_, hashes)| hashes.len() > 1).map(|(number, _)| *number);
    let unbroken = (1..).take_while(|n| of.contains_key(n)).last().unwrap_or(0);
    let run = forked_at.map_or(unbroken, |at| unbroken.min(at - 1));
    let last = of.get(&run).and_then(|hashes| hashes.first().copied());
    let forked = forked_at.map(|at| {
        let after = of.range(at..).flat_map(|(_, hashes)| hashes.iter().flat_map(|h| h.0));
        Hash::of(&after.collect::<Vec<u8>>())
    });
    Have { run, last, forked }
}

impl Carrier for Hub {
    type Error = HubError;

    fn runs(&mut self, shop: Uuid, _: &Runs) -> Result<Runs, HubError> {
        let mut runs = Runs::new();
        for device in self.devices(shop)? {
            let have = self.have(shop, device)?;
            match have.last.filter(|_| have.forked.is_none()) {
                Some(last) => self.checked.insert(device, (have.run, last)),
                None => self.checked.remove(&device),
            };
            runs.insert(device, have);
        }
        self.checked.retain(|device, _| runs.contains_key(device));
        Ok(runs)
    }

    fn lacking(&mut self, shop: Uuid, mine: &Runs) -> Result<Vec<Sealed>, HubError> {
        let mut found = Vec::new();
        let mut bytes = 0;
        for (device, theirs) in self.runs(shop, mine)? {
            let own = mine.get(&device).copied().unwrap_or_default();
            // Another history under the same numbers: both sides of it are needed.
            let other = own.run > 0
                && own.run <= theirs.run
                && !self.from(shop, device, own.run)?.iter().any(|(n, h)| *n == own.run && Some(*h) == own.last);
            let mut after = match (theirs.forked, other) {
                (Some(_), _) if theirs.forked != own.forked => own.run.min(theirs.run),
                (None, true) => 0,
                (None, false) if own.run < theirs.run => own.run,
                _ => continue,
            };
            let sql = "SELECT number, hash, bytes, seal FROM sheetloft.event
                       WHERE shop = $1 AND device = $2 AND number > $3 ORDER BY number, hash LIMIT $4";
            loop {
                let rows = self.client.query(sql, &[&shop, &device, &whole(after), &ROWS])?;
                for row in &rows {
                    let event: Vec<u8> = row.get(2);
                    if Hash::of(&event) != hash(row, 1)? {
                        return Err(HubError::Damaged);
                    }
                    bytes += event.len();
                    after = number(row, 0);
                    let seal = row.get::<_, Option<&[u8]>>(3).and_then(|seal| seal.try_into().ok());
                    found.push(Sealed { bytes: event, seal });
                }
                let whole_action = found.last().is_some_and(|e| e.seal.is_some());
                if rows.len() < usize::try_from(ROWS).unwrap_or(0) || (bytes >= limits::BATCH_BYTES && whole_action) {
                    break;
                }
            }
            if bytes >= limits::BATCH_BYTES {
                break;
            }
        }
        Ok(found)
    }

    fn give(&mut self, shop: Uuid, events: Vec<Sealed>) -> Result<u64, HubError> {
        let mut tx = self.client.transaction()?;
        let insert = tx.prepare(
            "INSERT INTO sheetloft.event (shop, device, number, hash, bytes, seal) VALUES ($1, $2, $3, $4, $5, $6)
             ON CONFLICT DO NOTHING",
        )?;
        let mut new = 0;
        for event in events {
            let Some(head) = Head::of(&event) else { continue };
            let hash = Hash::of(&event.bytes);
            // What fills a gap, or is another history, is looked through with all that is there.
            if self.checked.get(&head.device).is_some_and(|(number, _)| head.number <= *number) {
                self.checked.remove(&head.device);
            }
            let seal = event.seal.as_ref().map(|seal| &seal[..]);
            new +=
                tx.execute(&insert, &[&shop, &head.device, &whole(head.number), &&hash.0[..], &event.bytes, &seal])?;
        }
        tx.commit()?;
        Ok(new)
    }

    fn start(&mut self, shop: Uuid, to: &mut File) -> Result<bool, HubError> {
        let Some((device, events)) = self.starts(shop)?.first().copied() else { return Ok(false) };
        let sql = "SELECT bytes FROM sheetloft.start WHERE shop = $1 AND device = $2 AND events = $3 AND part = $4";
        let mut written = 0;
        for part in 0_i32.. {
            let Some(row) = self.client.query_opt(sql, &[&shop, &device, &whole(events), &part])? else { break };
            let bytes: &[u8] = row.get(0);
            written += bytes.len() as u64;
            if written > limits::START_BYTES || to.write_all(bytes).is_err() {
                return Ok(false);
            }
        }
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_read_and_shown_without_the_password() {
        for wrong in ["", "mysql://a", "office", "postgres://h:port/db"] {
            assert!(matches!(parse(wrong), Err(HubError::Address)), "{wrong}");
        }
        let (config, certificates) =
            parse("postgres://u:p@db.example/shop?sslrootcert=/a%20b.pem&sslmode=disable").unwrap();
        assert_eq!(config.get_ssl_mode(), SslMode::Require, "what leaves this machine is encrypted");
        assert_eq!(certificates.as_deref(), Some("/a b.pem"));
        assert_eq!(parse("postgres://u@127.0.0.1/x?sslmode=disable").unwrap().0.get_ssl_mode(), SslMode::Disable);
        assert_eq!(shown("postgres://u:p@w@db.example:5433/shop?x=y"), "postgres://db.example:5433/shop");
        assert_eq!(shown("postgres://db.example/shop"), "postgres://db.example/shop");
    }

    #[test]
    fn what_comes_after_what_was_looked_through_comes_to_the_same_as_all_of_it() {
        let h = |n: u8| Hash([n; 32]);
        let all = [(1, h(1)), (2, h(2)), (3, h(3)), (5, h(5)), (6, h(6))];
        for to in 2..=all.len() {
            assert_eq!(have_after(2, h(2), &all[1..to]), Some(have(&all[..to])), "{to}");
        }
        assert_eq!(have_after(2, h(9), &all[1..]), None, "another event has that number");
        assert_eq!(have_after(2, h(2), &[]), None, "it is gone");
        assert_eq!(have_after(2, h(2), &[(2, h(2)), (2, h(9)), (3, h(3))]), None, "forked there");
        assert_eq!(have_after(2, h(2), &[(2, h(2)), (3, h(3)), (3, h(9))]), None, "forked later");
    }

    #[test]
    fn a_run_ends_before_a_gap_and_before_a_fork() {
        let h = |n: u8| Hash([n; 32]);
        assert_eq!(have(&[(1, h(1)), (2, h(2)), (4, h(4))]), Have { run: 2, last: Some(h(2)), forked: None });
        assert_eq!(have(&[(2, h(2))]), Have::default());
        let forked = have(&[(1, h(1)), (2, h(2)), (2, h(3)), (3, h(4))]);
        assert_eq!((forked.run, forked.last), (1, Some(h(1))));
        let all: Vec<u8> = [h(2), h(3), h(4)].iter().flat_map(|h| h.0).collect();
        assert_eq!(forked.forked, Some(Hash::of(&all)));
    }
}
