//! Random histories of one honest device: whatever is received, damaged, held, cut, spoilt, thrown away, corrected,
//! taken back, moved and found again, the books balance for each lot to the minor unit, areas are conserved, no cost
//! falls below nothing, an undo with its redo changes nothing, and a fold from nothing gives what is stored.

#[path = "common/dice.rs"]
mod dice;

use std::collections::BTreeMap;
use std::sync::Arc;

use sheetloft_ledger::body::*;
use sheetloft_ledger::event::{Clock, Envelope, Event, Hash, Thing, ThingKind, Touch};
use sheetloft_ledger::fold::Book;
use sheetloft_ledger::landing::{self, Facts, Line, LotSheet};
use sheetloft_ledger::memory::MemoryBook;
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{How, Lot, Piece, Status};
use sheetloft_shapes::Shape;
use uuid::Uuid;

use dice::Dice;

/// What was last said of a lot.
#[derive(Clone)]
struct Said {
    sheets: u32,
    facts: Facts,
}

struct Shop {
    dice: Dice,
    next: u128,
    number: u64,
    prev: Option<Hash>,
    book: MemoryBook,
    lots: BTreeMap<Uuid, Said>,
    orders: Vec<Uuid>,
    /// The last action, and the things that it touched.
    last: Option<(Uuid, Vec<Thing>)>,
    /// Counts by what was done, so that a test can see that all of it was.
    done: BTreeMap<&'static str, usize>,
}

fn piece_thing(id: Uuid) -> Thing {
    Thing::new(ThingKind::Piece, id)
}

impl Shop {
    fn new(seed: u64) -> Self {
        let dice = Dice::new(seed);
        let (lots, orders, done) = Default::default();
        Self { dice, next: 1_000, number: 0, prev: None, book: MemoryBook::default(), lots, orders, last: None, done }
    }

    fn id(&mut self) -> Uuid {
        self.next += 1;
        Uuid::from_u128(self.next)
    }

    /// Writes one action; its UUID.
    fn act(&mut self, bodies: Vec<(Body, Vec<Thing>)>) -> Uuid {
        let action = self.id();
        let count = bodies.len();
        let mut written: Vec<Arc<Event>> = Vec::new();
        for (i, (body, things)) in bodies.into_iter().enumerate() {
            let id = self.id();
            self.number += 1;
            let touches = things
                .into_iter()
                .map(|thing| {
                    let before = written.iter().rev().find(|e| e.things().any(|t| t == thing)).map(|e| vec![e.hash]);
                    let mut parents = before.unwrap_or_else(|| self.book.heads(thing).unwrap());
                    parents.sort_unstable();
                    Touch { thing, parents }
                })
                .collect();
            let (kind, version) = body.kind();
            let envelope = Envelope {
                shop: Uuid::nil(),
                device: Uuid::from_u128(1),
                number: self.number,
                prev: self.prev,
                id,
                action,
                more: i + 1 < count,
                clock: Clock { ms: self.number, count: 0 },
                person: None,
                kind: kind.to_owned(),
                version,
                touches,
            };
            let (bytes, _) = Event::write(envelope, body).unwrap();
            let event = Arc::new(Event::read(&bytes).unwrap());
            self.prev = Some(event.hash);
            written.push(event.clone());
            self.book.offer(event);
        }
        let mut things: Vec<Thing> = written.iter().flat_map(|e| e.things().collect::<Vec<_>>()).collect();
        things.sort();
        things.dedup();
        self.last = Some((action, things));
        action
    }

    fn pieces(&self) -> Vec<Piece> {
        self.book.states().into_values().filter_map(|f| f.state?.piece()).map(|p| *p).collect()
    }

    fn all_lots(&self) -> Vec<Lot> {
        self.book.states().into_values().filter_map(|f| f.state?.lot()).collect()
    }

    fn some(&mut self, wanted: impl Fn(&Piece) -> bool) -> Option<Piece> {
        let mut found: Vec<Piece> = self.pieces().into_iter().filter(wanted).collect();
        if found.is_empty() {
            return None;
        }
        let at = self.dice.roll(found.len());
        Some(found.swap_remove(at))
    }

    fn born(&mut self, w: i64, h: i64, cost: i64) -> Born {
        let id = self.id();
        Born {
            id,
            code: format!("{:08}", id.as_u128()),
            shape: Shape::rectangle(w, h).unwrap(),
            flaws: vec![],
            grain_udeg: None,
            known: Known::Machine,
            known_within_um: 300,
            rack: None,
            cost,
        }
    }

    fn receive(&mut self) {
        let lines = 1 + self.dice.roll(2);
        let mut given = Vec::new();
        for _ in 0..lines {
            let sheets = 1 + self.dice.roll(4) as u32;
            let damaged = if self.dice.roll(3) == 0 { self.dice.roll(sheets as usize + 1) as u32 } else { 0 };
            let total = self.dice.sum();
            given.push((sheets, damaged, total, self.dice.roll(4) > 0));
        }
        let (freight, duty) = (self.dice.sum() / 10, self.dice.sum() / 10);
        let by = [FreightBy::Weight, FreightBy::Area, FreightBy::Value][self.dice.roll(3)];
        let mut born = Vec::new();
        for (sheets, damaged, ..) in &given {
            born.push((0..sheets - damaged).map(|_| self.born(1_000, 2_000, 0)).collect::<Vec<Born>>());
        }
        let numbered: Vec<Line> = given
            .iter()
            .zip(&born)
            .map(|((_, damaged, total, dense), born)| Line {
                codes: born.iter().map(|b| b.code.clone()).collect(),
                damaged: *damaged,
                total: *total,
                area2: 4_000_000,
                thickness_um: 3_000,
                density_g_m3: dense.then_some(1_190_000),
            })
            .collect();
        let landed = landing::landed(&numbered, freight, by, duty);
        let delivery = self.id();
        let mut events = Vec::new();
        for (((sheets, damaged, total, _), mut pieces), landed) in given.into_iter().zip(born).zip(landed) {
            let (lot, material) = (self.id(), self.id());
            pieces.iter_mut().zip(&landed.good).for_each(|(p, cost)| p.cost = *cost);
            let facts = Facts { damaged, line_total: total, freight: landed.freight, duty: landed.duty };
            self.lots.insert(lot, Said { sheets, facts });
            let mut things = vec![Thing::new(ThingKind::Delivery, delivery), Thing::new(ThingKind::Lot, lot)];
            things.extend(pieces.iter().map(|p| piece_thing(p.id)));
            let body = Received {
                delivery,
                lot,
                lot_name: "lot".into(),
                material,
                supplier: None,
                thickness_um: None,
                sheets,
                damaged,
                line_total: total,
                freight: landed.freight,
                written_off: landed.written_off,
                pieces,
                duty: landed.duty,
                on_order: None,
                owner: None,
            };
            events.push((Body::Received(body), things));
        }
        self.act(events);
    }

    fn order(&mut self) -> Uuid {
        if self.orders.is_empty() || self.dice.roll(5) == 0 {
            let order = self.id();
            let body = OrderMade { order, code: "O".into(), name: "n".into(), customer: None, due: None };
            self.act(vec![(Body::OrderMade(body), vec![Thing::new(ThingKind::Order, order)])]);
            self.orders.push(order);
        }
        self.orders[self.dice.roll(self.orders.len())]
    }

    /// Cuts a piece: some parts good, some spoilt; what is left is one offcut or none.
    fn cut(&mut self) -> bool {
        let Some(piece) = self.some(|p| rules::free(p).is_ok() && p.shape.area2() > 40_000) else { return false };
        let orders = [self.order(), self.order()];
        let (_, high) = piece.shape.bounds();
        let (w, h) = (i64::from(high.x), i64::from(high.y));
        let keep = if h > 60 && self.dice.roll(4) > 0 { h / (2 + self.dice.roll(3) as i64) } else { 0 };
        let left: Vec<Born> = if keep > 0 { vec![self.born(w, keep, 0)] } else { vec![] };
        let used2 = piece.shape.area2() - left.iter().map(|b| b.shape.area2()).sum::<i64>();
        let kerf2 = used2 / 20;
        let scrap2 = used2 * self.dice.roll(40) as i64 / 100;
        let parts2 = used2 - kerf2 - scrap2;
        let outcomes = [Outcome::Good, Outcome::Failed];
        let mut parts = Vec::new();
        for (n, order) in orders.iter().enumerate() {
            let area2 = if n == 0 { parts2 / 3 } else { parts2 - parts2 / 3 };
            let outcome = outcomes[usize::from(self.dice.roll(5) == 0)];
            parts.push(CutPart {
                id: n.to_string(),
                order: *order,
                line: Uuid::nil(),
                part: "p".into(),
                outcome,
                area2,
            });
        }
        let kept: Vec<KeptOffcut> =
            left.iter().map(|b| KeptOffcut { code: b.code.clone(), area2: b.shape.area2() }).collect();
        let shares: Vec<CutShare> = parts
            .iter()
            .map(|p| CutShare { order: p.order, order_code: p.order.to_string(), area2: p.area2, outcome: p.outcome })
            .collect();
        let areas = Areas { parts2, kerf2, offcuts2: left.iter().map(|b| b.shape.area2()).sum(), scrap2 };
        let percent = self.dice.roll(101) as u8;
        let shared = outcome::share(piece.carried(), piece.kind, percent, &kept, &shares, &areas);
        let born: Vec<Born> = left.into_iter().zip(shared.offcuts).map(|(b, cost)| Born { cost, ..b }).collect();
        let plan = self.id();
        let mut things = vec![piece_thing(piece.id), Thing::new(ThingKind::Plan, plan)];
        things.extend(orders.iter().map(|o| Thing::new(ThingKind::Order, *o)));
        things.extend(born.iter().map(|b| piece_thing(b.id)));
        things.sort();
        things.dedup();
        let body = Cut {
            plan,
            piece: piece.id,
            material: piece.material,
            lot: piece.lot,
            parts,
            born,
            charges: shared.charges,
            areas,
            why: None,
            owner: None,
        };
        self.act(vec![(Body::Cut(body), things)]);
        true
    }

    fn lot_sheets(&self, lot: Uuid) -> Vec<Piece> {
        let came = |p: &Piece| !p.used.as_ref().is_some_and(|u| matches!(u.how, How::Withdrawn));
        let mut sheets: Vec<Piece> = self.pieces();
        sheets.retain(|p| p.lot == Some(lot) && p.kind == PieceKind::Sheet && came(p));
        sheets.sort_by(|a, b| a.code.cmp(&b.code));
        sheets
    }

    fn may_carry(piece: Option<&Piece>, by: i64) -> bool {
        piece.is_none_or(|p| rules::may_bear(p, by).is_ok())
    }

    /// A cost, a credit or a claim's answer that came later.
    fn adjust(&mut self) -> bool {
        let lots = self.all_lots();
        if lots.is_empty() {
            return false;
        }
        let lot = lots[self.dice.roll(lots.len())].clone();
        let sheets = self.lot_sheets(lot.id);
        let listed: Vec<LotSheet> = sheets.iter().map(sheet).collect();
        let sum = self.dice.sum();
        let (amount, shares, written_off) = match self.dice.roll(3) {
            0 => {
                let (shares, off) = landing::later(sum, &listed);
                (sum, shares, off)
            }
            1 => {
                let (shares, off) = landing::later(-sum, &listed);
                (-sum, shares, off)
            }
            _ => {
                let back = sum.min(lot.written_off.max(0));
                (-back, vec![], -back)
            }
        };
        if shares.iter().any(|s| !Self::may_carry(sheets.iter().find(|p| p.id == s.piece), s.amount)) {
            return false;
        }
        let things: Vec<Thing> = std::iter::once(Thing::new(ThingKind::Lot, lot.id))
            .chain(shares.iter().map(|s| piece_thing(s.piece)))
            .collect();
        let body = LotAdjusted { lot: lot.id, amount, shares, written_off, why: "w".into(), claim: None };
        self.act(vec![(Body::LotAdjusted(body), things)]);
        true
    }

    /// What was said of a delivery line was wrong.
    fn correct(&mut self) -> bool {
        let known: Vec<Uuid> = self.all_lots().iter().map(|l| l.id).filter(|id| self.lots.contains_key(id)).collect();
        if known.is_empty() {
            return false;
        }
        let lot = known[self.dice.roll(known.len())];
        let before = self.lots[&lot].clone();
        let sheets = 1 + self.dice.roll(5) as u32;
        let damaged = self.dice.roll(sheets as usize) as u32;
        let facts = Facts { damaged, line_total: self.dice.sum(), freight: self.dice.sum() / 20, duty: 0 };
        let good = (sheets - damaged) as usize;
        let mut kept = self.lot_sheets(lot);
        let mut gone = Vec::new();
        while kept.len() > good {
            match kept.iter().rposition(|p| p.status() == Status::Free) {
                Some(at) => gone.push(kept.remove(at)),
                None => return false,
            }
        }
        let mut born: Vec<Born> = (kept.len()..good).map(|_| self.born(1_000, 2_000, 0)).collect();
        let codes: Vec<String> = born.iter().map(|b| b.code.clone()).collect();
        let right = landing::corrected(&kept.iter().map(sheet).collect::<Vec<_>>(), &codes, &facts);
        if right.shares.iter().any(|s| !Self::may_carry(kept.iter().find(|p| p.id == s.piece), s.amount)) {
            return false;
        }
        born.iter_mut().zip(&right.born).for_each(|(b, cost)| b.cost = *cost);
        let lot_thing = Thing::new(ThingKind::Lot, lot);
        let mut events: Vec<(Body, Vec<Thing>)> = gone
            .iter()
            .map(|p| {
                let body = Withdrawn { piece: p.id, lot, amount: p.carried(), why: "w".into() };
                (Body::Withdrawn(body), vec![piece_thing(p.id), lot_thing])
            })
            .collect();
        let was: Vec<String> = (before.facts.damaged..before.sheets).map(|n| n.to_string()).collect();
        let was = landing::corrected(&[], &was, &before.facts).written_off;
        // Those that are still whole turn out to be of another size.
        let free: Vec<Uuid> = match self.dice.roll(3) {
            0 => kept.iter().filter(|p| p.status() == Status::Free).map(|p| p.id).collect(),
            _ => vec![],
        };
        let shape = Shape::rectangle(1_000, 1_500 + 100 * self.dice.roll(9) as i64).unwrap();
        let mut things = vec![lot_thing];
        things.extend(right.shares.iter().map(|s| piece_thing(s.piece)));
        things.extend(free.iter().filter(|id| right.shares.iter().all(|s| s.piece != **id)).map(|id| piece_thing(*id)));
        things.extend(born.iter().map(|b| piece_thing(b.id)));
        let body = LotCorrected {
            lot,
            material: Uuid::nil(),
            name: "lot".into(),
            supplier: None,
            thickness_um: None,
            sheets,
            damaged,
            line_total: facts.line_total,
            freight: facts.freight,
            duty: facts.duty,
            shares: right.shares,
            damaged_off: right.written_off - was,
            born,
            why: "w".into(),
            really: (!free.is_empty()).then_some(SheetsAre { pieces: free, shape, grain_udeg: None }),
        };
        events.push((Body::LotCorrected(body), things));
        self.act(events);
        self.lots.insert(lot, Said { sheets, facts });
        true
    }

    /// One thing happens; what.
    fn step(&mut self) -> Option<&'static str> {
        match self.dice.roll(20) {
            0 | 1 => {
                self.receive();
                Some("receive")
            }
            2..=6 => self.cut().then_some("cut"),
            7 => {
                let piece = self.some(|p| rules::free(p).is_ok())?;
                let body = Scrapped { piece: piece.id, why: "w".into(), written_off: piece.carried() };
                self.act(vec![(Body::Scrapped(body), vec![piece_thing(piece.id)])]);
                Some("scrap")
            }
            8 | 9 => {
                let piece = self.some(|p| rules::may_find_again(p).is_ok())?;
                let of = rules::may_find_again(&piece).ok()?;
                let body = FoundAgain { piece: piece.id, of, rack: None };
                self.act(vec![(Body::FoundAgain(body), vec![piece_thing(piece.id)])]);
                Some("find again")
            }
            10 => {
                let piece = self.some(|p| rules::on_hand(p).is_ok() && p.carried() > 0)?;
                let amount = 1 + self.dice.sum() % piece.carried();
                let to = piece.carried() - amount;
                let body = WrittenDownTo { piece: piece.id, to, amount, why: "w".into() };
                self.act(vec![(Body::WrittenDownTo(body), vec![piece_thing(piece.id)])]);
                Some("write down")
            }
            11 | 12 => self.adjust().then_some("adjust"),
            13 | 14 => self.correct().then_some("correct"),
            15 => {
                let piece = self.some(|p| rules::free(p).is_ok())?;
                let (plan, order) = (self.id(), self.order());
                let body = Held { plan, orders: vec![order], pieces: vec![piece.id] };
                let things = vec![Thing::new(ThingKind::Plan, plan), piece_thing(piece.id)];
                self.act(vec![(Body::Held(body), things.clone())]);
                let body = Released { plan, pieces: vec![piece.id], taken_over: None };
                self.act(vec![(Body::Released(body), things)]);
                Some("hold")
            }
            16 => {
                let piece = self.some(|p| rules::on_hand(p).is_ok())?;
                let body = Moved { piece: piece.id, rack: Some(Uuid::from_u128(7)) };
                self.act(vec![(Body::Moved(body), vec![piece_thing(piece.id)])]);
                Some("move")
            }
            17 => {
                // A leftover that nobody recorded, with a cost of its own.
                let cost = self.dice.sum();
                let piece = self.born(300, 400, cost);
                let thing = piece_thing(piece.id);
                let (lot, material) = (None, self.id());
                let (kind, new_lot, from) = (PieceKind::Offcut, None, None);
                let body = Recorded { kind, material, lot, new_lot, from, note: None, piece, owner: None };
                self.act(vec![(Body::Recorded(body), vec![thing])]);
                Some("record")
            }
            _ => None,
        }
    }
}

fn sheet(piece: &Piece) -> LotSheet {
    LotSheet { code: piece.code.clone(), piece: piece.id, landed: piece.cost - piece.later }
}

/// What must hold after each history.
fn balanced(shop: &Shop, seed: u64) {
    let pieces = shop.pieces();
    let mut lots: BTreeMap<Option<Uuid>, (i64, i64)> = BTreeMap::new();
    for lot in shop.all_lots() {
        lots.insert(Some(lot.id), (lot.received, lot.written_off));
    }
    for p in &pieces {
        let (charged, off) = p.charged_and_written_off();
        let sums = lots.entry(p.lot).or_default();
        sums.0 += p.received;
        sums.1 += p.carried() + charged + off;
        assert!(p.carried() >= 0, "seed {seed}: {} carries {}", p.code, p.carried());
        assert!(!p.conflict && !p.set_aside, "seed {seed}: one device contradicts itself");
        if let Some(used) = &p.used {
            let returned: i64 = used.returned.iter().map(|r| r.cost).sum();
            assert_eq!(charged + off - p.written_down + returned + used.withdrawn, p.cost, "seed {seed}: {}", p.code);
            assert!(used.charges.iter().all(|c| c.charge.total() >= 0));
            if let Some(areas) = used.areas {
                let returned2: i64 = used.returned.iter().map(|r| r.area2).sum();
                assert_eq!(areas.total2(), p.shape.area2(), "seed {seed}: area of {}", p.code);
                assert_eq!(returned2, areas.offcuts2, "seed {seed}: area of {}", p.code);
            }
        }
    }
    for (lot, (received, accounted)) in lots {
        assert_eq!(received, accounted, "seed {seed}: received = on hand + charged + written off for {lot:?}");
    }
    assert_eq!(shop.book.refolded().states(), shop.book.states(), "seed {seed}: a fold from nothing");
}

/// One history; what was done in it, and how often.
fn history(seed: u64, steps: usize) -> BTreeMap<&'static str, usize> {
    let mut shop = Shop::new(seed);
    shop.receive();
    for _ in 0..steps {
        let before = shop.number;
        let Some(what) = shop.step() else { continue };
        *shop.done.entry(what).or_default() += 1;
        if shop.dice.roll(4) == 0 && shop.number > before {
            undo_and_redo(&mut shop, seed);
        }
    }
    balanced(&shop, seed);
    shop.done
}

/// Takes the last action back and does it again: nothing has changed but the history.
fn undo_and_redo(shop: &mut Shop, seed: u64) {
    let Some((action, things)) = shop.last.clone() else { return };
    let before = shop.book.states();
    let undo = shop.act(vec![(Body::Undone(Undone { action }), things.clone())]);
    balanced(shop, seed);
    shop.act(vec![(Body::Undone(Undone { action: undo }), things)]);
    assert_eq!(shop.book.states(), before, "seed {seed}: undo and redo");
    *shop.done.entry("undo").or_default() += 1;
}

fn histories(from: u64, to: u64) -> BTreeMap<&'static str, usize> {
    let mut done = BTreeMap::new();
    for k in from..to {
        for (what, count) in history(k.wrapping_mul(0x9E37_79B9_7F4A_7C15), 10 + (k % 40) as usize) {
            *done.entry(what).or_default() += count;
        }
    }
    done
}

#[test]
fn the_books_balance_in_hundreds_of_histories() {
    let done = histories(0, 300);
    let wanted =
        ["receive", "cut", "scrap", "find again", "write down", "adjust", "correct", "hold", "move", "record", "undo"];
    for what in wanted {
        assert!(done.get(what).copied().unwrap_or(0) > 20, "{what}: {done:?}");
    }
}

#[test]
#[ignore = "slow: make test-slow"]
fn the_books_balance_in_ten_thousand_histories() {
    histories(300, 10_300);
}

#[test]
fn the_textbooks_cases() {
    // Deliveries of so many at so much, each sheet with its own cost, oldest first.
    let sheets = |lots: &[(u32, i64)]| -> Vec<i64> {
        let line = |(count, cost): &(u32, i64)| Line {
            codes: (0..*count).map(|n| format!("{n:06}")).collect(),
            damaged: 0,
            total: cost * i64::from(*count),
            area2: 2,
            thickness_um: 1,
            density_g_m3: None,
        };
        lots.iter().flat_map(|lot| landing::landed(&[line(lot)], 0, FreightBy::Weight, 0).remove(0).good).collect()
    };
    // Open accounting textbook: buy 300 at 20.00, 100 at 20.20, 200 at 20.70, 200 at 21.00; issue 450. FIFO: issued
    // 9 055, left 7 305. Each sheet carries its own cost here, and the oldest lot goes first.
    let carried = sheets(&[(300, 2_000), (100, 2_020), (200, 2_070), (200, 2_100)]);
    assert_eq!((carried[..450].iter().sum::<i64>(), carried[450..].iter().sum::<i64>()), (905_500, 730_500));
    // Open accounting textbook, perpetual FIFO: 10 at 91, 15 at 106, issue 20; 20 for 2 300, 10 for 1 190, issue 23.
    let mut stock = sheets(&[(10, 9_100), (15, 10_600)]);
    let first: i64 = stock.drain(..20).sum();
    stock.extend(sheets(&[(20, 11_500), (10, 11_900)]));
    let second: i64 = stock.drain(..23).sum();
    assert_eq!((first, second, stock.len(), stock.iter().sum::<i64>()), (197_000, 260_000, 12, 142_000));
}
