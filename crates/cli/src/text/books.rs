//! Answers of the books as text: deliveries, what is on order, lots.

use sheetloft_shop::answer::*;
use sheetloft_shop::say;

use super::{headings, history, list, or_dash, table};

pub(super) fn delivery(a: &DeliveryAnswer) -> String {
    let said = say!(
        "cli-delivery",
        delivery = &a.delivery,
        count = a.lots.iter().map(|l| l.pieces.len()).sum::<usize>(),
        lost = &a.written_off,
        by = &a.freight_by,
    );
    let mut text = said.text() + "\n";
    let rows: Vec<_> = a
        .lots
        .iter()
        .flat_map(|l| {
            let none = NewPiece { piece: "—".to_owned(), uuid: String::new(), cost: String::new() };
            let pieces = if l.pieces.is_empty() { vec![none] } else { l.pieces.clone() };
            pieces.into_iter().enumerate().map(|(n, p)| {
                let first = |text: &str| if n == 0 { text.to_owned() } else { String::new() };
                vec![
                    first(&l.lot),
                    first(&l.material),
                    first(&l.freight),
                    first(&l.duty),
                    first(&l.written_off),
                    p.piece,
                    p.cost,
                ]
            })
        })
        .collect();
    text.push_str(&table(&headings(say!("cli-head-delivery").text()), &rows));
    text + &list(&a.warnings) + &list(&a.cautions)
}

pub(super) fn on_order(rows: &[OnOrderRow]) -> String {
    if rows.is_empty() {
        return say!("cli-nothing-on-order").text() + "\n";
    }
    let cells: Vec<_> = rows
        .iter()
        .flat_map(|r| {
            r.lines.iter().map(move |l| {
                vec![
                    r.name.clone(),
                    or_dash(&r.supplier),
                    or_dash(&r.due),
                    r.state.clone(),
                    l.material.clone(),
                    l.size.clone(),
                    l.sheets.to_string(),
                    l.came.to_string(),
                    l.open.to_string(),
                    or_dash(&l.unit_cost),
                ]
            })
        })
        .collect();
    table(&headings(say!("cli-head-on-order").text()), &cells)
}

pub(super) fn lots(rows: &[LotRow]) -> String {
    if rows.is_empty() {
        return say!("cli-no-lots").text() + "\n";
    }
    let cells: Vec<_> = rows
        .iter()
        .map(|l| {
            vec![
                l.lot.clone(),
                l.material.clone(),
                or_dash(&l.supplier),
                l.sheets.to_string(),
                l.on_hand.to_string(),
                l.received.clone(),
                l.carried.clone(),
                l.charged.clone(),
                l.written_off.clone(),
            ]
        })
        .collect();
    table(&headings(say!("cli-head-lots").text()), &cells)
}

pub(super) fn lot(a: &LotAnswer) -> String {
    let mut text = lots(std::slice::from_ref(&a.lot));
    let cells: Vec<_> =
        a.sheets.iter().map(|s| vec![s.piece.clone(), s.status.clone(), or_dash(&s.rack), s.cost.clone()]).collect();
    text.push_str(&table(&headings(say!("cli-head-lot-sheets").text()), &cells));
    for c in &a.claims {
        let said = match &c.credited {
            Some(sum) => say!("cli-claim-credited", number = c.claim, amount = &c.amount, why = &c.why, sum = sum),
            None => say!("cli-claim-open", number = c.claim, amount = &c.amount, why = &c.why),
        };
        text.push_str(&(said.text() + "\n"));
    }
    text + &history(&a.history) + &list(&a.warnings)
}
