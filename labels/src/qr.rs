//! The code: a QR symbol (ISO/IEC 18004) at level M, in alphanumeric mode so that it stays small.

use qrcode::bits::Bits;
use qrcode::{Color, EcLevel, QrCode, Version};
use sheetloft_shapes::limits::LABEL_PAYLOAD_CHARS;

/// Width of the light rim that the symbol needs on all sides, in modules (ISO/IEC 18004).
pub const QUIET_MODULES: u32 = 4;
/// Least width of a module for scanners at arm's length, mm (GS1 General Specifications).
pub const MODULE_MM_MIN: f64 = 0.396;
/// Greatest width of a module for scanners at arm's length, mm (GS1 General Specifications).
pub const MODULE_MM_MAX: f64 = 0.990;

/// Why a text cannot be the content of a code.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum PayloadError {
    #[error("its code has no content")]
    Empty,
    #[error("the content of its code has {chars} characters, {LABEL_PAYLOAD_CHARS} are the most")]
    TooLong { chars: usize },
    #[error("'{found}' cannot be in the content of its code: only digits, capital letters, space and $%*+-./: can")]
    Character { found: char },
}

/// A symbol: which modules are dark.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Qr {
    side: u32,
    dark: Vec<bool>,
}

impl Qr {
    /// The smallest symbol at level M that holds `payload`, in alphanumeric mode.
    ///
    /// # Errors
    /// [`PayloadError`] where `payload` is empty, too long, or has other characters than that mode knows.
    pub fn new(payload: &str) -> Result<Self, PayloadError> {
        if payload.is_empty() {
            return Err(PayloadError::Empty);
        }
        let chars = payload.chars().count();
        let too_long = PayloadError::TooLong { chars };
        if chars > LABEL_PAYLOAD_CHARS {
            return Err(too_long);
        }
        if let Some(found) = payload.chars().find(|&c| !is_alphanumeric(c)) {
            return Err(PayloadError::Character { found });
        }
        (1..=40).find_map(|version| symbol(payload, Version::Normal(version), EcLevel::M)).ok_or(too_long)
    }

    /// Modules along one side, without the quiet zone.
    pub fn side(&self) -> u32 {
        self.side
    }

    /// Modules along one side, with the quiet zone.
    pub fn side_with_quiet(&self) -> u32 {
        self.side + 2 * QUIET_MODULES
    }

    /// The symbol with its light rim as a picture: one unit a module, dark on light whatever stands around it.
    pub fn svg(&self) -> String {
        let side = self.side_with_quiet();
        let dark: String = self
            .dark_runs()
            .into_iter()
            .map(|(column, row, length)| {
                format!("M{} {}h{length}v1h-{length}z", column + QUIET_MODULES, row + QUIET_MODULES)
            })
            .collect();
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\">\
             <path fill=\"#fff\" d=\"M0 0h{side}v{side}H0z\"/><path fill=\"#000\" d=\"{dark}\"/></svg>"
        )
    }

    /// The runs of dark modules along the rows: `(column, row, length)`.
    pub fn dark_runs(&self) -> Vec<(u32, u32, u32)> {
        let mut runs = Vec::new();
        for (row, modules) in (0..).zip(self.dark.chunks(self.side as usize)) {
            let mut column = 0;
            for run in modules.chunk_by(|a, b| a == b) {
                let length = run.len() as u32;
                if run[0] {
                    runs.push((column, row, length));
                }
                column += length;
            }
        }
        runs
    }
}

/// The characters of alphanumeric mode (ISO/IEC 18004, table of values 0 to 44).
fn is_alphanumeric(c: char) -> bool {
    c.is_ascii_digit() || c.is_ascii_uppercase() || " $%*+-./:".contains(c)
}

/// The symbol of that very version and level, or `None` where `payload` does not go in.
fn symbol(payload: &str, version: Version, level: EcLevel) -> Option<Qr> {
    let mut bits = Bits::new(version);
    bits.push_alphanumeric_data(payload.as_bytes()).ok()?;
    bits.push_terminator(level).ok()?;
    let code = QrCode::with_bits(bits, level).ok()?;
    Some(Qr {
        side: u32::try_from(code.width()).ok()?,
        dark: code.into_colors().into_iter().map(|c| c == Color::Dark).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use qrcode::ec::construct_codewords;

    /// Data and error correction codewords of `push`ed content.
    fn codewords(
        version: i16,
        level: EcLevel,
        push: impl FnOnce(&mut Bits) -> qrcode::QrResult<()>,
    ) -> (Vec<u8>, Vec<u8>) {
        let version = Version::Normal(version);
        let mut bits = Bits::new(version);
        push(&mut bits).unwrap();
        bits.push_terminator(level).unwrap();
        construct_codewords(&bits.into_bytes(), version, level).unwrap()
    }

    #[test]
    fn codewords_of_the_worked_example() {
        // ISO/IEC 18004, the worked example "01234567", symbol 1-M: numeric mode (read from memory,
        // recomputed).
        let (data, correction) = codewords(1, EcLevel::M, |b| b.push_numeric_data(b"01234567"));
        assert_eq!(data, [16, 32, 12, 86, 97, 128, 236, 17, 236, 17, 236, 17, 236, 17, 236, 17]);
        assert_eq!(correction, [165, 36, 212, 193, 237, 54, 199, 135, 44, 85]);
    }

    #[test]
    fn codewords_of_the_tutorial() {
        // "HELLO WORLD", symbol 1-Q: alphanumeric mode, as in a published tutorial on QR codes (recomputed).
        let (data, correction) = codewords(1, EcLevel::Q, |b| b.push_alphanumeric_data(b"HELLO WORLD"));
        assert_eq!(data, [32, 91, 11, 120, 209, 114, 220, 77, 67, 64, 236, 17, 236]);
        assert_eq!(correction, [168, 72, 22, 82, 217, 54, 156, 0, 46, 15, 180, 122, 16]);
    }

    #[test]
    fn smallest_version_by_the_capacity_table() {
        // Alphanumeric capacity at level M: version 1 20, 2 38, 3 61 (ISO/IEC 18004, from memory). A symbol
        // of version v has 17 + 4v modules along its side (ISO/IEC 18004).
        for (chars, version) in [(1, 1), (20, 1), (21, 2), (38, 2), (39, 3), (61, 3), (62, 4)] {
            let qr = Qr::new(&"A".repeat(chars)).unwrap();
            assert_eq!(qr.side(), 17 + 4 * version, "{chars}");
        }
    }

    #[test]
    fn runs_are_the_dark_modules() {
        let qr = Qr::new("7K-004TK").unwrap();
        let mut dark = vec![false; qr.dark.len()];
        for (column, row, length) in qr.dark_runs() {
            for c in column..column + length {
                dark[(row * qr.side + c) as usize] = true;
            }
        }
        assert_eq!(dark, qr.dark);
        // The upper left finder pattern: seven dark modules, a ring of light ones, three by three dark.
        let row = |r: u32| -> Vec<bool> { (0..8).map(|c| dark[(r * qr.side + c) as usize]).collect() };
        assert_eq!(row(0), [true, true, true, true, true, true, true, false]);
        assert_eq!(row(1), [true, false, false, false, false, false, true, false]);
        assert_eq!(row(3), [true, false, true, true, true, false, true, false]);
    }

    #[test]
    fn content_that_the_mode_does_not_know_is_refused() {
        assert_eq!(Qr::new(""), Err(PayloadError::Empty));
        assert_eq!(Qr::new("7k-004TK"), Err(PayloadError::Character { found: 'k' }));
        assert_eq!(Qr::new("REGAL Ö"), Err(PayloadError::Character { found: 'Ö' }));
        let chars = LABEL_PAYLOAD_CHARS + 1;
        assert_eq!(Qr::new(&"A".repeat(chars)), Err(PayloadError::TooLong { chars }));
        assert!(Qr::new(&"A".repeat(LABEL_PAYLOAD_CHARS)).is_ok());
        assert!(Qr::new("0Z $%*+-./:").is_ok());
    }
}
