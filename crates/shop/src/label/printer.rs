//! `printer set`, `printer drop`, `printer list`: the printers beside this machine, the paper in each, and how far each is
//! out of register. Nobody else's business: it stays on this machine, beside the books.

use serde::{Deserialize, Serialize};
use sheetloft_ledger::units;

use super::paper;
use crate::action::{PrinterDrop, PrinterSet};
use crate::answer::{Changed, PrinterRow, PrintersAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::say;
use crate::shop::{Shop, filled, needed, shown};
use crate::view::mm;

/// The name under which they are kept.
const KEPT: &str = "printers";

/// A label printer of this machine.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(super) struct Printer {
    pub(super) name: String,
    pub(super) paper: String,
    /// How far labels are moved to the right and down, µm.
    pub(super) shift_um: [i64; 2],
}

impl Printer {
    pub(super) fn shift_mm(&self) -> (f64, f64) {
        (mm(self.shift_um[0]), mm(self.shift_um[1]))
    }
}

fn read(shop: &Shop) -> Result<Vec<Printer>, Error> {
    let kept = shop.read().kept_here(KEPT)?;
    // What another version of the program kept and this one cannot read is as if it had not been set.
    Ok(kept.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}

fn keep(shop: &mut Shop, host: &mut dyn Host, printers: &[Printer]) -> Result<(), Error> {
    let text =
        serde_json::to_string(printers).map_err(|e| Error::fault(say!("error-database", what = e.to_string())))?;
    shop.write(host, |tx| Ok(tx.keep_here(KEPT, &text)?))?;
    Ok(())
}

/// The printer that was named; where neither it nor a paper was, the one that was set last, if any.
pub(super) fn chosen(shop: &Shop, named: Option<&str>, paper: &str) -> Result<Option<Printer>, Error> {
    let printers = read(shop)?;
    let Some(name) = named.map(str::trim).filter(|t| !t.is_empty()) else {
        return Ok(printers.into_iter().next().filter(|_| paper.trim().is_empty()));
    };
    let found = printers.iter().find(|p| p.name.to_lowercase() == name.to_lowercase()).cloned();
    let names = || printers.iter().map(|p| p.name.as_str()).collect::<Vec<_>>().join(", ");
    found.map(Some).ok_or_else(|| Error::bad(say!("error-printer", text = shown(name), names = names())).at("printer"))
}

/// The printers, by name.
pub fn list(shop: &Shop) -> Result<PrintersAnswer, Error> {
    let rows = read(shop)?.into_iter().map(|p| PrinterRow {
        right_mm: mm(p.shift_um[0]),
        down_mm: mm(p.shift_um[1]),
        printer: p.name,
        paper: p.paper,
    });
    Ok(PrintersAnswer { printers: rows.collect() })
}

/// Says what paper is in a printer, and how far its labels are to be moved.
pub fn set(shop: &mut Shop, host: &mut dyn Host, with: &PrinterSet) -> Result<(PrintersAnswer, Vec<Changed>), Error> {
    let name = needed(&with.printer, "printer")?;
    let mut printers = read(shop)?;
    let at = printers.iter().position(|p| p.name.to_lowercase() == name.to_lowercase());
    let before = at.map(|at| printers.remove(at));
    let paper = match (filled(with.paper.as_deref()), &before) {
        (Some(paper), _) => paper::chosen(shop, paper, None)?.name().to_owned(),
        (None, Some(before)) => before.paper.clone(),
        (None, None) => return Err(Error::bad(say!("error-needed")).at("paper")),
    };
    let shift = |text: &Option<String>, before: i64, field| match filled(text.as_deref()) {
        None => Ok(before),
        Some(text) => {
            let um = units::parse_length(text, shop.unit()).map_err(|e| Error::from(e).at(field))?;
            let most = (limits::LABEL_SHIFT_MM * 1_000.0) as i64;
            let far = || Error::bad(say!("error-shift", most = (most / 1_000).to_string())).at(field);
            if um.abs() <= most { Ok(um) } else { Err(far()) }
        }
    };
    let [right, down] = before.map_or([0, 0], |p| p.shift_um);
    let shift_um = [shift(&with.right, right, "right")?, shift(&with.down, down, "down")?];
    // The one set last comes first: it is the one that is used when none is named.
    printers.insert(0, Printer { name, paper, shift_um });
    keep(shop, host, &printers)?;
    Ok((list(shop)?, Vec::new()))
}

/// Takes a printer off the list.
pub fn drop(shop: &mut Shop, host: &mut dyn Host, with: &PrinterDrop) -> Result<(PrintersAnswer, Vec<Changed>), Error> {
    let name = needed(&with.printer, "printer")?;
    chosen(shop, Some(&name), "")?;
    let mut printers = read(shop)?;
    printers.retain(|p| p.name.to_lowercase() != name.to_lowercase());
    keep(shop, host, &printers)?;
    Ok((list(shop)?, Vec::new()))
}
