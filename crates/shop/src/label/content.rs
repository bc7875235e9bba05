//! What stands on each kind of label, in the reader's words.

use sheetloft_labels::{Label, PieceLabel, RackLabel};
use sheetloft_ledger::state::{Order, Piece, Plan, Rack};
use sheetloft_ledger::units;
use sheetloft_shapes::{Shape, Turn};

use super::address;
use crate::datum::datum;
use crate::error::Error;
use crate::plan;
use crate::say;
use crate::shop::Shop;
use crate::view::{self, Names, held_for, size_text};

/// Writes labels of one shop.
pub(super) struct Writer<'a> {
    pub(super) shop: &'a Shop,
    pub(super) names: &'a Names,
    /// What the content of codes begins with.
    pub(super) address: Option<&'a str>,
}

impl Writer<'_> {
    fn payload(&self, code: &str) -> String {
        address::content(self.address, code)
    }

    /// The label of a sheet or an offcut.
    pub(super) fn piece(&self, piece: &Piece) -> PieceLabel {
        let Self { shop, names, .. } = self;
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
            payload: self.payload(&piece.code),
            material: match name.contains(&thickness) {
                true => name,
                false => format!("{name} {thickness}"),
            },
            sizes,
            outline: Some(piece.shape.clone()),
            grain: piece.grain_udeg.map(Turn),
            datum: datum(&piece.shape).map(|d| [d.corner, d.end]),
            order: held_for(piece, names).map(|order| say!("label-for", order = order).text()),
            lot: names.lot(piece.lot),
            date: Some(view::when(piece.born_ms).chars().take(10).collect()),
        }
    }

    /// The label of a stack of so many equal sheets, by the one that names it.
    pub(super) fn stack(&self, named_by: &Piece, sheets: usize) -> PieceLabel {
        let mut label = self.piece(named_by);
        label.sizes.insert(0, say!("label-stack", count = sheets).text());
        label
    }

    /// The label of an order: what lies together for it.
    pub(super) fn order(&self, order: &Order) -> PieceLabel {
        PieceLabel {
            code: order.code.clone(),
            payload: self.payload(&order.code),
            material: order.name.clone(),
            sizes: order.customer.iter().cloned().collect(),
            date: order.due.as_ref().map(|due| say!("label-due-on", date = due).text()),
            ..PieceLabel::default()
        }
    }

    /// The labels of a plan's parts, with the numbers that its ticket gives them.
    pub(super) fn parts(&self, plan: &Plan) -> Result<Vec<PieceLabel>, Error> {
        let shown = plan::answer_of(self.shop, plan)?;
        let mut labels = Vec::new();
        for piece in &shown.pieces {
            for (n, part) in piece.parts.iter().enumerate() {
                labels.push(PieceLabel {
                    code: say!("label-part-number", number = (n + 1).to_string()).text(),
                    payload: self.payload(&address::part(&plan.code, &part.id)),
                    material: say!("label-part", part = &part.part, order = &part.order).text(),
                    sizes: vec![
                        piece.material.clone(),
                        say!("label-part-of", piece = &piece.piece, plan = &plan.code).text(),
                    ],
                    outline: Shape::from_mm(&part.outline, &part.holes).ok(),
                    ..PieceLabel::default()
                });
            }
        }
        Ok(labels)
    }

    /// A label as the shop's own look, to try a printer and a scanner with: an offcut of odd shape.
    pub(super) fn sample(&self) -> Result<PieceLabel, Error> {
        let outline = [[0.0, 0.0], [620.0, 0.0], [620.0, 180.0], [260.0, 180.0], [260.0, 400.0], [0.0, 400.0]];
        let shape = Shape::from_mm(&outline, &[])?;
        let (w, h) = view::spoken_size(&shape);
        Ok(PieceLabel {
            code: say!("label-sample").text(),
            payload: self.payload(SAMPLE),
            material: say!("label-sample-text").text(),
            sizes: vec![say!("label-holds", size = units::format_size(w, h, self.shop.unit())).text()],
            datum: datum(&shape).map(|d| [d.corner, d.end]),
            outline: Some(shape),
            grain: Some(Turn(0)),
            ..PieceLabel::default()
        })
    }

    /// The label of a rack, bay or slot.
    pub(super) fn rack(&self, rack: &Rack) -> Label {
        let payload = self.payload(&rack.id.to_string().to_uppercase());
        Label::Rack(RackLabel { name: rack.name.clone(), payload })
    }
}

/// What the code of a sample says; as long as a piece's.
pub(super) const SAMPLE: &str = "SAMPLE-0";
