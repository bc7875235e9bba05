//! Reads PDF, and illustration files that carry one inside.
//!
//! `hayro-syntax` knows objects, pages and operators. It unpacks what it is given whatever comes of it, so the streams
//! that it unpacks by itself are looked through first (`guard`), and all others are unpacked here (`unpack`).

mod guard;
mod pages;
mod paint;
mod unpack;

use hayro_syntax::{DecryptionError, LoadPdfError, Pdf};

use crate::DrawingError;
use crate::sketch::Sketch;

/// Reads a file.
///
/// # Errors
/// Where it is no PDF, needs a password, or goes past a limit.
pub(crate) fn read(bytes: &[u8]) -> Result<Sketch, DrawingError> {
    // What stands before the header counts for nothing; offsets are from there.
    let start = bytes.windows(5).take(4096).position(|w| w == b"%PDF-").unwrap_or(0);
    let bytes = &bytes[start..];
    guard::look(bytes)?;
    let pdf = Pdf::new(bytes.to_vec()).map_err(|e| match e {
        LoadPdfError::Decryption(DecryptionError::PasswordProtected) => DrawingError::Locked,
        LoadPdfError::Decryption(_) => DrawingError::Locked,
        LoadPdfError::Invalid => DrawingError::Unreadable { why: "its pages are not found; it is damaged".to_owned() },
    })?;
    let sketch = pages::sketch(&pdf)?;
    if sketch.strokes.is_empty() && has(bytes, b"saved without PDF Content") {
        return Err(DrawingError::NoPdfInside);
    }
    Ok(sketch)
}

fn has(bytes: &[u8], word: &[u8]) -> bool {
    bytes.windows(word.len()).any(|w| w == word)
}
