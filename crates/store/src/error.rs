//! What can go wrong with a shop file.

use std::path::PathBuf;

use sheetloft_ledger::event::EventError;
use uuid::Uuid;

/// What can go wrong with a shop file.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum StoreError {
    #[error("{} does not exist", path.display())]
    Missing { path: PathBuf },
    #[error("{} exists already", path.display())]
    Exists { path: PathBuf },
    #[error("{} is not a shop file", path.display())]
    NotAShop { path: PathBuf },
    #[error("the shop file was written by a newer version of the program")]
    Newer,
    #[error("the disk is full")]
    DiskFull,
    #[error("the shop file is in use by another program")]
    Locked,
    /// Somebody else has the file open, and it would have to be ours alone.
    #[error("the file is open elsewhere")]
    OpenElsewhere,
    #[error("the shop file cannot be written")]
    ReadOnly,
    /// Another copy of this file went on writing under this device's name.
    #[error("another copy of this shop file writes under the same name")]
    Forked,
    /// Another device said that it is about to use a piece.
    #[error("device {device} is about to use piece {piece}")]
    Claimed { piece: Uuid, device: Uuid },
    #[error("the shop file is damaged: {what}")]
    Damaged { what: String },
    #[error("{}: {source}", path.display())]
    File { path: PathBuf, source: std::io::Error },
    #[error(transparent)]
    Event(#[from] EventError),
    #[error("the database refuses: {0}")]
    Database(rusqlite::Error),
}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        match error.sqlite_error_code() {
            Some(Code::DiskFull) => Self::DiskFull,
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => Self::Locked,
            Some(Code::ReadOnly | Code::CannotOpen | Code::PermissionDenied) => Self::ReadOnly,
            Some(Code::DatabaseCorrupt | Code::NotADatabase) => Self::Damaged { what: error.to_string() },
            _ => Self::Database(error),
        }
    }
}

impl From<serde_json::Error> for StoreError {
    fn from(error: serde_json::Error) -> Self {
        Self::Damaged { what: error.to_string() }
    }
}
