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
                    match r.state.as_str() {
                        "open" => say!("cli-on-order-open"),
                        "partly_here" => say!("cli-on-order-partly"),
                        "here" => say!("cli-on-order-here"),
                        _ => say!("cli-on-order-dropped"),
                    }
                    .text(),
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

pub(super) fn film(a: &FilmAnswer) -> String {
    let said = match &a.film {
        Some(film) => say!("cli-film", piece = &a.piece, film = film),
        None => say!("cli-film-off", piece = &a.piece),
    };
    format!("{}\n{}", said.text(), list(a.warning.as_slice()))
}

pub(super) fn notes(rows: &[CuttingNoteRow]) -> String {
    if rows.is_empty() {
        return say!("cli-no-notes").text() + "\n";
    }
    let cells: Vec<_> = rows
        .iter()
        .map(|n| vec![n.when.chars().take(10).collect(), n.machine.clone(), n.material.clone(), n.text.clone()])
        .collect();
    table(&headings(say!("cli-head-notes").text()), &cells)
}

pub(super) fn material(a: &MaterialShowAnswer, row: &str) -> String {
    let mut text = row.to_owned();
    let m = &a.material;
    let made = [&m.sort, &m.made].into_iter().flatten().cloned().collect::<Vec<_>>().join(", ");
    if !made.is_empty() {
        text.push_str(&format!("{made}\n"));
    }
    if !m.substitutes.is_empty() {
        text.push_str(&(say!("cli-substitutes", names = m.substitutes.join(", ")).text() + "\n"));
    }
    for p in &a.prices {
        let price = or_dash(&p.price);
        text.push_str(&(say!("cli-price-since", price = price, when = &p.when, device = &p.device).text() + "\n"));
    }
    if !a.notes.is_empty() {
        text.push_str(&notes(&a.notes));
    }
    text + &history(&a.history)
}

pub(super) fn quote(a: &QuoteAnswer) -> String {
    let by = or_dash(&a.plan);
    let mut text = say!("cli-quote", order = &a.order, name = &a.name, plan = by).text() + "\n";
    if let Some(kept) = &a.kept {
        text += &(say!("cli-quote-kept", number = &kept.number, when = &kept.when, by = &kept.by).text() + "\n");
    }
    let mut rows: Vec<_> = a
        .lines
        .iter()
        .map(|l| {
            let area = l.area_mm2.map_or_else(String::new, |mm2| format!("{:.4}", mm2 / 1e6));
            vec![l.text.clone(), area, or_dash(&l.sum)]
        })
        .collect();
    rows.push(vec![say!("report-total").text(), String::new(), or_dash(&a.total)]);
    text.push_str(&table(&headings(say!("cli-head-quote").text()), &rows));
    if let Some(cost) = &a.cost {
        text += &(say!("cli-quote-cost", cost = cost).text() + "\n");
    }
    text + &list(&a.notes)
}
