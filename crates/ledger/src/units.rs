//! Lengths and sizes as people type and read them: millimetres, or feet and fractions of an inch.

use serde::{Deserialize, Serialize};

use crate::limits;

/// The shop's own unit of length: what a bare number means.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Millimetres.
    #[default]
    Mm,
    /// Inches.
    In,
}

/// Why a text is not a length or size.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum LengthError {
    #[error("'{text}' is not a length")]
    NotALength { text: String },
    #[error("'{text}' is not a size")]
    NotASize { text: String },
    #[error("'{text}' is longer than 20 m")]
    TooLong { text: String },
    #[error("'{text}' is wider than 200 mm")]
    TooWide { text: String },
    #[error("'{text}' must be more than nothing")]
    NotPositive { text: String },
}

const INCH_UM: i128 = 25_400;

/// An exact number of micrometres as a fraction.
#[derive(Clone, Copy)]
struct Exact {
    top: i128,
    bottom: i128,
}

impl Exact {
    fn plus(self, other: Self) -> Option<Self> {
        Some(Self {
            top: self.top.checked_mul(other.bottom)?.checked_add(other.top.checked_mul(self.bottom)?)?,
            bottom: self.bottom.checked_mul(other.bottom)?,
        })
    }

    fn times(self, factor: i128) -> Option<Self> {
        Some(Self { top: self.top.checked_mul(factor)?, bottom: self.bottom })
    }

    /// Nearest whole, half away from zero.
    fn round(self) -> i128 {
        let half = self.bottom / 2;
        if self.top >= 0 { (self.top + half) / self.bottom } else { (self.top - half) / self.bottom }
    }
}

fn shown(text: &str) -> String {
    text.trim().chars().take(40).collect()
}

/// Reads a length in µm: `1220`, `1220mm`, `122cm`, `1.22m`, `48in`, `23 5/8in`, `4ft`, `4' 2 1/2"`.
/// A bare number is in `unit`. Rounded to the nearest µm; may be negative (a position).
pub fn parse_length(text: &str, unit: Unit) -> Result<i64, LengthError> {
    let not = || LengthError::NotALength { text: shown(text) };
    if text.len() > 64 {
        return Err(not());
    }
    let plain = text
        .trim()
        .to_lowercase()
        .replace(['’', '′'], "'")
        .replace(['”', '″'], "\"")
        .replace("''", "\"")
        .replace('½', " 1/2")
        .replace('¼', " 1/4")
        .replace('¾', " 3/4")
        .replace(',', ".");
    let (negative, rest) = match plain.strip_prefix('-') {
        Some(rest) => (true, rest.trim_start()),
        None => (false, plain.as_str()),
    };
    let sum = sum_of_terms(rest, unit).ok_or_else(not)?;
    let um = if negative { -sum.round() } else { sum.round() };
    if um.abs() > i128::from(limits::COORDINATE_UM) {
        return Err(LengthError::TooLong { text: shown(text) });
    }
    i64::try_from(um).map_err(|_| not())
}

/// Reads a length that must be more than nothing.
pub fn parse_extent(text: &str, unit: Unit) -> Result<i64, LengthError> {
    match parse_length(text, unit)? {
        um if um > 0 => Ok(um),
        _ => Err(LengthError::NotPositive { text: shown(text) }),
    }
}

/// Reads a length that may be nothing but not less.
pub fn parse_allowance(text: &str, unit: Unit) -> Result<i64, LengthError> {
    match parse_length(text, unit)? {
        um if um > limits::ALLOWANCE_UM => Err(LengthError::TooWide { text: shown(text) }),
        um if um >= 0 => Ok(um),
        _ => Err(LengthError::NotALength { text: shown(text) }),
    }
}

/// Reads a size `8ftx4ft`, `2440x1220`, `300 × 540 mm`: two lengths in µm. A unit behind the second
/// only is meant for both.
pub fn parse_size(text: &str, unit: Unit) -> Result<(i64, i64), LengthError> {
    let not = || LengthError::NotASize { text: shown(text) };
    let plain = text.to_lowercase().replace(['×', '*'], "x");
    let (first, second) = plain.split_once('x').ok_or_else(not)?;
    let bare = |s: &str| s.trim().bytes().all(|b| b.is_ascii_digit() || b" ./,".contains(&b));
    let of_second = ["mm", "cm", "m", "in", "\"", "ft", "'"].into_iter().find(|u| {
        second.trim().strip_suffix(u).is_some_and(|rest| !rest.trim_end().ends_with(|c: char| c.is_alphabetic()))
    });
    let first = match of_second {
        Some(u) if bare(first) => format!("{}{u}", first.trim()),
        _ => first.to_owned(),
    };
    match (parse_extent(&first, unit), parse_extent(second, unit)) {
        (Ok(w), Ok(h)) => Ok((w, h)),
        (Err(LengthError::TooLong { text }), _) | (_, Err(LengthError::TooLong { text })) => {
            Err(LengthError::TooLong { text })
        }
        (Err(LengthError::NotPositive { .. }), _) | (_, Err(LengthError::NotPositive { .. })) => {
            Err(LengthError::NotPositive { text: shown(text) })
        }
        _ => Err(not()),
    }
}

/// Feet, inches and the like, each a number (with a fraction) and a unit; at most two terms.
fn sum_of_terms(text: &str, unit: Unit) -> Option<Exact> {
    let mut rest = text.trim();
    let mut sum = Exact { top: 0, bottom: 1 };
    let mut last_um = i128::MAX;
    for _ in 0..2 {
        let end = rest.find(|c: char| !(c.is_ascii_digit() || " ./".contains(c))).unwrap_or(rest.len());
        let number = mixed_number(rest[..end].trim())?;
        rest = &rest[end..];
        let names: [(&str, i128); 14] = [
            ("inches", INCH_UM),
            ("inch", INCH_UM),
            ("feet", 12 * INCH_UM),
            ("foot", 12 * INCH_UM),
            ("mm", 1_000),
            ("cm", 10_000),
            ("um", 1),
            ("µm", 1),
            ("in", INCH_UM),
            ("ft", 12 * INCH_UM),
            ("\"", INCH_UM),
            ("'", 12 * INCH_UM),
            ("m", 1_000_000),
            ("", if unit == Unit::Mm { 1_000 } else { INCH_UM }),
        ];
        let (name, um) = names.into_iter().find(|(name, _)| rest.starts_with(name))?;
        if name.is_empty() && !rest.is_empty() {
            return None;
        }
        // "4' 2" means feet, then inches; larger units come first.
        let um = if name.is_empty() && last_um == 12 * INCH_UM { INCH_UM } else { um };
        if um >= last_um {
            return None;
        }
        last_um = um;
        sum = sum.plus(number.times(um)?)?;
        rest = rest[name.len()..].trim_start();
        if rest.is_empty() {
            return Some(sum);
        }
    }
    None
}

/// `23`, `23.5`, `5/8`, `23 5/8`.
fn mixed_number(text: &str) -> Option<Exact> {
    let mut words = text.split_whitespace();
    let (first, second) = (words.next()?, words.next());
    if words.next().is_some() {
        return None;
    }
    match second {
        None if first.contains('/') => fraction(first),
        None => decimal(first),
        Some(second) if !first.contains('.') && !first.contains('/') => decimal(first)?.plus(fraction(second)?),
        Some(_) => None,
    }
}

fn fraction(text: &str) -> Option<Exact> {
    let (top, bottom) = text.split_once('/')?;
    let (top, bottom) = (whole(top)?, whole(bottom)?);
    (bottom > 0).then_some(Exact { top, bottom })
}

fn whole(text: &str) -> Option<i128> {
    (!text.is_empty() && text.len() <= 12 && text.bytes().all(|b| b.is_ascii_digit())).then(|| text.parse().ok())?
}

fn decimal(text: &str) -> Option<Exact> {
    let (whole_part, fraction_part) = text.split_once('.').unwrap_or((text, ""));
    if fraction_part.len() > 12 || (whole_part.is_empty() && fraction_part.is_empty()) {
        return None;
    }
    let bottom = 10_i128.pow(u32::try_from(fraction_part.len()).ok()?);
    let digits = |s: &str| if s.is_empty() { Some(0) } else { whole(s) };
    Some(Exact { top: digits(whole_part)? * bottom + digits(fraction_part)?, bottom })
}

/// A length as a person reads it: `1219.2 mm`; in inches to the nearest 1/64: `4' 2 1/2"`.
pub fn format_length(um: i64, unit: Unit) -> String {
    match unit {
        Unit::Mm => format!("{} mm", format_mm(um)),
        Unit::In => format_inches(um),
    }
}

/// Millimetres with no needless zeros, at most three decimals: `1219.2`.
pub fn format_mm(um: i64) -> String {
    let sign = if um < 0 { "-" } else { "" };
    let abs = um.unsigned_abs();
    let text = format!("{sign}{}.{:03}", abs / 1_000, abs % 1_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A size as a person reads it, `300 × 540 mm`, to the nearest 0.1 mm or 1/64 in.
pub fn format_size(w_um: i64, h_um: i64, unit: Unit) -> String {
    match unit {
        Unit::Mm => {
            let tenth = |um: i64| format_mm((um + um.signum() * 50) / 100 * 100);
            format!("{} × {} mm", tenth(w_um), tenth(h_um))
        }
        Unit::In => format!("{} × {}", format_inches(w_um), format_inches(h_um)),
    }
}

fn format_inches(um: i64) -> String {
    let sign = if um < 0 { "-" } else { "" };
    let abs = i128::from(um.unsigned_abs());
    let sixty_fourths = (abs * 64 + INCH_UM / 2) / INCH_UM;
    let (feet, rest) = (sixty_fourths / (64 * 12), sixty_fourths % (64 * 12));
    let (inches, mut top) = (rest / 64, rest % 64);
    let mut bottom = 64;
    while top > 0 && top % 2 == 0 {
        top /= 2;
        bottom /= 2;
    }
    let inch_text = match (inches, top) {
        (i, 0) => format!("{i}\""),
        (0, t) => format!("{t}/{bottom}\""),
        (i, t) => format!("{i} {t}/{bottom}\""),
    };
    match (feet, inches, top) {
        (0, _, _) => format!("{sign}{inch_text}"),
        (f, 0, 0) => format!("{sign}{f}'"),
        (f, _, _) => format!("{sign}{f}' {inch_text}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_what_people_type() {
        // 1 in = 25.4 mm exactly: international yard and pound agreement, 1959.
        for (text, um) in [
            ("1220", 1_220_000),
            ("1220mm", 1_220_000),
            (" 1220 mm ", 1_220_000),
            ("122cm", 1_220_000),
            ("1.22m", 1_220_000),
            ("48in", 1_219_200),
            ("23 5/8in", 600_075),
            ("4ft", 1_219_200),
            ("4' 2 1/2\"", 1_282_700),
            ("4ft 2 1/2in", 1_282_700),
            ("4' 2", 1_270_000),
            ("5/8 in", 15_875),
            ("1/64in", 397),
            ("12,5", 12_500),
            ("-3", -3_000),
            ("0", 0),
            ("2½\"", 63_500),
        ] {
            assert_eq!(parse_length(text, Unit::Mm), Ok(um), "{text}");
        }
        assert_eq!(parse_length("23 5/8", Unit::In), Ok(600_075));
        assert_eq!(parse_size("8ftx4ft", Unit::Mm), Ok((2_438_400, 1_219_200)));
        assert_eq!(parse_size("2440x1220", Unit::Mm), Ok((2_440_000, 1_220_000)));
        assert_eq!(parse_size("96 × 48 in", Unit::Mm), Ok((2_438_400, 1_219_200)));
        assert_eq!(parse_size("8' x 4'", Unit::Mm), Ok((2_438_400, 1_219_200)));
        assert_eq!(parse_size("23 5/8in x 10", Unit::Mm), Ok((600_075, 10_000)));
    }

    #[test]
    fn refuses_what_is_not_a_length() {
        for text in ["", "mm", "x", "1//2", "1/0in", "4in 2ft", "1 2 3", "nan", "inf", "1e3", "4 kg", "1.2.3", "--4"] {
            assert!(parse_length(text, Unit::Mm).is_err(), "{text}");
        }
        assert_eq!(parse_length("21m", Unit::Mm), Err(LengthError::TooLong { text: "21m".into() }));
        for text in ["", "x", "3", "3x", "0x4", "3x-4", "3x4x5"] {
            assert!(parse_size(text, Unit::Mm).is_err(), "{text}");
        }
    }

    #[test]
    fn writes_what_people_read() {
        assert_eq!(format_length(1_219_200, Unit::Mm), "1219.2 mm");
        assert_eq!(format_length(1_282_700, Unit::In), "4' 2 1/2\"");
        assert_eq!(format_length(1_219_200, Unit::In), "4'");
        assert_eq!(format_length(15_875, Unit::In), "5/8\"");
        assert_eq!(format_size(300_049, 540_050, Unit::Mm), "300 × 540.1 mm");
    }

    proptest! {
        #[test]
        fn millimetres_round_trip(um in -20_000_000i64..20_000_000) {
            prop_assert_eq!(parse_length(&format_mm(um), Unit::Mm), Ok(um));
        }

        #[test]
        fn inches_come_back_within_half_a_64th(um in 0i64..20_000_000) {
            let back = parse_length(&format_length(um, Unit::In), Unit::In).unwrap();
            prop_assert!((back - um).abs() <= 199, "{} {}", um, back);
        }

        #[test]
        fn every_text_is_read_or_refused(text in "\\PC{0,40}") {
            let _ = parse_length(&text, Unit::Mm);
            let _ = parse_size(&text, Unit::In);
        }
    }
}
