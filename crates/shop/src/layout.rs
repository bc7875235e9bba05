//! `layout`: the cutting drawing of one piece of a plan, as it lies at the machine's stop.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sheetloft_drawings::layout::LETTER_SHARE;
use sheetloft_drawings::{Frame, Label, Layout, LayoutFormat, Placed, layout as write};
use sheetloft_ledger::body::PlannedPiece;
use sheetloft_ledger::state::{Order, Piece, Plan};
use sheetloft_shapes::circle::largest_circle;
use sheetloft_shapes::clear::inside_spare_um;
use sheetloft_shapes::{Point, Shape};

use crate::action;
use crate::answer::FileAnswer;
use crate::cut::orders_of;
use crate::datum::{Datum, datum};
use crate::error::Error;
use crate::leftovers;
use crate::plan::placed_part;
use crate::remains;
use crate::say;
use crate::shop::{Lookup, Shop, filled, word};
use crate::view::{Names, size_text};

/// The cutting drawing of one piece: cut lines on one layer, the piece's rim and all writing on others.
pub fn layout(shop: &Shop, with: &action::Layout) -> Result<FileAnswer, Error> {
    let reader = shop.read();
    let plan = reader.find_plan(&with.plan).map_err(|e| e.at("plan"))?;
    let formats = [("dxf", LayoutFormat::Dxf), ("svg", LayoutFormat::Svg)];
    let format = word(Some(&with.format), &formats, LayoutFormat::Dxf, "format")?;
    let only = filled(with.piece.as_deref());
    let planned = match only {
        Some(code) => {
            let piece = reader.find_piece(code).map_err(|e| e.at("piece"))?;
            let missing = || Error::bad(say!("error-not-in-plan", piece = &piece.code, plan = &plan.code)).at("piece");
            plan.pieces.iter().find(|p| p.piece == piece.id).ok_or_else(missing)?
        }
        None => match plan.pieces.as_slice() {
            [one] => one,
            [] => return Err(Error::refused(say!("refused-plan-empty", plan = &plan.code))),
            several => return Err(which(shop, &plan, &several.iter().collect::<Vec<_>>())?),
        },
    };
    let piece =
        reader.piece(planned.piece)?.ok_or_else(|| Error::refused(say!("refused-piece-gone", plan = &plan.code)))?;
    let names = Names::read(&reader)?;
    let orders = orders_of(&reader, planned)?;
    let half = half(planned, &piece, with.half.as_deref())?;
    let shown = |shape: &Shape| half.as_ref().is_none_or(|half| inside_spare_um(shape, half).is_some());
    let mut parts = Vec::new();
    let mut labels = Vec::new();
    for p in &planned.parts {
        let lies = placed_part(&orders, p)?;
        if !shown(&lies) {
            continue;
        }
        parts.push(Placed { source: source(&orders, p)?, place: p.place });
        labels.extend(label(&lies, p.id.clone()));
    }
    let codes: Vec<String> = piece.used.iter().flat_map(|u| u.returned.iter().map(|r| r.code.clone())).collect();
    let (mut kept, mut straight) = (Vec::new(), Vec::new());
    for (n, leftover) in planned.leftovers.iter().filter(|l| l.keep).enumerate() {
        let size = size_text(&leftover.shape, shop);
        let text = match codes.get(n) {
            Some(code) => format!("{code}  {size}"),
            None => say!("layout-keep", number = n + 1, size = size).text(),
        };
        if !shown(&leftover.shape) {
            continue;
        }
        labels.extend(label(&leftover.shape, text));
        straight.extend(leftovers::parting(&piece.shape, &leftover.shape, planned.kerf_um));
        straight.extend(leftovers::straight(&leftover.shape).iter().flat_map(|s| s.edges(&leftover.shape)));
        kept.push(leftover.shape.clone());
    }
    let title = say!(
        "layout-title",
        plan = &plan.code,
        piece = &piece.code,
        material = names.material(piece.material),
        orders = orders.iter().map(|o| o.code.clone()).collect::<Vec<_>>().join(", "),
        up = if with.face_down { "back" } else { "face" },
    );
    let rim = half.unwrap_or_else(|| piece.shape.clone());
    let datum = datum(&rim);
    let frame = datum.map_or(Frame { face_down: with.face_down, ..Frame::default() }, |d| d.frame(with.face_down));
    let mut marks: Vec<[Point; 2]> = match &with.half {
        None => planned.saws.iter().map(|s| [s.from, s.to]).collect(),
        Some(_) => Vec::new(),
    };
    if let Some(datum) = datum {
        marks.extend(stop(&frame, datum));
        labels.push(Label { text: say!("layout-stop").text(), at: beside(&frame, datum), height_um: STOP_TEXT_UM });
    }
    let bytes = write(&Layout { title: title.text(), rim, parts, labels, kept, straight, frame, marks }, format);
    let mut warnings = Vec::new();
    if planned.gap_um > 0 && planned.gap_um < planned.kerf_um {
        warnings.push(say!("warning-gap", material = names.material(piece.material)).text());
    }
    let (ending, media_type) = match format {
        LayoutFormat::Dxf => ("dxf", "image/vnd.dxf"),
        LayoutFormat::Svg => ("svg", "image/svg+xml"),
    };
    Ok(FileAnswer {
        name: format!("{}-{}.{ending}", plan.code, piece.code),
        media_type: media_type.to_owned(),
        data: STANDARD.encode(bytes),
        warnings,
    })
}

/// What the saw makes of a piece, where one of that is asked for.
fn half(planned: &PlannedPiece, piece: &Piece, number: Option<&str>) -> Result<Option<Shape>, Error> {
    let Some(number) = filled(number) else { return Ok(None) };
    let mut halves = remains::halves(&piece.shape, &planned.saws)?;
    let at = number.trim().parse::<usize>().ok().filter(|n| (1..=halves.len()).contains(n));
    let wrong = || Error::bad(say!("error-no-half", piece = &piece.code, count = halves.len())).at("half");
    let at = at.ok_or_else(wrong)?;
    Ok(Some(halves.swap_remove(at - 1)))
}

/// Height of the word at the stop, µm.
const STOP_TEXT_UM: i32 = 8_000;
/// How far outside the piece the stop is drawn, and how long its second leg is, µm.
const STOP_UM: (f64, f64) = (6_000.0, 60_000.0);

/// The stop, drawn just outside the piece along its datum side, with a leg at its corner.
fn stop(frame: &Frame, datum: Datum) -> Vec<[Point; 2]> {
    let (away, leg) = STOP_UM;
    let at = |along: f64, across: f64| on_piece(frame, along, across);
    let length = datum.length_um() as f64;
    let corner = at(-away, -away);
    vec![[corner, at(length, -away)], [corner, at(-away, leg)]]
}

/// Where the word at the stop goes: under the datum side.
fn beside(frame: &Frame, datum: Datum) -> Point {
    on_piece(frame, datum.length_um() as f64 / 2.0, -2.0 * STOP_UM.0 - f64::from(STOP_TEXT_UM) / 2.0)
}

/// A point of the drawing, µm from its origin, on the piece.
pub fn on_piece(frame: &Frame, along: f64, across: f64) -> Point {
    let length = libm::hypot(frame.along[0], frame.along[1]).max(1.0);
    let [ux, uy] = frame.along.map(|v| v / length);
    let [nx, ny] = if frame.face_down { [uy, -ux] } else { [-uy, ux] };
    let um = |v: f64| libm::round(v) as i32;
    Point::new(
        um(f64::from(frame.origin.x) + along * ux + across * nx),
        um(f64::from(frame.origin.y) + along * uy + across * ny),
    )
}

/// One of several pieces must be named.
pub fn which(shop: &Shop, plan: &Plan, pieces: &[&PlannedPiece]) -> Result<Error, Error> {
    let mut codes = Vec::new();
    for planned in pieces {
        codes.extend(shop.read().piece(planned.piece)?.map(|p| p.code));
    }
    let say = say!("error-which-piece", plan = &plan.code, count = pieces.len(), pieces = codes.join(", "));
    Ok(Error::bad(say).at("piece"))
}

fn source(orders: &[Order], p: &sheetloft_ledger::body::PlannedPart) -> Result<Vec<sheetloft_shapes::Contour>, Error> {
    let line = orders.iter().find(|o| o.id == p.order).and_then(|o| o.lines.iter().find(|l| l.line == p.line));
    let part = line.and_then(|l| l.parts.iter().find(|q| q.id == p.part));
    part.map(|p| p.source.clone()).ok_or_else(|| Error::refused(say!("refused-order-gone")))
}

/// Writing that fits into the largest circle of a shape.
fn label(shape: &Shape, text: String) -> Option<Label> {
    let circle = largest_circle(shape);
    let count = i64::try_from(text.chars().count()).unwrap_or(i64::MAX).max(1);
    // The line must fit into the circle.
    let width = 2.0 * circle.radius_um as f64;
    let height = (width / (LETTER_SHARE * count as f64).max(1.0)).clamp(1_000.0, 20_000.0) as i64;
    Some(Label { text, at: circle.centre, height_um: i32::try_from(height).ok()? })
}
