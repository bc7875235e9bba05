//! What a device shows on the network: a key and a certificate made on first use, kept beside the shop file.

use std::fmt;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use sha2::{Digest as _, Sha256};
use sheetloft_ledger::event::Hash;
use uuid::Uuid;

/// SHA-256 of a certificate: by it one device knows another.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Fingerprint(pub [u8; 32]);

impl Fingerprint {
    /// Of a certificate's bytes.
    pub fn of(certificate: &[u8]) -> Self {
        Self(Sha256::digest(certificate).into())
    }

    /// Reads 64 hexadecimal digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        Hash::from_hex(text).map(|h| Self(h.0))
    }

    /// As people compare it: the first sixteen digits in groups of four.
    pub fn short(self) -> String {
        let text = self.to_string().to_uppercase();
        [&text[..4], &text[4..8], &text[8..12], &text[12..16]].join(" ")
    }
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", Hash(self.0))
    }
}

impl fmt::Debug for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self:.8}")
    }
}

impl Serialize for Fingerprint {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Fingerprint {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        Self::from_hex(&text).ok_or_else(|| D::Error::custom("a fingerprint is 64 hexadecimal digits"))
    }
}

/// Why a device has nothing to show.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum IdentityError {
    #[error("{}: {source}", path.display())]
    File { path: PathBuf, source: std::io::Error },
    #[error("a key cannot be made: {0}")]
    Key(String),
}

/// A device's key and certificate on the network.
#[derive(Clone)]
pub struct Identity {
    /// The certificate, DER.
    pub certificate: Vec<u8>,
    /// Its private key, PKCS #8 DER.
    pub key: Vec<u8>,
}

/// The file's form. The device's UUID is in it, so that a copy that became another device shows something of its own.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    device: Uuid,
    certificate: String,
    key: String,
}

impl Identity {
    /// Makes a new one: ECDSA over P-256, what every browser reads.
    pub fn make() -> Result<Self, IdentityError> {
        let fault = |e: rcgen::Error| IdentityError::Key(e.to_string());
        let mut parameters = rcgen::CertificateParams::new(vec!["sheetloft.local".to_owned()]).map_err(fault)?;
        parameters.distinguished_name.push(rcgen::DnType::CommonName, "Sheetloft");
        let key = rcgen::KeyPair::generate().map_err(fault)?;
        let certificate = parameters.self_signed(&key).map_err(fault)?;
        Ok(Self { certificate: certificate.der().to_vec(), key: key.serialize_der() })
    }

    /// Where that of a shop file lies: beside it, not in it.
    pub fn path(shop: &Path) -> PathBuf {
        let mut name = shop.as_os_str().to_owned();
        name.push(".network");
        PathBuf::from(name)
    }

    /// That of the device that writes in the shop file at `shop`, made where there is none yet.
    pub fn of(shop: &Path, device: Uuid) -> Result<Self, IdentityError> {
        let path = Self::path(shop);
        if let Some(found) = fs::read(&path).ok().and_then(|bytes| Self::read(&bytes, device)) {
            return Ok(found);
        }
        let made = Self::make()?;
        made.write(&path, device).map_err(|source| IdentityError::File { path, source })?;
        Ok(made)
    }

    fn read(bytes: &[u8], device: Uuid) -> Option<Self> {
        let kept: Kept = serde_json::from_slice(bytes).ok()?;
        let read = Self { certificate: STANDARD.decode(kept.certificate).ok()?, key: STANDARD.decode(kept.key).ok()? };
        (kept.device == device && super::tls::is_usable(&read)).then_some(read)
    }

    /// Temporary file, fsync, rename; readable by its owner only.
    fn write(&self, path: &Path, device: Uuid) -> std::io::Result<()> {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
        let kept = Kept { device, certificate: STANDARD.encode(&self.certificate), key: STANDARD.encode(&self.key) };
        file.write_all(&serde_json::to_vec(&kept)?)?;
        file.as_file().sync_all()?;
        file.persist(path).map_err(|e| e.error)?;
        Ok(())
    }

    /// What others know it by.
    pub fn fingerprint(&self) -> Fingerprint {
        Fingerprint::of(&self.certificate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn made_once_and_anew_for_another_device_or_after_damage() {
        let folder = tempfile::tempdir().unwrap();
        let shop = folder.path().join("shop.db");
        let (a, b) = (Uuid::from_u128(1), Uuid::from_u128(2));
        let first = Identity::of(&shop, a).unwrap();
        assert_eq!(Identity::of(&shop, a).unwrap().fingerprint(), first.fingerprint());
        let other = Identity::of(&shop, b).unwrap();
        assert_ne!(other.fingerprint(), first.fingerprint());
        fs::write(Identity::path(&shop), b"{}").unwrap();
        assert_ne!(Identity::of(&shop, b).unwrap().fingerprint(), other.fingerprint());
    }

    #[test]
    fn fingerprints_read_and_write() {
        let print = Fingerprint([0xab; 32]);
        assert_eq!(Fingerprint::from_hex(&print.to_string()), Some(print));
        assert_eq!(print.short(), "ABAB ABAB ABAB ABAB");
        assert_eq!(Fingerprint::from_hex("ab"), None);
    }
}
