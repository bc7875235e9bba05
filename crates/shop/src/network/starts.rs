//! Starts that were made for other devices, until they have fetched them. They lie in files without a name beside the
//! shop file, so that nothing of them is left when the program ends, however it does.

use std::fs::File;
use std::io::{BufWriter, Read as _, Seek as _, SeekFrom, Write as _};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use sheetloft_sync::net::Fingerprint;
use sheetloft_sync::net::wire::{START_STEP, StartMade, Why};
use sheetloft_sync::start;
use uuid::Uuid;

use crate::replica::Local;

/// How long one is kept after its last bytes were fetched.
const KEPT: Duration = Duration::from_secs(600);
/// Most that are kept at once.
const MOST: usize = 4;

struct Made {
    id: Uuid,
    by: Fingerprint,
    file: File,
    bytes: u64,
    used: Instant,
}

/// Starts that were made and are not fetched yet.
#[derive(Default)]
pub struct Starts(Mutex<Vec<Made>>);

impl Starts {
    fn kept(&self) -> MutexGuard<'_, Vec<Made>> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|made| made.used.elapsed() < KEPT);
        kept
    }

    /// Makes one for a device, in the place of an earlier one.
    ///
    /// # Errors
    /// There is none to be made now, or too many are fetched at once.
    pub fn make(&self, id: Uuid, by: Fingerprint, local: &Local<'_>) -> Result<StartMade, Why> {
        {
            let mut kept = self.kept();
            kept.retain(|made| made.by != by);
            if kept.len() >= MOST {
                return Err(Why::Busy);
            }
        }
        let (file, bytes) = write(local).ok_or(Why::NoSuch)?;
        self.kept().push(Made { id, by, file, bytes, used: Instant::now() });
        Ok(StartMade { id, bytes })
    }

    /// The bytes of one from a place on, some of them; it is let go with the last ones.
    ///
    /// # Errors
    /// There is none of that name for this device.
    pub fn bytes(&self, id: Uuid, by: Fingerprint, from: u64) -> Result<Vec<u8>, Why> {
        let mut kept = self.kept();
        let at = kept.iter().position(|made| made.id == id && made.by == by).ok_or(Why::NoSuch)?;
        let made = &mut kept[at];
        made.used = Instant::now();
        let mut bytes = Vec::new();
        made.file.seek(SeekFrom::Start(from)).map_err(|_| Why::Fault)?;
        (&made.file).take(START_STEP).read_to_end(&mut bytes).map_err(|_| Why::Fault)?;
        if from.saturating_add(bytes.len() as u64) >= made.bytes {
            kept.swap_remove(at);
        }
        Ok(bytes)
    }
}

fn write(local: &Local<'_>) -> Option<(File, u64)> {
    let mut out = BufWriter::new(local.scratch().ok()?);
    start::write(local, &mut out).ok()?;
    out.flush().ok()?;
    let mut file = out.into_inner().ok()?;
    let bytes = file.stream_position().ok()?;
    Some((file, bytes))
}
