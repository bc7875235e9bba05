//! What a cut leaves of a piece, with the piece's area accounted for to the last square micrometre.

use sheetloft_fit::plan::Leave;
use sheetloft_fit::{KeepFrom, remains, straight_remains};
use sheetloft_ledger::body::{Areas, SawCut};
use sheetloft_ledger::state::Material;
use sheetloft_shapes::{Shape, boolean, clear};

use crate::error::Error;
use crate::plan::bed;
use crate::say;

/// What is left.
pub struct Left {
    /// Worth a label.
    pub kept: Vec<Shape>,
    /// Not worth one.
    pub scrap: Vec<Shape>,
    /// Where the piece's area went.
    pub areas: Areas,
}

/// What parts, as they lie on a piece, leave of it; where one straight remainder is asked for, that first.
pub fn of(piece: &Shape, parts: &[Shape], kerf_um: i64, material: &Material, leave: Leave) -> Result<Left, Error> {
    let [w_um, h_um] = material.data.keep_from_um;
    let of = if leave == Leave::Straight { straight_remains } else { remains };
    let left = of(piece, parts, kerf_um, KeepFrom { w_um, h_um })
        .map_err(|e| Error::fault(say!("error-geometry", what = e.to_string())))?;
    let areas = Areas { parts2: left.parts2, kerf2: left.kerf2, offcuts2: left.kept2, scrap2: left.scrap2 };
    Ok(Left { kept: left.kept, scrap: left.scrap, areas })
}

/// What parts leave of a piece that is cut with the saw first: of each piece that the saw makes by itself.
pub fn sawn(
    piece: &Shape,
    saws: &[SawCut],
    parts: &[Shape],
    kerf_um: i64,
    material: &Material,
    leave: Leave,
) -> Result<Left, Error> {
    if saws.is_empty() {
        return of(piece, parts, kerf_um, material, leave);
    }
    let mut all = Left { kept: Vec::new(), scrap: Vec::new(), areas: Areas::default() };
    let mut of_halves2 = 0;
    for half in halves(piece, saws)? {
        let here = parts.iter().filter(|s| clear::inside_spare_um(s, &half).is_some());
        let left = of(&half, &here.cloned().collect::<Vec<_>>(), kerf_um, material, leave)?;
        of_halves2 += half.area2();
        all.kept.extend(left.kept);
        all.scrap.extend(left.scrap);
        all.areas.parts2 += left.areas.parts2;
        all.areas.kerf2 += left.areas.kerf2;
        all.areas.offcuts2 += left.areas.offcuts2;
        all.areas.scrap2 += left.areas.scrap2;
    }
    // The saw's dust is kerf.
    all.areas.kerf2 += (piece.area2() - of_halves2).max(0);
    Ok(all)
}

/// What the saw makes of a shape, from the end at which it begins.
pub fn halves(piece: &Shape, saws: &[SawCut]) -> Result<Vec<Shape>, Error> {
    let strips: Vec<Shape> = saws.iter().filter_map(bed::strip).collect();
    let fault = |e: boolean::BooleanError| Error::fault(say!("error-geometry", what = e.to_string()));
    let mut halves = boolean::difference(std::slice::from_ref(piece), &strips).map_err(fault)?;
    if let Some(saw) = saws.first() {
        // Across the cut, away from the end that is cut first.
        let across = [f64::from(saw.to.y) - f64::from(saw.from.y), f64::from(saw.from.x) - f64::from(saw.to.x)];
        let along = |s: &Shape| {
            let (low, high) = s.bounds();
            (f64::from(low.x) + f64::from(high.x)) * across[0] + (f64::from(low.y) + f64::from(high.y)) * across[1]
        };
        halves.sort_by(|a, b| along(a).total_cmp(&along(b)));
    }
    Ok(halves)
}
