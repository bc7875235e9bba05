//! The units that a drawing can be in.

use serde::{Deserialize, Serialize};

use crate::Part;

/// A unit of length of a drawing.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Millimetre.
    Mm,
    /// Centimetre.
    Cm,
    /// Metre.
    M,
    /// Inch, 25.4 mm.
    In,
    /// Foot, 304.8 mm.
    Ft,
    /// Thousandth of an inch.
    Mil,
    /// Micrometre.
    Um,
    /// 1/96 inch: the user unit of SVG (CSS Values and Units, "absolute lengths").
    Px,
    /// 1/72 inch: the user unit of PDF (ISO 32000, 8.3.2.3).
    Pt,
}

impl Unit {
    /// All of them, in the order in which they are offered.
    pub const ALL: [Self; 9] =
        [Self::Mm, Self::Cm, Self::M, Self::In, Self::Ft, Self::Mil, Self::Um, Self::Px, Self::Pt];

    /// The short name: `mm`, `cm`, `m`, `in`, `ft`, `mil`, `um`, `px`, `pt`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mm => "mm",
            Self::Cm => "cm",
            Self::M => "m",
            Self::In => "in",
            Self::Ft => "ft",
            Self::Mil => "mil",
            Self::Um => "um",
            Self::Px => "px",
            Self::Pt => "pt",
        }
    }

    /// Nanometres in one unit; exact but for px and pt.
    pub const fn nm(self) -> f64 {
        match self {
            Self::Mm => 1e6,
            Self::Cm => 1e7,
            Self::M => 1e9,
            Self::In => 25.4e6,
            Self::Ft => 304.8e6,
            Self::Mil => 25.4e3,
            Self::Um => 1e3,
            Self::Px => 25.4e6 / 96.0,
            Self::Pt => 25.4e6 / 72.0,
        }
    }
}

impl std::fmt::Display for Unit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

/// The text names none of the units.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("'{text}' is not a unit of length; there are mm, cm, m, in, ft, mil, um, px, pt")]
pub struct NotAUnit {
    /// What was given, cut short.
    pub text: String,
}

impl std::str::FromStr for Unit {
    type Err = NotAUnit;

    /// Reads the short name in any letter case.
    fn from_str(text: &str) -> Result<Self, NotAUnit> {
        let plain = text.trim().to_lowercase();
        Self::ALL
            .into_iter()
            .find(|unit| unit.name() == plain)
            .ok_or_else(|| NotAUnit { text: text.chars().take(40).collect() })
    }
}

/// How the unit of a drawing is known.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum UnitSaidBy {
    /// The file names it.
    File,
    /// The person named it, whatever the file says.
    Option,
    /// Nobody did; it is the one that files of this kind were in before.
    Remembered,
    /// Nobody did: the usual one for such files.
    Assumed,
}

/// How large a drawing would be in a unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct UnitChoice {
    /// The unit.
    pub unit: Unit,
    /// Width and height of the largest part, mm.
    pub size_mm: [f64; 2],
}

/// Parts from this small to this large come out of a workshop, mm: what a unit makes of a drawing is offered only
/// where its largest part is one of them (common practice, no source).
const LIKELY_MM: (f64, f64) = (4.0, 4_000.0);

/// What the largest of these parts, read in `unit`, would be in other units that make sense.
pub(crate) fn choices(unit: Unit, parts: &[Part]) -> Vec<UnitChoice> {
    let sizes = parts.iter().map(|p| {
        let (low, high) = p.shape.bounds();
        [(high.x - low.x), (high.y - low.y)].map(|um| f64::from(um) / 1e3)
    });
    let Some(size) = sizes.max_by(|a, b| a[0].max(a[1]).total_cmp(&b[0].max(b[1]))) else { return Vec::new() };
    Unit::ALL
        .into_iter()
        .map(|other| UnitChoice { unit: other, size_mm: size.map(|mm| mm * other.nm() / unit.nm()) })
        .filter(|c| c.unit == unit || (LIKELY_MM.0..=LIKELY_MM.1).contains(&c.size_mm[0].max(c.size_mm[1])))
        .collect()
}

/// The unit of a size: the one of that name, else millimetres, which the size was told in.
pub(crate) fn nearest(nm: f64) -> Unit {
    Unit::ALL.into_iter().find(|u| (u.nm() - nm).abs() <= 1e-5 * nm).unwrap_or(Unit::Mm)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_back() {
        for unit in Unit::ALL {
            assert_eq!(unit.name().parse::<Unit>(), Ok(unit));
        }
        assert_eq!(" MM ".parse::<Unit>(), Ok(Unit::Mm));
        assert!("furlong".parse::<Unit>().is_err());
    }

    /// The international yard of 1959 makes the inch 25.4 mm and the foot 304.8 mm, exactly.
    #[test]
    fn inch_and_foot_are_exact() {
        assert_eq!(Unit::Ft.nm(), 12.0 * Unit::In.nm());
        assert_eq!(Unit::In.nm(), 1000.0 * Unit::Mil.nm());
        assert_eq!(Unit::In.nm(), 25.4 * Unit::Mm.nm());
    }
}
