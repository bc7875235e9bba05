//! Reads DXF, text and binary, R12 to today.

mod colours;
mod curves;
mod expand;
mod hatch;
mod spline;
mod strain;
mod tags;
mod text;
mod typed;

use crate::DrawingError;
use crate::sketch::Sketch;
use crate::unit::Unit;

/// Whether a file looks like DXF, whatever it is called.
pub(crate) fn is_dxf(bytes: &[u8]) -> bool {
    if bytes.starts_with(tags::BINARY_START) {
        return true;
    }
    // The first record of every DXF is 0/SECTION; comments, 999, may stand before it.
    for tag in tags::Tags::new(bytes).take(64) {
        match tag {
            Ok(tag) if tag.code == 999 => {}
            Ok(tag) => return tag.code == 0 && tag.value.is("SECTION"),
            Err(_) => return false,
        }
    }
    false
}

/// Reads a file.
///
/// # Errors
/// Where it is cut short, is not made of group codes, is in a unit that is not taken, or goes past a limit.
pub(crate) fn read(bytes: &[u8]) -> Result<Sketch, DrawingError> {
    expand::expand(&strain::strain(bytes)?)
}

/// The unit for a value of `$INSUNITS`, as the DXF reference lists them.
fn unit(code: i64) -> Option<Unit> {
    Some(match code {
        1 => Unit::In,
        2 => Unit::Ft,
        4 => Unit::Mm,
        5 => Unit::Cm,
        6 => Unit::M,
        9 => Unit::Mil,
        13 => Unit::Um,
        _ => return None,
    })
}
