//! `ticket`: the sheets of paper that go to the machine with a plan.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sheetloft_drawings::Frame;
use sheetloft_labels::{self as labels, Drawing, Region, RingMm, Section, Table, Ticket, TicketPiece};
use sheetloft_shapes::circle::largest_circle;
use sheetloft_shapes::{Point, Shape};

use crate::action;
use crate::answer::{FileAnswer, LeftoverRow, PlanAnswer, PlannedPieceRow};
use crate::datum::datum;
use crate::error::Error;
use crate::order;
use crate::plan;
use crate::say;
use crate::shop::{Lookup, Shop};

/// The ticket of a plan, as PDF.
pub fn ticket(shop: &Shop, with: &action::Ticket) -> Result<FileAnswer, Error> {
    let reader = shop.read();
    let state = reader.find_plan(&with.plan).map_err(|e| e.at("plan"))?;
    if state.pieces.is_empty() {
        return Err(Error::refused(say!("refused-plan-empty", plan = &state.code)));
    }
    let plan = plan::answer_of(shop, &state)?;
    let mut about = Vec::new();
    for id in &state.orders {
        if let Some(order) = order::by_id(&reader, *id)? {
            let known = |t: &Option<String>| if t.is_some() { "yes" } else { "no" };
            let said = say!(
                "ticket-order",
                order = &order.code,
                name = &order.name,
                whose = known(&order.customer),
                customer = order.customer.clone().unwrap_or_default(),
                by = known(&order.due),
                due = order.due.clone().unwrap_or_default(),
            );
            about.push(said.text());
        }
    }
    let machine = reader.machines()?.into_iter().find(|m| Some(m.id) == state.machine);
    about.extend(machine.map(|m| say!("ticket-machine", machine = m.data.name).text()));
    let mut pieces = Vec::new();
    for group in groups(&plan) {
        pieces.push(piece(&plan, &group)?);
    }
    let cautions = Section {
        title: say!("ticket-cautions").text(),
        lines: plan.warnings.iter().chain(&plan.cautions).cloned().collect(),
        urgent: true,
        table: None,
    };
    let ticket = Ticket {
        title: plan.plan.clone(),
        payload: plan.plan.clone(),
        about,
        sections: vec![pull_list(&plan), cautions],
        pieces,
        foot: say!("ticket-foot", plan = &plan.plan).text(),
    };
    let document = labels::ticket(&ticket).map_err(|e| Error::fault(say!("error-label", why = e.to_string())))?;
    Ok(FileAnswer {
        name: format!("{}.pdf", plan.plan),
        media_type: "application/pdf".to_owned(),
        data: STANDARD.encode(&document.bytes),
        warnings: Vec::new(),
    })
}

/// Pieces still to be cut, equal layouts together.
fn groups(plan: &PlanAnswer) -> Vec<Vec<&PlannedPieceRow>> {
    let mut groups: Vec<Vec<&PlannedPieceRow>> = Vec::new();
    for piece in plan.pieces.iter().filter(|p| !p.cut) {
        match groups.iter_mut().find(|g| g[0].layout == piece.layout) {
            Some(group) => group.push(piece),
            None => groups.push(vec![piece]),
        }
    }
    groups
}

/// What to pull, rack by rack.
fn pull_list(plan: &PlanAnswer) -> Section {
    let mut pieces: Vec<&PlannedPieceRow> = plan.pieces.iter().filter(|p| !p.cut).collect();
    pieces.sort_by(|a, b| (&a.rack, &a.material, &a.piece).cmp(&(&b.rack, &b.material, &b.piece)));
    let rows = pieces
        .iter()
        .map(|p| {
            let weight = p.weight_kg.map_or_else(String::new, |kg| say!("ticket-kg", kg = format!("{kg:.1}")).text());
            let rack = p.rack.clone().unwrap_or_else(|| "—".to_owned());
            vec![rack, p.piece.clone(), p.material.clone(), p.size.clone(), weight]
        })
        .collect();
    let heads = say!("ticket-head-pull").text().split('|').map(|h| h.trim().to_owned()).collect();
    let table = Table { heads, shares: vec![1.4, 1.3, 2.4, 2.2, 0.9], rows, ticks: true };
    Section { title: say!("ticket-pull").text(), lines: Vec::new(), urgent: false, table: Some(table) }
}

/// One layout: its picture as it lies at the stop, its parts and leftovers by number.
fn piece(plan: &PlanAnswer, group: &[&PlannedPieceRow]) -> Result<TicketPiece, Error> {
    let shown = group[0];
    let shape = Shape::from_mm(&shown.outline, &shown.holes)?;
    let datum = datum(&shape);
    let frame = datum.map_or_else(Frame::default, |d| d.frame(false));
    let codes: Vec<&str> = group.iter().map(|p| p.piece.as_str()).collect();
    let mut rows = Vec::new();
    let mut parts = Vec::new();
    for (n, part) in shown.parts.iter().enumerate() {
        parts.push(region(&frame, &part.outline, &part.holes, (n + 1).to_string())?);
        let name = if group.len() == 1 { part.id.clone() } else { part.part.clone() };
        rows.push(vec![(n + 1).to_string(), name, part.order.clone()]);
    }
    let mut kept = Vec::new();
    for (n, leftover) in shown.leftovers.iter().enumerate().filter(|(_, l)| l.keep) {
        let name = say!("ticket-keep", number = (n + 1).to_string()).text();
        kept.push(leftover_region(&frame, leftover, name.clone())?);
        rows.push(vec![name, leftover.size.clone(), say!("ticket-label-it").text()]);
    }
    let ring = |ring: &[[f64; 2]]| -> RingMm { ring.iter().map(|p| at(&frame, *p)).collect() };
    let turn = frame.along[1].atan2(frame.along[0]).to_degrees();
    let drawing = Drawing {
        rim: std::iter::once(&shown.outline).chain(&shown.holes).map(|r| ring(r)).collect(),
        parts,
        kept,
        flaws: shown.flaws.iter().map(|f| ring(&f.outline)).collect(),
        saws: shown.saws.iter().map(|s| [at(&frame, s.from), at(&frame, s.to)]).collect(),
        stop_mm: datum.map(|d| d.length_um() as f64 / 1_000.0),
        stop_text: say!("ticket-stop").text(),
        grain_deg: shown.grain_deg.map(|g| g - turn),
    };
    let title = match codes.len() {
        1 => say!("ticket-piece", piece = codes[0], size = &shown.size, material = &shown.material),
        n => say!("ticket-pieces", count = n, size = &shown.size, material = &shown.material),
    };
    let mut lines = Vec::new();
    if codes.len() > 1 {
        lines.push(say!("ticket-repeat", count = codes.len(), pieces = codes.join(", ")).text());
    }
    let rack = shown.rack.clone().unwrap_or_else(|| "—".to_owned());
    lines.push(say!("ticket-lies", rack = rack, layout = format!("{}-{}", plan.plan, shown.piece)).text());
    lines.extend(shown.cutting.iter().cloned());
    let mut warnings = Vec::new();
    if shown.tight {
        warnings.push(say!("ticket-tight").text());
    }
    if !shown.saws.is_empty() {
        warnings.push(say!("ticket-saw", count = shown.saws.len()).text());
    }
    if let Some(orders) = &shown.held_for
        && !plan.orders.iter().any(|o| orders.contains(o.as_str()))
    {
        warnings.push(say!("ticket-held", orders = orders).text());
    }
    let heads = say!("ticket-head-parts").text().split('|').map(|h| h.trim().to_owned()).collect();
    Ok(TicketPiece {
        title: title.text(),
        lines,
        warnings,
        drawing,
        scale: say!("ticket-scale").text(),
        table: Table { heads, shares: vec![0.8, 2.6, 1.6], rows, ticks: true },
    })
}

/// A point of the piece, mm, as it lies at the stop.
fn at(frame: &Frame, p: [f64; 2]) -> [f64; 2] {
    let um = |v: f64| libm::round(v * 1_000.0) as i32;
    frame.mm(Point::new(um(p[0]), um(p[1])))
}

fn region(frame: &Frame, outline: &[[f64; 2]], holes: &[Vec<[f64; 2]>], text: String) -> Result<Region, Error> {
    let shape = Shape::from_mm(outline, holes)?;
    let circle = largest_circle(&shape);
    let ring = |ring: &[[f64; 2]]| -> RingMm { ring.iter().map(|p| at(frame, *p)).collect() };
    Ok(Region {
        rings: std::iter::once(ring(outline)).chain(holes.iter().map(|h| ring(h))).collect(),
        middle: frame.mm(circle.centre),
        room_mm: circle.radius_um as f64 / 1_000.0,
        text,
    })
}

fn leftover_region(frame: &Frame, leftover: &LeftoverRow, text: String) -> Result<Region, Error> {
    region(frame, &leftover.outline, &leftover.holes, text)
}
