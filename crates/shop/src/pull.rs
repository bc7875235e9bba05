//! `pull`: fetching a plan's pieces from the racks: what was scanned is ticked off, or it is said loudly that it is the
//! wrong piece. Nothing is written: what a person has fetched so far is given each time.

use sheetloft_ledger::body::PieceKind;
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Piece, Plan, Status};

use crate::action;
use crate::answer::{PullAnswer, PullRow};
use crate::cautions;
use crate::error::Error;
use crate::limits;
use crate::order;
use crate::say;
use crate::say::Say;
use crate::scan;
use crate::shop::{Lookup, Shop, needed, shown};
use crate::view::{self, Names, size_text};

/// What a scan says while a plan's pieces are pulled, and what is still to be fetched.
pub fn pull(shop: &Shop, with: &action::Pull) -> Result<PullAnswer, Error> {
    let reader = shop.read();
    let plan = reader.find_plan(&with.plan).map_err(|e| e.at("plan"))?;
    let names = Names::read(&reader)?;
    let mut wanted = Vec::new();
    for planned in plan.pieces.iter().filter(|p| !plan.cut.contains(&p.piece)) {
        wanted.extend(reader.piece(planned.piece)?);
    }
    let mut pulled: Vec<String> = Vec::new();
    for code in &with.pulled {
        let piece = reader.find_piece(code).map_err(|e| e.at("pulled"))?;
        if wanted.iter().any(|w| w.id == piece.id) && !pulled.contains(&piece.code) {
            pulled.push(piece.code);
        }
    }
    let text = with.text.as_deref().map(str::trim).filter(|t| !t.is_empty());
    let (verdict, found, said) = match text {
        None => ("none", None, None),
        Some(text) => {
            let read = needed(text, "text")?;
            if read.chars().count() > limits::SCAN_CHARS {
                return Err(Error::bad(say!("error-scan-long")).at("text"));
            }
            let (verdict, piece, said) = match scan::piece(&reader, &read)? {
                Some(piece) => judge(&names, &plan, &wanted, &pulled, &piece),
                None => ("unknown", None, say!("pull-unknown", text = shown(&read))),
            };
            if verdict == "yes" {
                pulled.extend(piece.clone());
            }
            (verdict, piece, Some(said.text()))
        }
    };
    let mut cautions: Vec<String> = Vec::new();
    let mut left = Vec::new();
    for piece in wanted.iter().filter(|p| !pulled.contains(&p.code)) {
        let material = names.material_data(piece.material);
        let weight_kg = material.and_then(|m| view::weight_kg(piece.shape.area2(), m));
        if let Some(material) = material {
            let said = cautions::handling(material, weight_kg, cautions::longest_um(&piece.shape));
            cautions::once(&mut cautions, said);
        }
        left.push(PullRow {
            piece: piece.code.clone(),
            rack: names.rack(piece.rack),
            material: names.material(piece.material),
            size: size_text(&piece.shape, shop),
            weight_kg,
        });
    }
    left.sort_by(|a, b| (&a.rack, &a.material, &a.piece).cmp(&(&b.rack, &b.material, &b.piece)));
    Ok(PullAnswer {
        plan: plan.code.clone(),
        state: order::plan_state(&plan).to_owned(),
        orders: plan.orders.iter().map(|o| names.order(*o)).collect(),
        verdict: verdict.to_owned(),
        piece: found,
        text: said,
        pulled,
        cautions,
        left,
    })
}

/// Right, fetched already, or wrong and why; the planned piece that is ticked off.
fn judge(
    names: &Names,
    plan: &Plan,
    wanted: &[Piece],
    pulled: &[String],
    piece: &Piece,
) -> (&'static str, Option<String>, Say) {
    let code = &piece.code;
    let here = names.rack(piece.rack).unwrap_or_else(|| "—".to_owned());
    if wanted.iter().any(|w| w.id == piece.id) {
        return match pulled.contains(code) {
            true => ("again", Some(code.clone()), say!("pull-again", piece = code)),
            false => ("yes", Some(code.clone()), say!("pull-yes", piece = code)),
        };
    }
    if plan.cut.contains(&piece.id) {
        return ("no", None, say!("pull-cut", piece = code));
    }
    if piece.used.is_some() {
        return ("no", None, say!("pull-gone", piece = code));
    }
    if let Some(order) = view::held_for(piece, names) {
        return ("held", None, say!("pull-held", piece = code, order = order, rack = here));
    }
    // One label stands for a stack of equal sheets: the one that is planned is as good as the one whose label was read.
    let equal = |w: &&Piece| {
        !pulled.contains(&w.code)
            && w.kind == PieceKind::Sheet
            && (w.kind, w.material, w.lot, w.rack) == (piece.kind, piece.material, piece.lot, piece.rack)
            && w.flaws.is_empty()
            && piece.flaws.is_empty()
            && w.shape == piece.shape
    };
    let free = rules::on_hand(piece).is_ok() && piece.status() == Status::Free;
    match wanted.iter().find(equal).filter(|_| free) {
        Some(same) => ("yes", Some(same.code.clone()), say!("pull-equal", piece = code, planned = &same.code)),
        None => ("no", None, say!("pull-no", piece = code, rack = here)),
    }
}
