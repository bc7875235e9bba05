//! A plan as people and scripts read it.

use std::collections::HashMap;

use sheetloft_ledger::body::{PlannedLeftover, PlannedPart, PlannedPiece, ToBuy};
use sheetloft_ledger::state::{Order, Piece, Plan};
use sheetloft_ledger::units;
use sheetloft_shapes::{Placement, Point, Shape};
use uuid::Uuid;

use super::placed_part;
use crate::answer::{
    BuyRow, LeftoverRow, NewSheetRow, NotPlacedRow, PlanAnswer, PlannedPartRow, PlannedPieceRow, SawRow, StraightRow,
};
use crate::catalogue;
use crate::cautions;
use crate::cut::{orders_of, orders_of_parts};
use crate::datum::datum;
use crate::error::Error;
use crate::leftovers;
use crate::order::{self, plan_state};
use crate::say;
use crate::shop::{Lookup, Shop};
use crate::view::{self, Names, holes_mm, mm, mm2, point_mm, ring_mm, shape_mm, size_text, weight_kg};

/// The number of a line within its order, from 1.
fn line_number(orders: &[Order], order: Uuid, line: Uuid) -> usize {
    let order = orders.iter().find(|o| o.id == order);
    order.and_then(|o| o.lines.iter().position(|l| l.line == line)).map_or(0, |n| n + 1)
}

/// A plan with its pieces; what it costs to buy what is not there; and what to look out for.
pub fn answer(shop: &Shop, plan: &Plan, seconds: f64) -> Result<PlanAnswer, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let mut all: Vec<Order> = Vec::new();
    for id in &plan.orders {
        all.extend(order::by_id(&reader, *id)?);
    }
    let mut rows = Vec::new();
    let mut warnings = Vec::new();
    let mut said = Vec::new();
    let mut layouts = Layouts::default();
    let machine = reader.machines()?.into_iter().find(|m| Some(m.id) == plan.machine);
    for planned in &plan.pieces {
        let Some(piece) = reader.piece(planned.piece)? else { continue };
        let material = reader.material(piece.material)?;
        let orders = orders_of(&reader, planned)?;
        let weight = weight_kg(piece.shape.area2(), &material);
        cautions::once(&mut said, cautions::cutting(&material, weight, cautions::longest_um(&piece.shape)));
        if planned.gap_um > 0 && planned.gap_um < planned.kerf_um {
            warnings.push(say!("warning-gap", material = &material.data.name).text());
        }
        if !planned.saws.is_empty() {
            let said = say!("warning-saw", piece = &piece.code, count = planned.saws.len());
            warnings.push(said.text());
        }
        let mut parts = Vec::new();
        for p in &planned.parts {
            parts.push(part_row(p, &all, &orders, &names)?);
        }
        let cutting = match &machine {
            Some(machine) => catalogue::cutting(machine, &material, cut_um(&parts)),
            None => Vec::new(),
        };
        rows.push(PlannedPieceRow {
            cutting,
            piece: piece.code.clone(),
            kind: view::kind_word(piece.kind).to_owned(),
            material: material.data.name.clone(),
            size: size_text(&piece.shape, shop),
            rack: names.rack(piece.rack),
            weight_kg: weight,
            grain_deg: view::grain_deg(&piece),
            outline: ring_mm(piece.shape.outline()),
            holes: holes_mm(&piece.shape),
            flaws: piece.flaws.iter().map(|f| shape_mm(&f.shape)).collect(),
            tight: is_tight(&piece, planned, &orders)?,
            parts,
            leftovers: planned.leftovers.iter().map(|l| leftover_row(l, shop)).collect(),
            charged: shop.money(planned.charged),
            scrap: shop.money(planned.scrap),
            price: planned.price.map(|p| shop.money(p)),
            cut: plan.cut.contains(&planned.piece),
            layout: layouts.number(&piece, planned),
            saws: planned.saws.iter().map(|s| saw_row(s.from, s.to, s.kerf_um)).collect(),
            datum: datum(&piece.shape).map(|d| [point_mm(d.corner), point_mm(d.end)]),
            held_for: view::held_for(&piece, &names),
        });
    }
    let mut new_sheets = Vec::new();
    let (mut buy_price, mut buy_used): (Option<i64>, i64) = (Some(0), 0);
    for sheet in &plan.to_buy {
        let material = reader.material(sheet.material)?;
        let orders = orders_of_parts(&reader, &sheet.parts)?;
        let shape = sheet_shape(sheet, material.data.size_tolerance_um)?;
        let used = used_price(sheet, shape.area2());
        buy_price = buy_price.zip(used).map(|(a, b)| a + b);
        buy_used += used.unwrap_or(0);
        let mut parts = Vec::new();
        for p in &sheet.parts {
            parts.push(part_row(p, &all, &orders, &names)?);
        }
        new_sheets.push(NewSheetRow {
            material: material.data.name.clone(),
            size: units::format_size(sheet.w_um, sheet.h_um, shop.unit()),
            outline: ring_mm(shape.outline()),
            parts,
            leftovers: sheet.leftovers.iter().map(|l| leftover_row(l, shop)).collect(),
        });
    }
    for i in &plan.instead {
        warnings.push(say!("warning-instead", material = names.material(i.of), other = names.material(i.other)).text());
    }
    warnings.sort();
    warnings.dedup();
    let price: Option<i64> = plan.pieces.iter().map(|p| p.price).sum();
    let price = price.zip(buy_price).map(|(a, b)| a + b);
    let above_percent = price.zip(plan.lower_bound).filter(|(_, least)| *least > 0).map(|(price, least)| {
        let above = i128::from((price - least).max(0)) * 100;
        u32::try_from((above + i128::from(least) - 1) / i128::from(least)).unwrap_or(u32::MAX)
    });
    Ok(PlanAnswer {
        plan: plan.code.clone(),
        uuid: plan.id.to_string(),
        orders: plan.orders.iter().map(|o| names.order(*o)).collect(),
        state: plan_state(plan).to_owned(),
        price: price.map(|p| shop.money(p)),
        cost: shop.money(plan.pieces.iter().map(|p| p.charged).sum::<i64>() + buy_used),
        pieces: rows,
        not_placed: plan
            .not_placed
            .iter()
            .map(|n| NotPlacedRow {
                line: line_number(&all, n.order, n.line),
                order: names.order(n.order),
                id: n.id.clone(),
                why: n.why.clone(),
            })
            .collect(),
        lower_bound: plan.lower_bound.map(|b| shop.money(b)),
        above_percent,
        least_pieces: (plan.least_pieces > 0).then_some(plan.least_pieces),
        seconds,
        warnings,
        cautions: said,
        layouts: layouts.0.len(),
        buy: buy_rows(shop, &names, &plan.to_buy),
        new_sheets,
        taken_over: plan.taken_over.as_ref().map(|t| t.why.clone()),
    })
}

/// Layouts by what is on them: equal pieces with equal parts at equal places have one number.
#[derive(Default)]
struct Layouts(HashMap<String, usize>);

impl Layouts {
    /// From 1.
    fn number(&mut self, piece: &Piece, planned: &PlannedPiece) -> usize {
        let mut parts: Vec<(Uuid, Uuid, &str, Placement)> =
            planned.parts.iter().map(|p| (p.order, p.line, p.part.as_str(), p.place)).collect();
        parts.sort_by_key(|p| (p.0, p.1, p.2.to_owned(), p.3.turn.0, p.3.flip, p.3.dx, p.3.dy));
        let key = format!("{:?} {:?} {:?} {:?}", piece.material, piece.shape, piece.flaws, parts);
        let next = self.0.len() + 1;
        *self.0.entry(key).or_insert(next)
    }
}

fn part_row(p: &PlannedPart, all: &[Order], orders: &[Order], names: &Names) -> Result<PlannedPartRow, Error> {
    let shape = placed_part(orders, p)?;
    Ok(PlannedPartRow {
        line: line_number(all, p.order, p.line),
        order: names.order(p.order),
        id: p.id.clone(),
        part: p.part.clone(),
        place: view::place(&p.place),
        outline: ring_mm(shape.outline()),
        holes: holes_mm(&shape),
    })
}

/// A leftover as it is shown.
pub fn leftover_row(l: &PlannedLeftover, shop: &Shop) -> LeftoverRow {
    LeftoverRow {
        outline: ring_mm(l.shape.outline()),
        holes: holes_mm(&l.shape),
        keep: l.keep,
        area_mm2: mm2(l.shape.area2()),
        size: size_text(&l.shape, shop),
        straight: l.keep.then(|| leftovers::straight(&l.shape)).flatten().map(|s| StraightRow {
            outline: ring_mm(s.kept.outline()),
            cuts: s.cuts.iter().map(|cut| cut.map(point_mm)).collect(),
            is_l: s.is_l,
            area_mm2: mm2(s.kept.area2()),
            size: size_text(&s.kept, shop),
        }),
    }
}

fn saw_row(from: Point, to: Point, kerf_um: i64) -> SawRow {
    SawRow { from: point_mm(from), to: point_mm(to), kerf: mm(kerf_um) }
}

fn sheet_shape(sheet: &ToBuy, less_um: i64) -> Result<Shape, Error> {
    Ok(Shape::rectangle(sheet.w_um - less_um, sheet.h_um - less_um)?)
}

/// Today's price of what is used up of a sheet to be bought.
pub fn used_price(sheet: &ToBuy, area2: i64) -> Option<i64> {
    let kept2: i64 = sheet.leftovers.iter().filter(|l| l.keep).map(|l| l.shape.area2()).sum();
    let used = i128::from(sheet.price?) * i128::from((area2 - kept2).max(0)) / i128::from(area2.max(1));
    i64::try_from(used).ok()
}

/// The buying list: equal sheets in one row.
fn buy_rows(shop: &Shop, names: &Names, to_buy: &[ToBuy]) -> Vec<BuyRow> {
    let mut rows: Vec<(&ToBuy, i64)> = Vec::new();
    for sheet in to_buy {
        let same = |s: &ToBuy| (s.material, s.w_um, s.h_um) == (sheet.material, sheet.w_um, sheet.h_um);
        match rows.iter_mut().find(|(s, _)| same(s)) {
            Some((_, count)) => *count += 1,
            None => rows.push((sheet, 1)),
        }
    }
    rows.into_iter()
        .map(|(s, count)| BuyRow {
            material: names.material(s.material),
            size: units::format_size(s.w_um, s.h_um, shop.unit()),
            size_mm: [mm(s.w_um), mm(s.h_um)],
            sheets: count as usize,
            price: s.price.map(|p| shop.money(p)),
            total: s.price.map(|p| shop.money(p * count)),
            supplier: s.supplier.clone(),
        })
        .collect()
}

/// Whether some part keeps less from the rim, beyond the kerf, than the outline is known to. The margin
/// counts as room here: a plan pushes parts against it on purpose.
fn is_tight(piece: &Piece, planned: &PlannedPiece, orders: &[Order]) -> Result<bool, Error> {
    let asked = planned.kerf_um;
    for p in &planned.parts {
        let part = placed_part(orders, p)?;
        let kept = sheetloft_shapes::clear::inside_spare_um(&part, &piece.shape).unwrap_or(0);
        if kept - asked < piece.known_within_um {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Length of everything that is cut of these parts, µm. Lines that two of them share count twice.
fn cut_um(parts: &[PlannedPartRow]) -> i64 {
    let ring = |ring: &Vec<[f64; 2]>| -> f64 {
        let next = ring.iter().cycle().skip(1);
        ring.iter().zip(next).map(|(a, b)| libm::hypot(b[0] - a[0], b[1] - a[1])).sum()
    };
    let of = |p: &PlannedPartRow| ring(&p.outline) + p.holes.iter().map(ring).sum::<f64>();
    libm::round(parts.iter().map(of).sum::<f64>() * 1_000.0) as i64
}
