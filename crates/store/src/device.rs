//! The device's own key and the highest number it has acknowledged. They lie beside the shop file, not in
//! it: where the two do not match, the file is a copy or a restored backup, and starts a new device.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use ed25519_dalek::{Signer, SigningKey, VerifyingKey};
use serde::{Deserialize, Serialize};
use sheetloft_ledger::event::Hash;
use uuid::Uuid;

use crate::error::StoreError;

/// A device, its secret key, and how far it has written.
#[derive(Clone, Serialize, Deserialize)]
pub struct DeviceKey {
    /// The device.
    pub device: Uuid,
    secret: String,
    /// The highest event number that this device has acknowledged.
    pub number: u64,
}

impl DeviceKey {
    /// A new device from its UUID and 32 random bytes.
    pub fn new(device: Uuid, seed: [u8; 32]) -> Self {
        Self { device, secret: hex(&seed), number: 0 }
    }

    fn signing_key(&self) -> Option<SigningKey> {
        Some(SigningKey::from_bytes(&Hash::from_hex(&self.secret)?.0))
    }

    /// The public key, 64 hexadecimal digits; empty where the key file is damaged.
    pub fn public_key(&self) -> String {
        self.signing_key().map_or_else(String::new, |key| hex(key.verifying_key().as_bytes()))
    }

    /// Ed25519 over an event's hash.
    pub fn seal(&self, hash: Hash) -> Option<[u8; 64]> {
        Some(self.signing_key()?.sign(&hash.0).to_bytes())
    }

    /// Where the key of a shop file lies.
    pub fn path(shop: &Path) -> PathBuf {
        let mut name = shop.as_os_str().to_owned();
        name.push(".device");
        PathBuf::from(name)
    }

    /// Reads the key beside a shop file; `None` where there is none or it is not readable as one.
    pub fn read(shop: &Path) -> Option<Self> {
        let key: Self = serde_json::from_slice(&fs::read(Self::path(shop)).ok()?).ok()?;
        key.signing_key().is_some().then_some(key)
    }

    /// Writes the key beside a shop file: temporary file, fsync, rename; readable by its owner only.
    pub fn write(&self, shop: &Path) -> Result<(), StoreError> {
        let path = Self::path(shop);
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let file_error = |source| StoreError::File { path: path.clone(), source };
        let mut file = tempfile::NamedTempFile::new_in(folder).map_err(file_error)?;
        file.write_all(&serde_json::to_vec(self)?).map_err(file_error)?;
        file.as_file().sync_all().map_err(file_error)?;
        file.persist(&path).map_err(|e| file_error(e.error))?;
        Ok(())
    }
}

/// A device's public key, as it stands in the event by which it began.
pub(crate) fn seal_key(public_key: &str) -> Option<VerifyingKey> {
    VerifyingKey::from_bytes(&Hash::from_hex(public_key)?.0).ok()
}

/// Whether a seal is a public key's signature over a hash.
pub(crate) fn seal_holds(key: &VerifyingKey, hash: Hash, signature: &[u8]) -> bool {
    let Ok(signature) = ed25519_dalek::Signature::from_slice(signature) else { return false };
    key.verify_strict(&hash.0, &signature).is_ok()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
