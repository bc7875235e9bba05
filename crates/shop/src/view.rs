//! From the books' plain data to what people and scripts read: mm, mm², money as text, words.

use std::collections::HashMap;

use chrono::{DateTime, SecondsFormat};
use sheetloft_ledger::body::{Flaw, FlawSide, Known, PieceKind, TurnRule};
use sheetloft_ledger::state::{Material, Piece, Status};
use sheetloft_ledger::units::{self, Unit};
use sheetloft_shapes::rectangle::largest_rectangle;
use sheetloft_shapes::{Placement, Point, Shape};
use sheetloft_store::Reader;
use uuid::Uuid;

use crate::answer::{FlawRow, PieceRow, Place, ShapeMm};
use crate::error::Error;
use crate::say;
use crate::shop::Shop;

/// µm as mm.
pub fn mm(um: i64) -> f64 {
    um as f64 / 1_000.0
}

/// Twice µm² as mm².
pub fn mm2(area2: i64) -> f64 {
    area2 as f64 / 2_000_000.0
}

/// A point in mm.
pub fn point_mm(p: Point) -> [f64; 2] {
    [mm(i64::from(p.x)), mm(i64::from(p.y))]
}

/// A ring in mm.
pub fn ring_mm(ring: &[Point]) -> Vec<[f64; 2]> {
    ring.iter().map(|p| point_mm(*p)).collect()
}

/// A shape's holes in mm.
pub fn holes_mm(shape: &Shape) -> Vec<Vec<[f64; 2]>> {
    shape.holes().iter().map(|h| ring_mm(h)).collect()
}

/// A shape in mm.
pub fn shape_mm(shape: &Shape) -> ShapeMm {
    ShapeMm { outline: ring_mm(shape.outline()), holes: holes_mm(shape) }
}

/// A placement as promised.
pub fn place(p: &Placement) -> Place {
    Place { turn_deg: p.turn.0 as f64 / 1_000_000.0, flip: p.flip, move_mm: [mm(i64::from(p.dx)), mm(i64::from(p.dy))] }
}

/// Milliseconds since 1970 as RFC 3339 UTC.
pub fn when(ms: u64) -> String {
    i64::try_from(ms)
        .ok()
        .and_then(DateTime::from_timestamp_millis)
        .map_or_else(|| "—".to_owned(), |t| t.to_rfc3339_opts(SecondsFormat::Secs, true))
}

/// `sheet` or `offcut`.
pub fn kind_word(kind: PieceKind) -> &'static str {
    kind.word()
}

/// `any`, `quarter`, `half` or `none`.
pub fn turn_word(turn: TurnRule) -> &'static str {
    match turn {
        TurnRule::Any => "any",
        TurnRule::Quarter => "quarter",
        TurnRule::Half => "half",
        TurnRule::None => "none",
    }
}

/// `machine`, `tape` or `guess`.
pub fn known_word(known: Known) -> &'static str {
    match known {
        Known::Machine => "machine",
        Known::Tape => "tape",
        Known::Guess => "guess",
    }
}

/// `face`, `back` or `through`.
pub fn side_word(side: FlawSide) -> &'static str {
    match side {
        FlawSide::Face => "face",
        FlawSide::Back => "back",
        FlawSide::Through => "through",
    }
}

/// The flaws of a piece, numbered from 1.
pub fn flaw_rows(piece: &Piece, unit: Unit) -> Vec<FlawRow> {
    let row = |(i, f): (usize, &Flaw)| {
        let (low, high) = f.shape.bounds();
        let (low, high) = ([low.x, low.y].map(i64::from), [high.x, high.y].map(i64::from));
        FlawRow {
            flaw: i + 1,
            outline: ring_mm(f.shape.outline()),
            side: side_word(f.side).to_owned(),
            why: f.why.clone(),
            place: say!(
                "flaw-place",
                size = units::format_size(high[0] - low[0], high[1] - low[1], unit),
                x = units::format_length(low[0], unit),
                y = units::format_length(low[1], unit),
            )
            .text(),
        }
    };
    piece.flaws.iter().enumerate().map(row).collect()
}

/// Twice µm² of a material as grams: area × thickness × density, rounded.
pub fn weight_g(area2: i64, thickness_um: i64, density_g_m3: Option<i64>) -> Option<i64> {
    let density = i128::from(density_g_m3?);
    // area2 / 2 µm² × µm × g/m³ = 1e-18 m³ g/m³.
    let grams = (i128::from(area2) * i128::from(thickness_um) * density + 1_000_000_000_000_000_000)
        / 2_000_000_000_000_000_000;
    i64::try_from(grams).ok()
}

/// A weight in kg of a piece of a material.
pub fn weight_kg(area2: i64, material: &Material) -> Option<f64> {
    weight_g(area2, material.data.thickness_um, material.data.density_g_m3).map(|g| g as f64 / 1_000.0)
}

/// Names by UUID, read once for a list.
pub struct Names {
    materials: HashMap<Uuid, Material>,
    racks: HashMap<Uuid, String>,
    lots: HashMap<Uuid, String>,
    orders: HashMap<Uuid, String>,
}

impl Names {
    /// All names of a shop.
    pub fn read(reader: &Reader<'_>) -> Result<Self, Error> {
        Ok(Self {
            materials: reader.materials()?.into_iter().map(|m| (m.id, m)).collect(),
            racks: reader.racks()?.into_iter().map(|r| (r.id, r.name)).collect(),
            lots: reader.lots()?.into_iter().map(|l| (l.id, l.name)).collect(),
            orders: reader.orders()?.into_iter().map(|o| (o.id, o.code)).collect(),
        })
    }

    /// A material's name.
    pub fn material(&self, id: Uuid) -> String {
        self.materials.get(&id).map_or_else(|| id.to_string(), |m| m.data.name.clone())
    }

    /// A material's data.
    pub fn material_data(&self, id: Uuid) -> Option<&Material> {
        self.materials.get(&id)
    }

    /// A rack's name.
    pub fn rack(&self, id: Option<Uuid>) -> Option<String> {
        id.map(|id| self.racks.get(&id).cloned().unwrap_or_else(|| id.to_string()))
    }

    /// A lot's name.
    pub fn lot(&self, id: Option<Uuid>) -> Option<String> {
        id.map(|id| self.lots.get(&id).cloned().unwrap_or_else(|| id.to_string()))
    }

    /// An order's code.
    pub fn order(&self, id: Uuid) -> String {
        self.orders.get(&id).cloned().unwrap_or_else(|| id.to_string())
    }
}

/// The size a person would say: the largest rectangle in the piece.
pub fn size_text(shape: &Shape, shop: &Shop) -> String {
    let (w, h) = spoken_size(shape);
    units::format_size(w, h, shop.unit())
}

/// Sides of the largest rectangle in a shape, long side first, µm.
pub fn spoken_size(shape: &Shape) -> (i64, i64) {
    let (low, high) = shape.bounds();
    let (w, h) = (i64::from(high.x) - i64::from(low.x), i64::from(high.y) - i64::from(low.y));
    if i128::from(shape.area2()) == 2 * i128::from(w) * i128::from(h) {
        return (w.max(h), w.min(h));
    }
    largest_rectangle(shape).map_or((0, 0), |best| (best.long_um, best.short_um))
}

/// One row of a list of pieces.
pub fn piece_row(piece: &Piece, names: &Names, shop: &Shop, stack: Option<String>, shapes: bool) -> PieceRow {
    PieceRow {
        piece: piece.code.clone(),
        uuid: piece.id.to_string(),
        kind: kind_word(piece.kind).to_owned(),
        material: names.material(piece.material),
        status: piece.status().word().to_owned(),
        rack: names.rack(piece.rack),
        lot: names.lot(piece.lot),
        cost: shop.money(piece.carried()),
        area_mm2: mm2(piece.shape.area2()),
        stack,
        size: size_text(&piece.shape, shop),
        label_due: piece.label_due && matches!(piece.status(), Status::Free | Status::Held),
        held_for: held_for(piece, names),
        grain_deg: grain_deg(piece),
        owner: piece.owner.clone(),
        shape: shapes.then(|| shape_mm(&piece.shape)),
    }
}

/// Direction of a piece's grain, degrees counter-clockwise from x.
pub fn grain_deg(piece: &Piece) -> Option<f64> {
    piece.grain_udeg.map(|g| g as f64 / 1_000_000.0)
}

/// The orders a piece is held for, by code.
pub fn held_for(piece: &Piece, names: &Names) -> Option<String> {
    let orders: Vec<String> = piece.holds.iter().flat_map(|h| h.orders.iter().map(|o| names.order(*o))).collect();
    (!orders.is_empty()).then(|| orders.join(", "))
}
