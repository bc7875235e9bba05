//! `printer set`, `printer drop`, `printer list`: the printers beside this machine, the paper in each, how far each is out of
//! register, and what the system calls it. Nobody else's business: it stays on this machine, beside the books.
//! `printer system`: the printers that the system has.

use serde::{Deserialize, Serialize};
use sheetloft_ledger::units;

use super::paper;
use crate::action::{PrinterDrop, PrinterSet};
use crate::answer::{Changed, PrinterRow, PrintersAnswer, SystemPrinterRow, SystemPrintersAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::say;
use crate::shop::{Shop, filled, needed, shown};
use crate::spool::{self, Spool, SpoolError};
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
    /// Its name in the system; none where it is the same.
    #[serde(default)]
    pub(super) system: Option<String>,
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

/// Where labels are printed.
pub(super) struct To {
    /// The printer as it is set on this machine; none for one that only the system knows.
    pub(super) listed: Option<Printer>,
    /// Its name in the system.
    pub(super) system: String,
}

/// The printer to print on: by its name on this machine's list, or in the system; where none is named, the one set last.
pub(super) fn to_print_on(shop: &Shop, named: Option<&str>) -> Result<To, Error> {
    let mut printers = read(shop)?.into_iter();
    let named = filled(named);
    let listed = match named {
        None => printers.next(),
        Some(name) => {
            printers.find(|p| p.name.to_lowercase() == name.to_lowercase() || p.system.as_deref() == Some(name))
        }
    };
    let name = match (&listed, named) {
        (Some(printer), _) => printer.system.as_ref().unwrap_or(&printer.name).clone(),
        (None, Some(name)) => name.to_owned(),
        (None, None) => return Err(Error::bad(say!("error-print-where")).at("printer")),
    };
    if !spool::is_name(&name) {
        return Err(Error::bad(say!("error-printer-name", text = shown(&name))).at("printer"));
    }
    Ok(To { listed, system: name })
}

/// The printers that the system has.
pub fn system(spool: &dyn Spool) -> Result<SystemPrintersAnswer, Error> {
    match spool.printers() {
        Ok(printers) => {
            let rows = printers.into_iter().map(|p| SystemPrinterRow { printer: p.name, usual: p.usual });
            Ok(SystemPrintersAnswer { printers: rows.collect(), why: None })
        }
        Err(none @ (SpoolError::NoCommand | SpoolError::NoPrinter)) => {
            Ok(SystemPrintersAnswer { printers: Vec::new(), why: Some(Error::from(none).to_string()) })
        }
        Err(failed) => Err(failed.into()),
    }
}

/// The printers, by name.
pub fn list(shop: &Shop) -> Result<PrintersAnswer, Error> {
    let rows = read(shop)?.into_iter().map(|p| PrinterRow {
        right_mm: mm(p.shift_um[0]),
        down_mm: mm(p.shift_um[1]),
        printer: p.name,
        paper: p.paper,
        system: p.system,
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
    let system = match filled(with.system.as_deref()) {
        None => before.as_ref().and_then(|p| p.system.clone()),
        Some(text) if spool::is_name(text) => Some(text.to_owned()),
        Some(text) => return Err(Error::bad(say!("error-printer-name", text = shown(text))).at("system")),
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
    printers.insert(0, Printer { name, paper, shift_um, system });
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
