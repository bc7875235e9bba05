//! The rim: clock, randomness, new UUIDs, printers. Given to the use-cases, so that a test can replay them.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

pub use sheetloft_store::Ids;
use uuid::Uuid;

use crate::spool::{self, Spool};

/// Where the shop file lies unless said otherwise: `SHEETLOFT_SHOP`, else the platform's data folder.
pub fn default_shop() -> PathBuf {
    match std::env::var_os("SHEETLOFT_SHOP").filter(|p| !p.is_empty()) {
        Some(path) => PathBuf::from(path),
        None => {
            let folder = directories::ProjectDirs::from("", "", "sheetloft");
            folder.map_or_else(|| PathBuf::from("shop.db"), |f| f.data_dir().join("shop.db"))
        }
    }
}

/// Makes the platform's data folder where the shop file lies there; no other folder is ever made.
pub fn make_data_folder(shop: &Path) {
    if let Some(folder) = directories::ProjectDirs::from("", "", "sheetloft")
        && shop.parent() == Some(folder.data_dir())
    {
        // Where it cannot be made, making the file in it says why.
        let _ = std::fs::create_dir_all(folder.data_dir());
    }
}

/// What the use-cases need of the machine.
pub trait Host: Ids + Send {
    /// 32 random bytes for a device's key.
    fn secret(&mut self) -> [u8; 32];
    /// A number that grows with time, for durations, in ms.
    fn elapsed_ms(&self) -> f64;
    /// What prints; a machine without printers unless said otherwise.
    fn spool(&self) -> Arc<dyn Spool> {
        Arc::new(spool::Nothing)
    }
}

/// The real machine.
pub struct Machine {
    start: std::time::Instant,
}

impl Default for Machine {
    fn default() -> Self {
        Self { start: std::time::Instant::now() }
    }
}

impl Ids for Machine {
    fn uuid(&mut self) -> Uuid {
        Uuid::now_v7()
    }

    fn wall_ms(&mut self) -> u64 {
        SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| u64::try_from(d.as_millis()).unwrap_or(u64::MAX))
    }
}

impl Host for Machine {
    fn secret(&mut self) -> [u8; 32] {
        // Two random UUIDs hold 244 bits from the system's generator; hashed, so that fixed bits do not show.
        let bytes = [Uuid::new_v4().into_bytes(), Uuid::new_v4().into_bytes(), Uuid::new_v4().into_bytes()].concat();
        sheetloft_ledger::event::Hash::of(&bytes).0
    }

    fn elapsed_ms(&self) -> f64 {
        self.start.elapsed().as_secs_f64() * 1_000.0
    }

    fn spool(&self) -> Arc<dyn Spool> {
        Arc::new(spool::System)
    }
}

/// A replayable machine for tests and the demonstration: everything follows from the seed.
pub struct Replay {
    state: u64,
    wall_ms: u64,
}

impl Replay {
    /// A machine whose UUIDs follow from `seed` and whose clock starts at `wall_ms` and moves a minute a reading.
    pub fn new(seed: u64, wall_ms: u64) -> Self {
        Self { state: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1, wall_ms }
    }

    /// splitmix64 (Steele, Lea, Flood 2014).
    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
}

impl Ids for Replay {
    fn uuid(&mut self) -> Uuid {
        let (a, b) = (self.next(), self.next());
        let mut random = [0; 10];
        random[..8].copy_from_slice(&a.to_le_bytes());
        random[8..].copy_from_slice(&b.to_le_bytes()[..2]);
        uuid::Builder::from_unix_timestamp_millis(self.wall_ms, &random).into_uuid()
    }

    fn wall_ms(&mut self) -> u64 {
        self.wall_ms += 60_000;
        self.wall_ms
    }
}

impl Host for Replay {
    fn secret(&mut self) -> [u8; 32] {
        let mut secret = [0; 32];
        for chunk in secret.chunks_mut(8) {
            chunk.copy_from_slice(&self.next().to_le_bytes());
        }
        secret
    }

    fn elapsed_ms(&self) -> f64 {
        0.0
    }
}
