//! Reads plotter files in HP-GL and HP-GL/2.
//!
//! The language as its makers published it: the HP 7550A Interfacing and Programming Manual for HP-GL, the PCL 5
//! Technical Reference (chapters 17 to 23) for HP-GL/2. A plotter unit is 0.025 mm.

mod commands;
mod encoded;
mod pen;

use crate::DrawingError;
use crate::sketch::Sketch;

/// Whether a file looks like HP-GL, whatever it is called: it begins with an escape sequence for a plotter or with a
/// command that drawings begin with.
pub(crate) fn is_plt(bytes: &[u8]) -> bool {
    const FIRST: [&[u8]; 10] = [b"IN", b"DF", b"BP", b"SP", b"PU", b"PA", b"PS", b"IP", b"RO", b"SC"];
    let mut commands = commands::Commands::new(bytes);
    let Some(Ok(first)) = commands.next() else { return false };
    if bytes.starts_with(b"\x1b%") || bytes.starts_with(b"\x1b.") {
        return true;
    }
    // Words of a text begin so too: two commands have to make sense.
    let known = |name: [u8; 2]| FIRST.contains(&name.as_slice()) || pen::is_known(name);
    first.at <= 4
        && FIRST.contains(&first.name.as_slice())
        && commands.next().is_none_or(|next| next.is_ok_and(|next| known(next.name) && next.at <= first.at + 64))
}

/// Reads a file.
///
/// # Errors
/// Where it goes past a limit.
pub(crate) fn read(bytes: &[u8]) -> Result<Sketch, DrawingError> {
    let mut pen = pen::Pen::new();
    for command in commands::Commands::new(bytes) {
        pen.obey(&command?)?;
    }
    pen.finish()
}
