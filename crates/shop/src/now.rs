//! `now`: what needs doing, and the way into each.

use sheetloft_ledger::body::PieceKind;
use sheetloft_store::PieceFilter;

use crate::answer::{NowAnswer, Todo};
use crate::error::Error;
use crate::order;
use crate::say;
use crate::say::Say;
use crate::shop::Shop;
use crate::undo;

/// What needs doing now.
pub fn now(shop: &Shop) -> Result<NowAnswer, Error> {
    let reader = shop.read();
    let on_hand = reader.pieces(&PieceFilter::on_hand())?;
    let due = on_hand.iter().filter(|p| p.label_due && !p.conflict).count();
    let mut todo = Vec::new();
    let mut add = |kind: &str, code: Option<&str>, count: usize, say: Say| {
        todo.push(Todo { kind: kind.to_owned(), code: code.map(str::to_owned), text: say.text(), count });
    };
    for piece in on_hand.iter().filter(|p| p.conflict) {
        add("conflict", Some(&piece.code), 1, say!("now-conflict", piece = &piece.code));
    }
    if due > 0 {
        add("label", None, due, say!("now-label", count = due));
    }
    let plans = reader.plans()?;
    for o in reader.orders()? {
        let (parts, good) = o.progress();
        let left = (parts - good) as usize;
        let open: Vec<_> = plans
            .iter()
            .filter(|p| p.orders.contains(&o.id) && p.taken_over.is_none() && p.cut.len() < p.pieces.len())
            .collect();
        match order::state(&o, &plans) {
            "cut" => {}
            "open" if parts == 0 => add("order", Some(&o.code), 0, say!("now-order-empty", name = &o.name)),
            _ => {
                if let Some(plan) = open.iter().find(|p| p.held) {
                    add("cut", Some(&plan.code), left, say!("now-cut", name = &o.name, plan = &plan.code));
                } else if let Some(plan) = open.last() {
                    add("hold", Some(&plan.code), left, say!("now-hold", name = &o.name, plan = &plan.code));
                } else if let Some(taken) = plans
                    .iter()
                    .rfind(|p| p.orders.contains(&o.id) && p.cut.is_empty())
                    .and_then(|p| p.taken_over.as_ref())
                {
                    add("plan", Some(&o.code), left, say!("now-plan-again", name = &o.name, why = &taken.why));
                } else if let Some(plan) =
                    plans.iter().rfind(|p| p.orders.contains(&o.id)).filter(|p| !p.to_buy.is_empty())
                {
                    let sheets = plan.to_buy.len();
                    add(
                        "buy",
                        Some(&plan.code),
                        sheets,
                        say!("now-buy", name = &o.name, count = sheets, plan = &plan.code),
                    );
                } else {
                    add("plan", Some(&o.code), left, say!("now-plan", name = &o.name, count = left));
                }
            }
        }
    }
    if reader.materials()?.is_empty() {
        add("material", None, 0, say!("now-material"));
    } else if on_hand.is_empty() {
        add("receive", None, 0, say!("now-receive"));
    }
    let value: i64 = on_hand.iter().map(|p| p.carried()).sum();
    Ok(NowAnswer {
        todo,
        pieces: on_hand.len(),
        sheets: on_hand.iter().filter(|p| p.kind == PieceKind::Sheet).count(),
        offcuts: on_hand.iter().filter(|p| p.kind == PieceKind::Offcut).count(),
        value: shop.money(value),
        can_undo: undo::can_undo(shop)?,
        can_redo: undo::can_redo(shop)?,
    })
}
