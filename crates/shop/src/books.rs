//! `check`, `digest`, `backup`, `restore`: the file and the books as a whole.

use std::path::{Path, PathBuf};

use sheetloft_store::{Store, StoreError, What};

use crate::action::{Backup, Check};
use crate::answer::{BackupAnswer, Books, CheckAnswer, DigestAnswer, Found, RestoreAnswer};
use crate::error::Error;
use crate::say;
use crate::say::Say;
use crate::shop::Shop;

/// How much is here and has no effect: what waits, what a newer program changed, and what copies of a device wrote under
/// one name until all of it counts again.
fn without_effect(shop: &Shop) -> Result<u64, Error> {
    let (waiting, frozen) = (shop.read().waiting()?, shop.read().frozen()?);
    Ok(frozen.waiting + frozen.open() + waiting.unknown)
}

/// Checks the file's integrity and every rule of the books; first, if wanted, adds the history up anew.
pub fn check(shop: &mut Shop, with: &Check) -> Result<CheckAnswer, Error> {
    if with.anew {
        if shop.store.is_read_only() {
            return Err(StoreError::ReadOnly.into());
        }
        shop.store.rebuild()?;
    }
    let findings = shop.store.check()?;
    let sums = shop.store.sums()?;
    let conflicts = shop.store.conflicts()?;
    let mends = findings.iter().any(|f| f.what == What::StateOff);
    let found: Vec<Found> =
        findings.into_iter().map(|f| Found { what: Say::new(f.key()).text(), r#where: f.place }).collect();
    Ok(CheckAnswer {
        ok: found.is_empty(),
        found,
        conflicts,
        waiting: usize::try_from(without_effect(shop)?).unwrap_or(usize::MAX),
        books: Books {
            received: shop.money(sums.received),
            on_hand: shop.money(sums.on_hand),
            charged: shop.money(sums.charged),
            written_off: shop.money(sums.written_off),
        },
        mends,
    })
}

/// One hash of the state that devices must agree on.
pub fn digest(shop: &Shop) -> Result<DigestAnswer, Error> {
    let complete = without_effect(shop)? == 0;
    Ok(DigestAnswer { digest: shop.store.digest()?, events: shop.read().events()?, complete })
}

fn path(text: &str) -> Result<PathBuf, Error> {
    match text.trim() {
        "" => Err(Error::bad(say!("error-needed")).at("file")),
        text => Ok(PathBuf::from(text)),
    }
}

/// Copies the shop file while it is open; refuses to overwrite.
pub fn backup(shop: &Shop, with: &Backup) -> Result<BackupAnswer, Error> {
    let to = path(&with.file)?;
    if let Some(folder) = to.parent().filter(|p| !p.as_os_str().is_empty() && !p.is_dir()) {
        return Err(Error::bad(say!("error-folder", folder = folder.display().to_string())).at("file"));
    }
    shop.store.backup(&to).map_err(|e| Error::from(e).at("file"))?;
    Ok(BackupAnswer { file: to.display().to_string() })
}

/// Puts a backup where the shop file is; what stood there is kept beside it and named.
pub fn restore(shop: &Path, file: &str) -> Result<RestoreAnswer, Error> {
    let from = path(file)?;
    let kept = Store::restore(&from, shop).map_err(|e| Error::from(e).at("file"))?;
    Ok(RestoreAnswer { file: shop.display().to_string(), kept: kept.map(|k| k.display().to_string()) })
}
