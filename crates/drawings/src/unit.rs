//! The units that a drawing can be in.

use serde::{Deserialize, Serialize};

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
}

impl Unit {
    /// All of them, in the order in which they are offered.
    pub const ALL: [Self; 7] = [Self::Mm, Self::Cm, Self::M, Self::In, Self::Ft, Self::Mil, Self::Um];

    /// The short name: `mm`, `cm`, `m`, `in`, `ft`, `mil`, `um`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mm => "mm",
            Self::Cm => "cm",
            Self::M => "m",
            Self::In => "in",
            Self::Ft => "ft",
            Self::Mil => "mil",
            Self::Um => "um",
        }
    }

    /// Nanometres in one unit, exact.
    pub const fn nm(self) -> f64 {
        match self {
            Self::Mm => 1e6,
            Self::Cm => 1e7,
            Self::M => 1e9,
            Self::In => 25.4e6,
            Self::Ft => 304.8e6,
            Self::Mil => 25.4e3,
            Self::Um => 1e3,
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
#[error("'{text}' is not a unit of length; there are mm, cm, m, in, ft, mil, um")]
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
    /// Nobody did: millimetres.
    Assumed,
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
