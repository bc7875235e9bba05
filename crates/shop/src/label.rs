//! `label`, `label papers`: QR labels for pieces and racks.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sheetloft_labels::{self as labels, LabelError, PieceLabel, RackLabel};
use sheetloft_ledger::body::{Body, Labelled};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::Piece;
use sheetloft_ledger::units;
use sheetloft_shapes::Turn;
use sheetloft_store::PieceFilter;

use crate::action::Label;
use crate::answer::{Changed, LabelAnswer, PaperRow, PapersAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Lookup, Shop, shown, whole, word};
use crate::view::{self, Names, held_for, size_text};

/// The most labels of one document.
const MOST: usize = 5_000;

/// The label papers.
pub fn papers() -> Result<PapersAnswer, Error> {
    let rows = labels::papers().iter().map(|p| PaperRow {
        name: p.name().to_owned(),
        title: say!(
            "paper-title",
            count = p.per_page(),
            width = units::format_mm((p.grid().label_width_mm * 1_000.0).round() as i64),
            height = units::format_mm((p.grid().label_height_mm * 1_000.0).round() as i64),
        )
        .text(),
        dpi: p.dpi(),
        width_mm: p.width_mm(),
        height_mm: p.height_mm(),
        per_page: p.per_page(),
    });
    Ok(PapersAnswer { papers: rows.collect() })
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Of {
    Pieces,
    Racks,
    Due,
}

/// Makes labels; pieces whose label was due are no longer.
pub fn label(shop: &mut Shop, host: &mut dyn Host, with: &Label) -> Result<(LabelAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let words = [("pieces", Of::Pieces), ("racks", Of::Racks), ("due", Of::Due)];
    let needed = || Error::bad(say!("error-needed")).at("what");
    let what = word(Some(&with.what), &words.map(|(w, of)| (w, Some(of))), None, "what")?.ok_or_else(needed)?;
    let paper = labels::paper(with.paper.trim()).ok_or_else(|| {
        let names: Vec<&str> = labels::papers().iter().map(|p| p.name()).collect();
        Error::bad(say!("error-paper", text = shown(&with.paper), names = names.join(", "))).at("paper")
    })?;
    let png = word(Some(&with.format), &[("pdf", false), ("png", true)], false, "format")?;
    let skip = with.skip.as_deref().filter(|t| !t.trim().is_empty());
    let most = u32::try_from(paper.per_page()).unwrap_or(u32::MAX).saturating_sub(1);
    let skip = skip.map_or(Ok(0), |t| whole(t, 0, most, "skip"))? as usize;
    if what == Of::Due && !with.names.is_empty() {
        return Err(Error::bad(say!("error-label-due-names")).at("names"));
    }
    let names = Names::read(&reader)?;
    let mut pieces: Vec<Piece> = Vec::new();
    let mut racks = Vec::new();
    match what {
        Of::Racks if with.names.is_empty() => racks = reader.racks()?,
        Of::Racks => {
            for name in &with.names {
                racks.push(reader.find_rack(name).map_err(|e| e.at("names"))?);
            }
        }
        Of::Pieces if !with.names.is_empty() => {
            for code in &with.names {
                let piece = reader.find_piece(code).map_err(|e| e.at("names"))?;
                rules::on_hand(&piece)?;
                pieces.push(piece);
            }
        }
        Of::Pieces | Of::Due => {
            let filter =
                PieceFilter { statuses: vec!["free", "held"], label_due: what == Of::Due, ..PieceFilter::default() };
            pieces = reader.pieces(&filter)?;
            pieces.sort_by(|a, b| a.code.cmp(&b.code));
        }
    }
    let mut all: Vec<labels::Label> =
        pieces.iter().map(|p| labels::Label::Piece(piece_label(shop, p, &names))).collect();
    all.extend(
        racks
            .iter()
            .map(|r| labels::Label::Rack(RackLabel { name: r.name.clone(), payload: r.id.to_string().to_uppercase() })),
    );
    if all.is_empty() {
        return Err(Error::refused(match what {
            Of::Due => say!("refused-no-labels-due"),
            Of::Pieces => say!("refused-no-pieces"),
            Of::Racks => say!("refused-no-racks"),
        }));
    }
    if all.len() > MOST {
        return Err(Error::bad(say!("error-many-labels", most = MOST)).at("names"));
    }
    let document = if png { labels::render_png(&all, paper, skip) } else { labels::render_pdf(&all, paper, skip) };
    let document = document.map_err(label_error)?;
    let due: Vec<&Piece> = pieces.iter().filter(|p| p.label_due).collect();
    let changed = match due.is_empty() || shop.store.is_read_only() {
        true => Vec::new(),
        false => {
            shop.write(host, |tx| {
                // An event of all pieces of a large shop would be too large.
                for some in due.chunks(1_000) {
                    let ids = some.iter().map(|p| p.id).collect();
                    let touches: Vec<Thing> = some.iter().map(|p| Thing::new(ThingKind::Piece, p.id)).collect();
                    tx.draft(Body::Labelled(Labelled { pieces: ids }), touches);
                }
                Ok(())
            })?
            .1
        }
    };
    let answer = LabelAnswer {
        labels: all.len(),
        pages: document.pages,
        out: None,
        name: format!("labels.{}", if png { "png" } else { "pdf" }),
        media_type: if png { "image/png" } else { "application/pdf" }.to_owned(),
        data: STANDARD.encode(&document.bytes),
    };
    Ok((answer, changed))
}

/// What stands on a piece's label.
fn piece_label(shop: &Shop, piece: &Piece, names: &Names) -> PieceLabel {
    let material = names.material_data(piece.material);
    let thickness = material.map_or_else(String::new, |m| units::format_length(m.data.thickness_um, shop.unit()));
    let (low, high) = piece.shape.bounds();
    let overall =
        units::format_size(i64::from(high.x) - i64::from(low.x), i64::from(high.y) - i64::from(low.y), shop.unit());
    let size = size_text(&piece.shape, shop);
    let name = names.material(piece.material);
    let mut sizes = vec![size.clone()];
    if overall != size {
        sizes = vec![say!("label-holds", size = size).text()];
        sizes.push(say!("label-overall", size = overall).text());
    }
    PieceLabel {
        code: piece.code.clone(),
        payload: piece.code.clone(),
        material: match name.contains(&thickness) {
            true => name,
            false => format!("{name} {thickness}"),
        },
        sizes,
        outline: Some(piece.shape.clone()),
        grain: piece.grain_udeg.map(Turn),
        order: held_for(piece, names),
        lot: names.lot(piece.lot),
        date: Some(view::when(piece.born_ms).chars().take(10).collect()),
    }
}

fn label_error(error: LabelError) -> Error {
    Error::bad(say!("error-label", why = error.to_string())).at("paper")
}
