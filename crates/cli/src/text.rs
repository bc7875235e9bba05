//! Answers as text for people: one line a thing, columns lined up.

use std::path::Path;

use sheetloft_shop::action::Answer;
use sheetloft_shop::answer::*;
use sheetloft_shop::say;

use crate::{counting, labelling};

mod books;
mod devices;

pub use devices::served;

/// Columns lined up, the first line being headings.
pub fn table(headings: &[String], rows: &[Vec<String>]) -> String {
    let width = |column: usize| {
        let cells = rows.iter().map(|r| r[column].chars().count());
        cells.chain([headings[column].chars().count()]).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..headings.len()).map(width).collect();
    let line = |cells: &[String]| {
        let padded: Vec<String> = cells
            .iter()
            .zip(&widths)
            .map(|(cell, width)| format!("{cell}{}", " ".repeat(width - cell.chars().count())))
            .collect();
        format!("{}\n", padded.join("  ").trim_end())
    };
    let mut text = line(headings);
    rows.iter().for_each(|row| text.push_str(&line(row)));
    text
}

/// Headings from one message, separated by bars.
pub fn headings(text: String) -> Vec<String> {
    text.split('|').map(|h| h.trim().to_owned()).collect()
}

pub fn or_dash(text: &Option<String>) -> String {
    text.clone().unwrap_or_else(|| "—".to_owned())
}

pub fn list(lines: &[String]) -> String {
    lines.iter().map(|l| format!("! {l}\n")).collect()
}

fn area(mm2: f64) -> String {
    format!("{:.4}", mm2 / 1e6)
}

/// Where the file went.
pub fn written(path: &Path, answer: &Answer) -> String {
    let file = path.display().to_string();
    let said = match answer {
        Answer::Label(l) => say!("cli-labels-written", count = l.labels, pages = l.pages, file = file).text(),
        _ => say!("cli-written", file = file).text(),
    };
    let warnings = match answer {
        Answer::Layout(file) | Answer::Ticket(file) => list(&file.warnings),
        Answer::Label(labels) => list(&labels.notes),
        _ => String::new(),
    };
    format!("{said}\n{warnings}")
}

/// An answer as text.
pub fn answer(answer: &Answer) -> String {
    match answer {
        Answer::Init(a) | Answer::ShowShop(a) => {
            let said = say!("cli-shop", name = &a.name, unit = &a.unit, currency = &a.currency, device = &a.device,);
            let read_only =
                if a.read_only { format!("! {}\n", say!("error-newer-shop").text()) } else { String::new() };
            format!("{}\n{read_only}", said.text())
        }
        Answer::Demo(a) => say!("cli-demo", pieces = a.pieces, orders = a.orders).text() + "\n",
        Answer::Now(a) => now(a),
        Answer::MaterialAdd(a) | Answer::MaterialChange(a) => materials(std::slice::from_ref(&a.material)),
        Answer::MaterialList(a) => materials(&a.materials),
        Answer::RackAdd(a) | Answer::RackDescribe(a) => counting::racks(&RacksAnswer { racks: vec![a.rack.clone()] }),
        Answer::RackList(a) => counting::racks(a),
        Answer::RackShow(a) => counting::rack(a),
        Answer::MoveMany(a) => counting::moved(a),
        Answer::CountStart(a) | Answer::CountList(a) => counting::counts(a),
        Answer::CountSeen(a) => counting::seen(a),
        Answer::CountPause(a) | Answer::CountSettle(a) | Answer::CountFinish(a) | Answer::CountShow(a) => {
            counting::count(a)
        }
        Answer::CountNext(a) => counting::next(a),
        Answer::Pull(a) => counting::pull(a),
        Answer::ScanPhoto(a) => counting::photo(a),
        Answer::MachineAdd(a) => machines(std::slice::from_ref(&a.machine)),
        Answer::MachineList(a) => machines(&a.machines),
        Answer::Receive(a) => receive(a),
        Answer::WriteDown(a) => {
            say!("cli-written-down", piece = &a.piece, sum = &a.written_off, cost = &a.cost).text() + "\n"
        }
        Answer::Split(a) => {
            let said = say!("cli-split", piece = &a.piece, sum = &a.written_off).text();
            format!("{said}\n{}", offcuts(&a.offcuts))
        }
        Answer::FindAgain(a) => say!("cli-found", piece = &a.piece, cost = &a.cost).text() + "\n",
        Answer::HandBack(a) => say!("cli-handed-back", piece = &a.piece, owner = &a.owner).text() + "\n",
        Answer::FilmNote(a) => books::film(a),
        Answer::MaterialShow(a) => books::material(a, &materials(std::slice::from_ref(&a.material))),
        Answer::MaterialRetire(a) => materials(std::slice::from_ref(&a.material)),
        Answer::MachineChange(a) | Answer::MachineRetire(a) => machines(std::slice::from_ref(&a.machine)),
        Answer::CuttingNote(a) | Answer::CuttingNotes(a) => books::notes(&a.notes),
        Answer::OrderPrice(a) => order_cost(a),
        Answer::OrderClose(a) => order(a),
        Answer::Quote(a) | Answer::QuoteKeep(a) => books::quote(a),
        Answer::QuoteFile(_) => String::new(),
        Answer::ReceiveDelivery(a) => books::delivery(a),
        Answer::OnOrderList(a) => books::on_order(&a.on_order),
        Answer::OnOrderAdd(a) | Answer::OnOrderDrop(a) => books::on_order(std::slice::from_ref(&a.on_order)),
        Answer::LotList(a) => books::lots(&a.lots),
        Answer::LotShow(a)
        | Answer::LotCost(a)
        | Answer::LotCredit(a)
        | Answer::LotClaim(a)
        | Answer::LotCorrect(a) => books::lot(a),
        Answer::StockList(a) => stock(a),
        Answer::StockShow(a) => piece(a),
        Answer::StockImport(a) => say!("cli-imported", count = a.pieces.len()).text() + "\n",
        Answer::OffcutAdd(a) => say!("cli-offcut", piece = &a.piece, size = &a.size, cost = &a.cost).text() + "\n",
        Answer::Find(a) => find(a),
        Answer::Drawing(a) => drawing(a),
        Answer::OrderNew(a) => say!("cli-order", order = &a.order).text() + "\n",
        Answer::OrderAdd(a) => {
            let said = say!("cli-order-line", order = &a.order, line = a.line.to_string(), count = a.parts).text();
            format!("{said}\n{}", left_out(&a.left_out))
        }
        Answer::OrderRemake(a) => {
            say!("cli-remake", order = &a.order, count = a.quantity, part = &a.part).text() + "\n"
        }
        Answer::OrderList(a) => orders(a),
        Answer::OrderShow(a) => order(a),
        Answer::OrderCost(a) => order_cost(a),
        Answer::Plan(a) | Answer::PlanShow(a) | Answer::PlanChange(a) => plan(a),
        Answer::PlanTry(a) => tried(a),
        Answer::Hold(a) | Answer::Release(a) => {
            let pieces = a.pieces.join(", ");
            let said = match a.held {
                true => say!("cli-held", plan = &a.plan, pieces = pieces),
                false => say!("cli-released", plan = &a.plan, pieces = pieces),
            };
            let lost: String = a.taken_over.iter().map(|p| say!("cli-taken-over", plan = p).text() + "\n").collect();
            format!("{}\n{lost}", said.text())
        }
        Answer::Cut(a) => a.cuts.iter().map(cut).collect(),
        Answer::Take(a) => {
            let said = match &a.order {
                Some(_) => say!("cli-taken", piece = &a.piece, charged = &a.charged),
                None => say!("cli-taken-shop", piece = &a.piece, sum = &a.charged),
            };
            format!("{}\n{}", said.text(), offcuts(&a.offcuts))
        }
        Answer::FlawAdd(a) | Answer::FlawRemove(a) => {
            let said = say!("cli-flaws", piece = &a.piece, count = a.flaws.len()).text();
            format!("{said}\n{}", flaws(&a.flaws))
        }
        Answer::Scrap(a) => say!("cli-scrapped", piece = &a.piece, sum = &a.written_off).text() + "\n",
        Answer::Move(a) => {
            let rack = or_dash(&a.rack);
            let said = match a.moved {
                true => say!("cli-moved", piece = &a.piece, rack = rack),
                false => say!("cli-there-already", piece = &a.piece, rack = rack),
            };
            said.text() + "\n"
        }
        Answer::LabelPapers(a) | Answer::PaperAdd(a) | Answer::PaperDrop(a) => labelling::papers(a),
        Answer::PrinterSet(a) | Answer::PrinterDrop(a) | Answer::PrinterList(a) => labelling::printers(a),
        Answer::PrinterSystem(a) => labelling::system_printers(a),
        Answer::Label(a) => labelling::printed(a),
        Answer::LabelAddress(a) => say!("cli-address", sample = &a.sample).text() + "\n",
        Answer::Undo(a) => say!("cli-undone", text = &a.text).text() + "\n",
        Answer::Redo(a) => say!("cli-redone", text = &a.text).text() + "\n",
        Answer::History(a) => history(&a.actions),
        Answer::Conflicts(a) => conflicts(a),
        Answer::Settle(a) => settled(a),
        Answer::SyncStatus(a)
        | Answer::SyncNow(a)
        | Answer::SyncFolder(a)
        | Answer::SyncPair(a)
        | Answer::SyncHub(a)
        | Answer::SyncRevoke(a)
        | Answer::SyncShare(a)
        | Answer::SyncRename(a)
        | Answer::SyncRescue(a) => devices::sync(a),
        Answer::SyncOffer(a) => devices::offer(a),
        Answer::SyncNearby(a) => devices::nearby(a),
        Answer::PersonAdd(a)
        | Answer::PersonChange(a)
        | Answer::PersonList(a)
        | Answer::PersonEnter(a)
        | Answer::PersonLeave(a) => devices::people(a),
        Answer::Check(a) => check(a),
        Answer::Digest(a) => format!("{}\n", a.digest),
        Answer::Backup(a) => say!("cli-backup", file = &a.file).text() + "\n",
        Answer::Restore(a) => {
            let said = match &a.kept {
                Some(kept) => say!("cli-restored-kept", file = &a.file, kept = kept),
                None => say!("cli-restored", file = &a.file),
            };
            said.text() + "\n"
        }
        // These carry files: see `written`.
        Answer::Report(a) => report(a),
        Answer::Scan(a) => scan(a),
        Answer::Identify(a) => identify(a),
        Answer::StockExport(_) | Answer::Layout(_) | Answer::Ticket(_) | Answer::ReportFile(_) => String::new(),
    }
}

fn now(a: &NowAnswer) -> String {
    let mut text = say!("cli-now", sheets = a.sheets, offcuts = a.offcuts, value = &a.value).text() + "\n";
    match a.todo.is_empty() {
        true => text.push_str(&(say!("cli-now-nothing").text() + "\n")),
        false => a.todo.iter().for_each(|t| text.push_str(&format!("- {}\n", t.text))),
    }
    text
}

fn materials(rows: &[MaterialRow]) -> String {
    if rows.is_empty() {
        return say!("cli-no-materials").text() + "\n";
    }
    let cells: Vec<_> = rows
        .iter()
        .map(|m| {
            vec![
                if m.retired { say!("cli-retired", name = &m.name).text() } else { m.name.clone() },
                m.thickness.to_string(),
                m.grain.clone(),
                m.kerf.to_string(),
                m.gap.to_string(),
                m.margin.to_string(),
                format!("{} × {}", m.keep_from[0], m.keep_from[1]),
                or_dash(&m.price),
                m.on_hand.to_string(),
            ]
        })
        .collect();
    table(&headings(say!("cli-head-materials").text()), &cells)
}

fn machines(rows: &[MachineRow]) -> String {
    if rows.is_empty() {
        return say!("cli-no-machines").text() + "\n";
    }
    let cells: Vec<_> = rows
        .iter()
        .map(|m| {
            let most = m.max_thickness.map_or_else(|| "—".to_owned(), |t| t.to_string());
            let limits: Vec<String> = m.limits.iter().map(|l| format!("{} {}", l.sort, l.thickness)).collect();
            let most = [vec![most], limits].concat().join(", ");
            let name = if m.retired { say!("cli-retired", name = &m.name).text() } else { m.name.clone() };
            vec![name, m.kind.clone(), format!("{} × {}", m.bed[0], m.bed[1]), most]
        })
        .collect();
    table(&headings(say!("cli-head-machines").text()), &cells)
}

fn receive(a: &ReceiveAnswer) -> String {
    let rows: Vec<_> = a.pieces.iter().map(|p| vec![p.piece.clone(), p.cost.clone()]).collect();
    let mut text = say!("cli-received", lot = &a.lot, count = a.pieces.len(), lost = &a.written_off).text() + "\n";
    text.push_str(&table(&headings(say!("cli-head-received").text()), &rows));
    text + &list(&a.warnings) + &list(&a.cautions)
}

fn stock(a: &StockAnswer) -> String {
    if a.pieces.is_empty() {
        return say!("cli-no-pieces").text() + "\n";
    }
    if a.stacks {
        return stacks(&a.pieces);
    }
    let rows: Vec<_> = a
        .pieces
        .iter()
        .map(|p| {
            vec![
                p.piece.clone(),
                p.kind.clone(),
                p.material.clone(),
                p.status.clone(),
                or_dash(&p.rack),
                or_dash(&p.lot),
                p.cost.clone(),
                p.size.clone(),
                area(p.area_mm2),
            ]
        })
        .collect();
    table(&headings(say!("cli-head-stock").text()), &rows)
}

/// One row a stack of equal sheets, by its lowest code, with the number of sheets and what they carry together.
fn stacks(pieces: &[PieceRow]) -> String {
    let mut rows: Vec<Vec<String>> = Vec::new();
    for p in pieces.iter().filter(|p| p.stack.as_ref().is_none_or(|s| *s == p.piece)) {
        let count = pieces.iter().filter(|q| p.stack.is_some() && q.stack == p.stack).count().max(1);
        rows.push(vec![
            count.to_string(),
            p.piece.clone(),
            p.kind.clone(),
            p.material.clone(),
            p.status.clone(),
            or_dash(&p.rack),
            or_dash(&p.lot),
            p.size.clone(),
        ]);
    }
    table(&headings(say!("cli-head-stacks").text()), &rows)
}

fn flaws(rows: &[FlawRow]) -> String {
    let of = |f: &FlawRow| say!("cli-flaw", number = f.flaw, why = &f.why, side = &f.side, place = &f.place).text();
    rows.iter().map(|f| of(f) + "\n").collect()
}

fn piece(a: &PieceAnswer) -> String {
    let weight = a.weight_kg.map_or_else(|| "—".to_owned(), |kg| format!("{kg:.2}"));
    let mut text = say!(
        "cli-piece",
        piece = &a.piece,
        kind = &a.kind,
        material = &a.material,
        status = &a.status,
        rack = or_dash(&a.rack),
        lot = or_dash(&a.lot),
        size = &a.size,
        area = area(a.area_mm2),
        weight = weight,
        cost = &a.cost,
        known = &a.known,
        within = a.known_within_mm.to_string(),
    )
    .text()
        + "\n";
    if let Some(order) = &a.held_for {
        text.push_str(&(say!("cli-piece-held", orders = order).text() + "\n"));
    }
    text.push_str(&flaws(&a.flaws));
    if let Some(owner) = &a.owner {
        text.push_str(&(say!("cli-piece-owner", owner = owner).text() + "\n"));
    }
    if let Some(sum) = &a.written_down {
        text.push_str(&(say!("cli-piece-written-down", sum = sum).text() + "\n"));
    }
    if let Some(film) = &a.film {
        text.push_str(&format!("{film}\n"));
    }
    text.push_str(&list(a.film_warning.as_slice()));
    if let Some(from) = &a.from {
        text.push_str(&(say!("cli-piece-from", piece = from).text() + "\n"));
    }
    if let Some(fate) = &a.fate {
        text.push_str(&format!("{fate}\n"));
    }
    if !a.became.is_empty() {
        text.push_str(&(say!("cli-piece-became", pieces = a.became.join(", ")).text() + "\n"));
    }
    text + &history(&a.history) + &list(&a.cautions)
}

fn left_out(rows: &[LeftOut]) -> String {
    rows.iter().map(|l| say!("cli-left-out", what = &l.what, place = &l.r#where, why = &l.why).text() + "\n").collect()
}

/// What a fit has of that by which they are in order.
fn sort_cell(sort: &str, f: &Fit) -> String {
    match sort {
        "cheapest" => or_dash(&f.used),
        "oldest" => f.since.chars().take(10).collect(),
        "thickness" => or_dash(&f.thickness_mm.map(|mm| format!("{mm:.3}"))),
        _ => or_dash(&f.left_mm2.map(area)),
    }
}

fn find(a: &FindAnswer) -> String {
    let mut text = String::new();
    let head = match a.sort.as_str() {
        "cheapest" => Some(say!("cli-head-find-cheapest")),
        "oldest" => Some(say!("cli-head-find-oldest")),
        "thickness" => Some(say!("cli-head-find-thickness")),
        "leftover" => Some(say!("cli-head-find-leftover")),
        _ => None,
    };
    // Before the remark.
    let sorted_by = head.map(|head| (8, head.text()));
    for q in &a.queries {
        let counts = say!("cli-find", id = &q.id, looked = q.looked_at, out = q.ruled_out, close = q.too_close.len(),);
        text.push_str(&(counts.text() + "\n"));
        let reasons: Vec<_> = q.reasons.iter().map(|r| format!("{} {}", r.pieces, r.text)).collect();
        if !reasons.is_empty() {
            text.push_str(&(say!("cli-find-why", reasons = reasons.join(", ")).text() + "\n"));
        }
        if q.fits.is_empty() {
            let none = match (q.looked_at, q.too_close.len()) {
                (0, _) => say!("cli-find-no-piece"),
                (_, 0) => say!("cli-find-none"),
                _ => say!("cli-find-unsure"),
            };
            text.push_str(&(none.text() + "\n"));
        } else {
            let rows: Vec<_> = q
                .fits
                .iter()
                .map(|f| {
                    let p = &f.place;
                    let mut row = vec![
                        f.piece.clone(),
                        or_dash(&f.rack),
                        f.size.clone(),
                        area(f.area_mm2),
                        f.cost.clone(),
                        or_dash(&f.price),
                        format!("{:.3}", f.spare_mm),
                        format!(
                            "{:.3}°{} → {:.3}, {:.3}",
                            p.turn_deg,
                            if p.flip { " ⇋" } else { "" },
                            p.move_mm[0],
                            p.move_mm[1]
                        ),
                        if f.tight { say!("cli-tight").text() } else { String::new() },
                    ];
                    if let Some((at, _)) = &sorted_by {
                        row.insert(*at, sort_cell(&a.sort, f));
                    }
                    row
                })
                .collect();
            let mut heads = headings(say!("cli-head-find").text());
            if let Some((at, head)) = &sorted_by {
                heads.insert(*at, head.clone());
            }
            text.push_str(&table(&heads, &rows));
        }
        for t in &q.too_close {
            let said = match t.within_mm {
                Some(mm) => say!("cli-too-close", piece = &t.piece, within = mm.to_string()),
                None => say!("cli-too-close-cap", piece = &t.piece),
            };
            text.push_str(&(said.text() + "\n"));
        }
        for m in &q.without_margin {
            text.push_str(&(say!("cli-without-margin", piece = &m.piece).text() + "\n"));
        }
    }
    a.substitutes.iter().for_each(|s| text.push_str(&format!("{}\n", s.text)));
    text + &left_out(&a.left_out) + &list(&a.cautions)
}

fn scan(a: &ScanAnswer) -> String {
    let mut text = a.text.clone() + "\n";
    if !a.near.is_empty() {
        text.push_str(&(say!("cli-near", codes = a.near.join(", ")).text() + "\n"));
    }
    text
}

fn identify(a: &IdentifyAnswer) -> String {
    if a.pieces.is_empty() {
        return say!("identify-none").text() + "\n";
    }
    let rows: Vec<_> = a
        .pieces
        .iter()
        .map(|p| {
            let seen = p.last_seen.chars().take(10).collect();
            vec![p.piece.clone(), p.kind.clone(), p.status.clone(), or_dash(&p.rack), p.size.clone(), seen]
        })
        .collect();
    table(&headings(say!("cli-head-identify").text()), &rows)
}

fn report(a: &ReportAnswer) -> String {
    let mut text = a.title.clone() + "\n";
    if a.rows.is_empty() {
        text.push_str(&(say!("report-nothing").text() + "\n"));
    } else {
        let cells = |row: &std::collections::BTreeMap<String, Option<Cell>>| -> Vec<String> {
            let one = |c: &ReportColumn| match (row.get(&c.key), c.kind.as_str()) {
                (Some(Some(Cell::Number(mm2))), "area") => format!("{:.3}", mm2 / 1e6),
                (Some(Some(Cell::Number(n))), "percent") => format!("{n:.1}"),
                (Some(Some(Cell::Number(n))), _) => n.to_string(),
                (Some(Some(Cell::Text(text))), _) => text.clone(),
                _ => String::new(),
            };
            a.columns.iter().map(one).collect()
        };
        let mut rows: Vec<Vec<String>> = a.rows.iter().map(cells).collect();
        let mut total = cells(&a.total);
        total[0] = say!("report-total").text();
        rows.push(total);
        let head = |c: &ReportColumn| if c.kind == "area" { format!("{} m²", c.head) } else { c.head.clone() };
        let heads: Vec<String> = a.columns.iter().map(head).collect();
        text.push_str(&table(&heads, &rows));
    }
    // Notes explain what is in the rows.
    let notes = if a.rows.is_empty() { &[][..] } else { &a.notes };
    text + &notes.iter().map(|n| n.clone() + "\n").collect::<String>()
}

fn drawing(a: &DrawingAnswer) -> String {
    let mut text = say!("cli-drawing", unit = &a.unit, by = &a.unit_said_by, count = a.parts.len()).text() + "\n";
    if a.unit_said_by == "assumed" || a.unit_said_by == "remembered" {
        let size = |c: &DrawingUnit| {
            let [w, h] = c.size_mm.map(|mm| format!("{mm:.1}"));
            say!("cli-drawing-choice", unit = &c.unit, width = w, height = h).text()
        };
        let sizes = a.choices.iter().map(size).collect::<Vec<_>>().join("; ");
        text.push_str(&(say!("cli-drawing-unit", unit = &a.unit, sizes = sizes).text() + "\n"));
    }
    if a.layers.len() > 1 || a.layers.iter().any(|l| !l.cut) {
        let rows: Vec<_> = a
            .layers
            .iter()
            .map(|l| {
                let word = if l.cut { say!("cli-drawing-cut") } else { say!("cli-drawing-not-cut") };
                vec![l.layer.clone(), l.lines.to_string(), word.text(), l.said_by.clone()]
            })
            .collect();
        text.push_str(&table(&headings(say!("cli-head-layers").text()), &rows));
    }
    if !a.parts.is_empty() {
        let rows: Vec<_> = a
            .parts
            .iter()
            .map(|p| {
                vec![
                    p.id.clone(),
                    p.name.clone(),
                    format!("{:.1} × {:.1}", p.size_mm[0], p.size_mm[1]),
                    format!("{:.2}", p.area_mm2),
                    format!("{:.1}", p.cut_mm),
                    p.contours.to_string(),
                    p.quantity.to_string(),
                ]
            })
            .collect();
        text.push_str(&table(&headings(say!("cli-head-drawing").text()), &rows));
    }
    text + &list(&a.notes) + &left_out(&a.left_out)
}

fn orders(a: &OrdersAnswer) -> String {
    if a.orders.is_empty() {
        return say!("cli-no-orders").text() + "\n";
    }
    let rows: Vec<_> = a
        .orders
        .iter()
        .map(|o| {
            vec![
                o.order.clone(),
                o.name.clone(),
                or_dash(&o.customer),
                or_dash(&o.due),
                o.state.clone(),
                format!("{}/{}", o.good, o.parts),
                o.charged.clone(),
            ]
        })
        .collect();
    table(&headings(say!("cli-head-orders").text()), &rows)
}

fn order(a: &OrderAnswer) -> String {
    let mut text = say!(
        "cli-order-show",
        order = &a.order,
        name = &a.name,
        customer = or_dash(&a.customer),
        due = or_dash(&a.due),
        state = &a.state,
        good = a.good,
        parts = a.parts,
        charged = &a.charged,
    )
    .text()
        + "\n";
    for line in &a.lines {
        let said = say!(
            "cli-order-show-line",
            line = line.line.to_string(),
            name = &line.name,
            quantity = line.quantity,
            material = &line.material,
            turn = &line.turn,
        );
        text.push_str(&(said.text() + "\n"));
        for part in &line.parts {
            let said = say!("cli-order-show-part", id = &part.id, good = part.good, wanted = part.wanted);
            text.push_str(&(said.text() + "\n"));
        }
    }
    for r in &a.remakes {
        let said =
            say!("cli-order-show-remake", line = r.line.to_string(), part = &r.part, count = r.quantity, why = &r.why);
        text.push_str(&(said.text() + "\n"));
    }
    for plan in &a.plans {
        let said = say!("cli-order-show-plan", plan = &plan.plan, state = &plan.state, pieces = plan.pieces.join(", "));
        text.push_str(&(said.text() + "\n"));
    }
    for q in &a.quotes {
        let said = say!("cli-order-show-quote", number = &q.number, total = &q.total, when = &q.when, by = &q.by);
        text.push_str(&(said.text() + "\n"));
    }
    text + &history(&a.history)
}

fn order_cost(a: &OrderCostAnswer) -> String {
    let rows: Vec<_> = a
        .pieces
        .iter()
        .map(|p| {
            let sums = [&p.parts, &p.kerf, &p.scrap, &p.markdown, &p.failed, &p.returned, &p.charged];
            let mut row = vec![p.piece.clone(), p.how.clone()];
            row.extend(sums.into_iter().cloned());
            row
        })
        .collect();
    let mut head = say!("cli-order-cost", order = &a.order, name = &a.name, total = &a.total).text() + "\n";
    if let (Some(price), Some(left)) = (&a.price, &a.left) {
        head.push_str(&(say!("cli-order-price", price = price, left = left).text() + "\n"));
    }
    match rows.is_empty() {
        true => head,
        false => head + &table(&headings(say!("cli-head-cost").text()), &rows),
    }
}

fn plan(a: &PlanAnswer) -> String {
    let mut text = say!(
        "cli-plan",
        plan = &a.plan,
        orders = a.orders.join(", "),
        state = &a.state,
        cost = &a.cost,
        price = or_dash(&a.price),
        bound = or_dash(&a.lower_bound),
        above = a.above_percent.map_or_else(|| "none".to_owned(), |p| p.to_string()),
        least = a.least_pieces.unwrap_or(0),
        pieces = a.pieces.len() + a.new_sheets.len(),
    )
    .text()
        + "\n";
    for p in &a.pieces {
        let ids: Vec<&str> = p.parts.iter().map(|q| q.id.as_str()).collect();
        let said = say!(
            "cli-plan-piece",
            piece = &p.piece,
            rack = or_dash(&p.rack),
            material = &p.material,
            count = p.parts.len(),
            ids = ids.join(", "),
            charged = &p.charged,
            scrap = &p.scrap,
            kept = kept(&p.leftovers),
        );
        text.push_str(&(said.text() + "\n"));
        p.cutting.iter().for_each(|line| text.push_str(&format!("  {line}\n")));
        if let Some(first) = a.pieces.iter().find(|q| q.layout == p.layout).filter(|q| q.piece != p.piece) {
            text.push_str(&format!("  {}\n", say!("cli-plan-layout", piece = &first.piece).text()));
        }
        for (n, straight) in p.leftovers.iter().enumerate().filter_map(|(n, l)| Some((n, l.straight.as_ref()?))) {
            let l = if straight.is_l { "yes" } else { "no" };
            let said = say!("cli-plan-straight", number = n + 1, l = l, size = &straight.size);
            text.push_str(&format!("  {}\n", said.text()));
        }
        if p.tight {
            text.push_str(&format!("! {}: {}\n", p.piece, say!("cli-tight").text()));
        }
    }
    for sheet in &a.new_sheets {
        let ids: Vec<&str> = sheet.parts.iter().map(|q| q.id.as_str()).collect();
        let said = say!(
            "cli-plan-new-sheet",
            material = &sheet.material,
            size = &sheet.size,
            count = sheet.parts.len(),
            ids = ids.join(", "),
            kept = kept(&sheet.leftovers),
        );
        text.push_str(&(said.text() + "\n"));
    }
    for buy in &a.buy {
        let said = say!(
            "cli-plan-buy",
            count = buy.sheets,
            material = &buy.material,
            size = &buy.size,
            price = or_dash(&buy.price),
            total = or_dash(&buy.total),
            from = if buy.supplier.is_some() { "yes" } else { "no" },
            supplier = buy.supplier.clone().unwrap_or_default(),
        );
        text.push_str(&(said.text() + "\n"));
    }
    for n in &a.not_placed {
        text.push_str(&(say!("cli-not-placed", id = &n.id, why = &n.why).text() + "\n"));
    }
    text + &list(&a.warnings) + &list(&a.cautions)
}

fn kept(leftovers: &[LeftoverRow]) -> String {
    let kept: Vec<&str> = leftovers.iter().filter(|l| l.keep).map(|l| l.size.as_str()).collect();
    if kept.is_empty() { "—".to_owned() } else { kept.join("; ") }
}

fn tried(a: &TryAnswer) -> String {
    if !a.ok {
        return a.breaches.iter().map(|b| format!("{}: {}\n", b.piece, b.text)).collect();
    }
    let mut text = say!("cli-try-ok").text() + "\n";
    for of in &a.leftovers {
        text.push_str(&(say!("cli-try-left", piece = &of.piece, kept = kept(&of.leftovers)).text() + "\n"));
    }
    text
}

fn cut(row: &CutRow) -> String {
    let said = say!("cli-cut", piece = &row.piece, charged = &row.charged, scrap = &row.scrap).text();
    format!("{said}\n{}", offcuts(&row.offcuts))
}

fn offcuts(rows: &[NewOffcut]) -> String {
    rows.iter()
        .map(|o| say!("cli-new-offcut", piece = &o.piece, size = &o.size, cost = &o.cost).text() + "\n")
        .collect()
}

fn history(rows: &[HistoryRow]) -> String {
    rows.iter()
        .map(|h| {
            let standing = match h.standing.as_str() {
                "counts" => String::new(),
                other => format!(" [{other}]"),
            };
            let by = h.by.as_ref().map(|by| format!("  {by}")).unwrap_or_default();
            format!("{}  {}{by}  {}{standing}\n", h.when, h.device, h.text)
        })
        .collect()
}

fn check(a: &CheckAnswer) -> String {
    let b = &a.books;
    let mut text = match a.ok {
        true => say!("cli-check-ok").text() + "\n",
        false => say!("cli-check-found", count = a.found.len()).text() + "\n",
    };
    a.found.iter().for_each(|f| text.push_str(&format!("- {} {}\n", f.what, f.r#where)));
    if a.mends {
        text.push_str(&(say!("cli-check-mends").text() + "\n"));
    }
    let sums = say!(
        "cli-check-books",
        received = &b.received,
        on_hand = &b.on_hand,
        charged = &b.charged,
        written_off = &b.written_off,
    );
    text.push_str(&(sums.text() + "\n"));
    if a.conflicts > 0 {
        text.push_str(&(say!("cli-check-conflicts", count = a.conflicts).text() + "\n"));
    }
    text
}

fn conflicts(a: &ConflictsAnswer) -> String {
    if a.conflicts.is_empty() {
        return say!("cli-conflicts-none").text() + "\n";
    }
    let mut text = String::new();
    for c in &a.conflicts {
        let head = say!("cli-conflict", piece = &c.piece, material = &c.material, size = &c.size, cost = &c.cost);
        text.push_str(&(head.text() + "\n"));
        for e in &c.events {
            let device = e.device_name.as_ref().unwrap_or(&e.device);
            let side = say!(
                "cli-conflict-side",
                event = &e.event,
                when = &e.when,
                device = device,
                text = &e.text,
                means = &e.means
            );
            text.push_str(&format!("  {}\n", side.text()));
        }
    }
    text
}

fn settled(a: &SettleAnswer) -> String {
    let mut text = say!("cli-settled", piece = &a.piece, status = &a.status).text() + "\n";
    for order in &a.again {
        text.push_str(&(say!("cli-settled-again", order = order).text() + "\n"));
    }
    for [name, is] in &a.names {
        text.push_str(&(say!("cli-settled-name", name = name, is = is).text() + "\n"));
    }
    text
}
