//! How far a sheet's thickness may be off its nominal one, as published.

use crate::body::{Made, Sort};

/// What a sheet may measure.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Tolerance {
    /// Least, µm.
    pub low_um: i64,
    /// Most, µm.
    pub high_um: i64,
    /// Where that stands.
    pub source: &'static str,
}

/// The published tolerance of the thickness of a sheet, where there is one. µm.
///
/// Cast acrylic: ISO 7823-1, ±(0.4 + 0.1 e) mm. Extruded acrylic: ISO 7823-2, under 3 mm ±10 %, from 3 mm ±5 %. Both as
/// tabulated by sheet makers. Sanded plywood: a maker's table, 12 mm +0.5/−0.7 and 18 mm +0.7/−0.9; other thicknesses
/// on the line through these two (EN 315 has such a line, from memory).
pub fn thickness(sort: Option<Sort>, made: Option<Made>, nominal_um: i64) -> Option<Tolerance> {
    let within =
        |less: i64, more: i64, source| Tolerance { low_um: nominal_um - less, high_um: nominal_um + more, source };
    match (sort?, made) {
        (Sort::Acrylic, Some(Made::Cast)) => {
            let off = 400 + nominal_um / 10;
            Some(within(off, off, "ISO 7823-1"))
        }
        (Sort::Acrylic, Some(Made::Extruded)) => {
            let off = if nominal_um < 3_000 { nominal_um / 10 } else { nominal_um / 20 };
            Some(within(off, off, "ISO 7823-2"))
        }
        (Sort::Plywood, _) => {
            // A thirtieth of a millimetre more for each millimetre.
            let more = 500 + (nominal_um - 12_000) / 30;
            Some(within((more + 200).max(300), more.max(100), "EN 315"))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_published() {
        let of = |sort, made, nominal: i64| {
            let t = thickness(Some(sort), made, nominal).unwrap();
            (t.low_um, t.high_um)
        };
        // ISO 7823-1 and -2, as tabulated by sheet makers.
        assert_eq!(of(Sort::Acrylic, Some(Made::Cast), 3_000), (2_300, 3_700));
        assert_eq!(of(Sort::Acrylic, Some(Made::Cast), 6_000), (5_000, 7_000));
        assert_eq!(of(Sort::Acrylic, Some(Made::Cast), 10_000), (8_600, 11_400));
        assert_eq!(of(Sort::Acrylic, Some(Made::Extruded), 2_000), (1_800, 2_200));
        assert_eq!(of(Sort::Acrylic, Some(Made::Extruded), 3_000), (2_850, 3_150));
        // A plywood maker's table.
        assert_eq!(of(Sort::Plywood, None, 12_000), (11_300, 12_500));
        assert_eq!(of(Sort::Plywood, None, 18_000), (17_100, 18_700));
        assert_eq!(thickness(Some(Sort::Acrylic), None, 3_000), None);
        assert_eq!(thickness(Some(Sort::Mdf), None, 3_000), None);
        assert_eq!(thickness(None, None, 3_000), None);
    }
}
