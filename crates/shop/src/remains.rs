//! What a cut leaves of a piece, with the piece's area accounted for to the last square micrometre.

use sheetloft_fit::remains::{KeepFrom, remains};
use sheetloft_ledger::body::Areas;
use sheetloft_ledger::state::Material;
use sheetloft_shapes::Shape;

use crate::error::Error;
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

/// What parts, as they lie on a piece, leave of it.
pub fn of(piece: &Shape, parts: &[Shape], kerf_um: i64, material: &Material) -> Result<Left, Error> {
    let [w_um, h_um] = material.data.keep_from_um;
    let left = remains(piece, parts, kerf_um, KeepFrom { w_um, h_um })
        .map_err(|e| Error::fault(say!("error-geometry", what = e.to_string())))?;
    let areas = Areas { parts2: left.parts2, kerf2: left.kerf2, offcuts2: left.kept2, scrap2: left.scrap2 };
    Ok(Left { kept: left.kept, scrap: left.scrap, areas })
}
