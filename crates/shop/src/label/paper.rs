//! `label papers`, `paper add`, `paper drop`: what labels can be printed on, the shop's own papers among it.

use sheetloft_labels::{self as labels, Grid, Paper};
use sheetloft_ledger::body::Body;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::labelling::{PaperDropped, PaperKept};
use sheetloft_ledger::state::Rack;
use sheetloft_ledger::units;

use super::content::{SAMPLE, Writer};
use super::printer::Printer;
use super::{TIMES_SIDE, address};
use crate::action::{PaperAdd, PaperDrop};
use crate::answer::{Changed, PaperRow, PapersAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::say;
use crate::shop::{Shop, filled, needed, shown, whole};
use crate::view::{Names, mm};

/// The label papers: those that ship, then the shop's own.
pub fn papers(shop: &Shop) -> Result<PapersAnswer, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let address = reader.setting()?.and_then(|s| s.address);
    let writer = Writer { shop, names: &names, address: address.as_deref() };
    let mut sample = writer.sample()?;
    sample.payload = address::content(address.as_deref(), SAMPLE);
    let piece = labels::Label::Piece(sample);
    let rack = Rack { id: shop.setting.id, name: "A1".to_owned(), within: None, size_um: None, note: None };
    let rack = writer.rack(&rack);
    let row = |paper: &Paper, own: bool| PaperRow {
        name: paper.name().to_owned(),
        title: title(paper),
        dpi: paper.dpi(),
        width_mm: paper.width_mm(),
        height_mm: paper.height_mm(),
        per_page: paper.per_page(),
        label_mm: [paper.grid().label_width_mm, paper.grid().label_height_mm],
        reads_pieces_mm: reads_from(&piece, paper),
        reads_racks_mm: reads_from(&rack, paper),
        own,
    };
    let own = own(shop)?;
    let shipped = labels::papers().iter().map(|p| row(p, false));
    Ok(PapersAnswer { papers: shipped.chain(own.iter().map(|p| row(p, true))).collect() })
}

/// How far off a code is read; none where it cannot be printed on the paper.
fn reads_from(label: &labels::Label, paper: &Paper) -> Option<f64> {
    labels::code_side_mm(label, paper).ok().map(|side| (side * TIMES_SIDE).round())
}

fn title(paper: &Paper) -> String {
    let length = |mm: f64| units::format_mm((mm * 1_000.0).round() as i64);
    say!(
        "paper-title",
        count = paper.per_page(),
        width = length(paper.grid().label_width_mm),
        height = length(paper.grid().label_height_mm),
        dpi = paper.dpi().to_string(),
    )
    .text()
}

/// The papers that people described, as far as they still hold: a program of another version may see it otherwise.
fn own(shop: &Shop) -> Result<Vec<Paper>, Error> {
    Ok(shop.read().papers()?.iter().filter_map(|kept| of(kept).ok()).collect())
}

fn of(kept: &PaperKept) -> Result<Paper, labels::PaperError> {
    let [label_width_mm, label_height_mm] = kept.label_um.map(mm);
    let [pitch_x_mm, pitch_y_mm] = kept.pitch_um.map(mm);
    let [margin_left_mm, margin_top_mm] = kept.margin_um.map(mm);
    let grid = Grid {
        columns: kept.columns as usize,
        rows: kept.rows as usize,
        label_width_mm,
        label_height_mm,
        pitch_x_mm,
        pitch_y_mm,
        margin_left_mm,
        margin_top_mm,
    };
    Paper::new(&kept.name, kept.dpi, (mm(kept.page_um[0]), mm(kept.page_um[1])), mm(kept.inset_um), grid)
}

/// The paper that was asked for; left out, the printer's.
pub(super) fn chosen(shop: &Shop, named: &str, printer: Option<&Printer>) -> Result<Paper, Error> {
    let named = named.trim();
    let name = if named.is_empty() { printer.map_or("", |p| p.paper.as_str()) } else { named };
    if name.is_empty() {
        return Err(Error::bad(say!("error-needed")).at("paper"));
    }
    if let Some(paper) = labels::paper(name) {
        return Ok(paper.clone());
    }
    let own = own(shop)?;
    let found = own.iter().find(|p| p.name().eq_ignore_ascii_case(name)).cloned();
    found.ok_or_else(|| {
        let names: Vec<&str> = labels::papers().iter().chain(&own).map(Paper::name).collect();
        Error::bad(say!("error-paper", text = shown(name), names = names.join(", "))).at("paper")
    })
}

/// Adds a paper by its measurements, or measures one of the shop's own anew.
pub fn add(shop: &mut Shop, host: &mut dyn Host, with: &PaperAdd) -> Result<(PapersAnswer, Vec<Changed>), Error> {
    let name = needed(&with.name, "name")?.to_lowercase();
    if labels::paper(&name).is_some() {
        return Err(Error::bad(say!("error-paper-ships", name = name)).at("name"));
    }
    let known = shop.read().papers()?;
    if known.len() >= limits::LABEL_PAPERS {
        return Err(Error::bad(say!("error-paper-many", most = limits::LABEL_PAPERS)).at("name"));
    }
    let (label_w, label_h) = shop.size(&with.label, "label")?;
    // A single label on a roll is its own page.
    let page = filled(with.page.as_deref()).map_or(Ok((label_w, label_h)), |text| shop.size(text, "page"))?;
    let sides = u32::try_from(limits::LABELS_PER_SIDE).unwrap_or(u32::MAX);
    let many = |text: &Option<String>, field| filled(text.as_deref()).map_or(Ok(1), |t| whole(t, 1, sides, field));
    let length =
        |text: &Option<String>, or: i64, field| filled(text.as_deref()).map_or(Ok(or), |t| shop.allowance(t, field));
    let extent =
        |text: &Option<String>, or: i64, field| filled(text.as_deref()).map_or(Ok(or), |t| shop.extent(t, field));
    let (dpi_least, dpi_most) = limits::LABEL_DPI;
    let found = known.iter().find(|p| p.name == name).map(|p| p.paper);
    let mut kept = PaperKept {
        paper: found.unwrap_or_default(),
        name: name.clone(),
        dpi: filled(with.dpi.as_deref()).map_or(Ok(300), |t| whole(t, dpi_least, dpi_most, "dpi"))?,
        page_um: [page.0, page.1],
        inset_um: length(&with.inset, 2_000, "inset")?,
        columns: many(&with.columns, "columns")?,
        rows: many(&with.rows, "rows")?,
        label_um: [label_w, label_h],
        pitch_um: [
            extent(&with.pitch_right, label_w, "pitch_right")?,
            extent(&with.pitch_down, label_h, "pitch_down")?,
        ],
        margin_um: [length(&with.margin_left, 0, "margin_left")?, length(&with.margin_top, 0, "margin_top")?],
    };
    of(&kept).map_err(|e| Error::bad(say!("error-paper-measures", why = e.to_string())).at("label"))?;
    let ((), changed) = shop.write(host, |tx| {
        let id = found.unwrap_or_else(|| tx.ids.uuid());
        kept.paper = id;
        tx.draft(Body::PaperKept(kept), [Thing::new(ThingKind::Setting, id)]);
        Ok(())
    })?;
    Ok((papers(shop)?, changed))
}

/// Takes one of the shop's own papers off the list.
pub fn drop(shop: &mut Shop, host: &mut dyn Host, with: &PaperDrop) -> Result<(PapersAnswer, Vec<Changed>), Error> {
    let name = needed(&with.name, "name")?.to_lowercase();
    let known = shop.read().papers()?.into_iter().find(|p| p.name == name);
    let unknown = || match labels::paper(&name) {
        Some(_) => Error::refused(say!("refused-paper-ships", name = &name)),
        None => Error::bad(say!("error-paper-unknown", name = shown(&name))).at("name"),
    };
    let id = known.ok_or_else(unknown)?.paper;
    let ((), changed) = shop.write(host, |tx| {
        tx.draft(Body::PaperDropped(PaperDropped { paper: id }), [Thing::new(ThingKind::Setting, id)]);
        Ok(())
    })?;
    Ok((papers(shop)?, changed))
}
