//! A few devices with books in memory, for cases written out step by step.

#![allow(dead_code)]

use std::collections::BTreeMap;
use std::sync::Arc;

use sheetloft_ledger::body::*;
use sheetloft_ledger::event::{Clock, Envelope, Event, Hash, Thing, ThingKind, Touch};
use sheetloft_ledger::fold::{Book, Folded, Standing};
use sheetloft_ledger::memory::MemoryBook;
use sheetloft_ledger::state::{Piece, State};
use sheetloft_shapes::Shape;
use uuid::Uuid;

pub struct Bench {
    next: u128,
    devices: Vec<(Uuid, u64, Option<Hash>, MemoryBook)>,
    all: Vec<Arc<Event>>,
}

fn piece(id: Uuid) -> Thing {
    Thing::new(ThingKind::Piece, id)
}

impl Bench {
    pub fn new(devices: u128) -> Self {
        let devices = (1..=devices).map(|n| (Uuid::from_u128(n), 0, None, MemoryBook::default())).collect();
        Self { next: 1_000, devices, all: Vec::new() }
    }

    fn id(&mut self) -> Uuid {
        self.next += 1;
        Uuid::from_u128(self.next)
    }

    fn write(&mut self, at: usize, body: Body, things: Vec<Thing>, known: bool) -> Hash {
        let (id, action) = (self.id(), self.id());
        let device = &mut self.devices[at];
        device.1 += 1;
        let touches = things
            .into_iter()
            .map(|thing| {
                let mut parents = device.3.heads(thing).unwrap();
                parents.sort_unstable();
                Touch { thing, parents }
            })
            .collect();
        let (kind, version) = body.kind();
        let envelope = Envelope {
            shop: Uuid::nil(),
            device: device.0,
            number: device.1,
            prev: device.2,
            id,
            action,
            more: false,
            clock: Clock::default(),
            person: None,
            kind: kind.to_owned(),
            version: if known { version } else { 99 },
            touches,
        };
        let (bytes, _) = Event::write(envelope, body).unwrap();
        let event = Arc::new(Event::read(&bytes).unwrap());
        device.2 = Some(event.hash);
        device.3.offer(event.clone());
        self.all.push(event.clone());
        event.hash
    }

    /// One sheet of a delivery of its own.
    pub fn receive(&mut self, at: usize, cost: i64) -> Uuid {
        let (delivery, lot, material, id) = (self.id(), self.id(), self.id(), self.id());
        let born = born(id, cost);
        let body = Received {
            delivery,
            lot,
            lot_name: "lot".into(),
            material,
            supplier: None,
            thickness_um: None,
            sheets: 1,
            damaged: 0,
            line_total: cost,
            freight: 0,
            written_off: 0,
            pieces: vec![born],
            duty: 0,
            on_order: None,
            owner: None,
        };
        let things = vec![Thing::new(ThingKind::Delivery, delivery), Thing::new(ThingKind::Lot, lot), piece(id)];
        self.write(at, Body::Received(body), things, true);
        id
    }

    pub fn order(&mut self, at: usize) -> Uuid {
        let order = self.id();
        let body = OrderMade { order, code: "O".into(), name: "n".into(), customer: None, due: None };
        self.write(at, Body::OrderMade(body), vec![Thing::new(ThingKind::Order, order)], true);
        order
    }

    /// A cut that charges an order and leaves one offcut: the event and the offcut.
    pub fn cut(&mut self, at: usize, of: Uuid, order: Uuid, charge: i64, left: i64) -> (Hash, Uuid) {
        let (plan, offcut) = (self.id(), self.id());
        let charge = Charge { parts: charge, ..Charge::default() };
        let (sheet, left) = (self.piece(at, of), born(offcut, left));
        let offcuts2 = left.shape.area2();
        let areas = Areas { parts2: sheet.shape.area2() - offcuts2, offcuts2, ..Areas::default() };
        let body = Cut {
            plan,
            piece: of,
            material: Uuid::nil(),
            lot: sheet.lot,
            parts: vec![],
            born: vec![left],
            charges: vec![OrderCharge { order, charge }],
            areas,
            why: None,
            owner: None,
        };
        let things =
            vec![piece(of), Thing::new(ThingKind::Plan, plan), Thing::new(ThingKind::Order, order), piece(offcut)];
        (self.write(at, Body::Cut(body), things, true), offcut)
    }

    pub fn settle(&mut self, at: usize, settled: Settled) -> Hash {
        let mut ids: Vec<Uuid> = settled.pieces().chain([settled.piece]).collect();
        ids.sort();
        ids.dedup();
        self.write(at, Body::Settled(settled), ids.into_iter().map(piece).collect(), true)
    }

    pub fn write_down(&mut self, at: usize, of: Uuid, to: i64) -> Hash {
        let amount = self.piece(at, of).carried() - to;
        let body = WrittenDownTo { piece: of, to, amount, why: "w".into() };
        self.write(at, Body::WrittenDownTo(body), vec![piece(of)], true)
    }

    /// A sheet was booked in and never came.
    pub fn withdraw(&mut self, at: usize, of: Uuid) -> Hash {
        let sheet = self.piece(at, of);
        let lot = sheet.lot.expect("it was delivered");
        let body = Withdrawn { piece: of, lot, amount: sheet.carried(), why: "w".into() };
        self.write(at, Body::Withdrawn(body), vec![piece(of), Thing::new(ThingKind::Lot, lot)], true)
    }

    /// The supplier credits something for one piece, as that device knows it.
    pub fn credit(&mut self, at: usize, of: Uuid, amount: i64) {
        let lot = self.piece(at, of).lot.expect("it was delivered");
        let shares = vec![CostShare { piece: of, amount: -amount }];
        let body = LotAdjusted { lot, amount: -amount, shares, written_off: 0, why: "w".into(), claim: None };
        self.write(at, Body::LotAdjusted(body), vec![Thing::new(ThingKind::Lot, lot), piece(of)], true);
    }

    /// A sheet turns out to be of another material and size.
    pub fn really(&mut self, at: usize, of: Uuid, material: Uuid, shape: Shape) -> Hash {
        let lot = self.piece(at, of).lot.expect("it was delivered");
        let body = LotCorrected {
            lot,
            material,
            name: "lot".into(),
            supplier: None,
            thickness_um: None,
            sheets: 1,
            damaged: 0,
            line_total: 0,
            freight: 0,
            duty: 0,
            shares: vec![],
            damaged_off: 0,
            born: vec![],
            why: "w".into(),
            really: Some(SheetsAre { pieces: vec![of], shape, grain_udeg: None }),
        };
        self.write(at, Body::LotCorrected(body), vec![Thing::new(ThingKind::Lot, lot), piece(of)], true)
    }

    pub fn undo(&mut self, at: usize, event: Hash) {
        let event = self.all.iter().find(|e| e.hash == event).unwrap().clone();
        let things = event.things().collect();
        self.write(at, Body::Undone(Undone { action: event.envelope.action }), things, true);
    }

    /// An event of a version that nobody here knows.
    pub fn unknown(&mut self, at: usize, of: Uuid) {
        self.write(at, Body::Moved(Moved { piece: of, rack: None }), vec![piece(of)], false);
    }

    /// One device hears everything that another one has.
    pub fn tell(&mut self, from: usize, to: usize) {
        let known = self.devices[from].3.standings().clone();
        for event in self.all.iter().filter(|e| known.contains_key(&e.hash)) {
            self.devices[to].3.offer(event.clone());
        }
    }

    /// All devices hear everything; each in another order. The result is the same as a fold from nothing.
    pub fn meet(&mut self) {
        for at in 0..self.devices.len() {
            let all = self.all.clone();
            let turned = all.iter().cycle().skip(at * 7).take(all.len());
            turned.for_each(|e| self.devices[at].3.offer(e.clone()));
            assert_eq!(self.devices[at].3.states(), self.devices[at].3.refolded().states());
            assert_eq!(self.devices[at].3.states(), self.devices[0].3.states());
        }
    }

    pub fn states(&self, at: usize) -> BTreeMap<Thing, Folded> {
        self.devices[at].3.states()
    }

    pub fn piece(&self, at: usize, id: Uuid) -> Piece {
        *self.states(at)[&piece(id)].state.clone().and_then(State::piece).expect("a piece")
    }

    pub fn frozen(&self, at: usize, id: Uuid) -> bool {
        self.states(at)[&piece(id)].frozen
    }

    pub fn standing(&self, at: usize, event: Hash) -> Standing {
        self.devices[at].3.standings()[&event]
    }

    fn pieces(&self, at: usize) -> Vec<Piece> {
        self.states(at).into_values().filter_map(|f| f.state?.piece()).map(|p| *p).collect()
    }

    /// What an order pays.
    pub fn charged(&self, at: usize, order: Uuid) -> i64 {
        let uses = self.pieces(at).into_iter().filter_map(|p| p.used);
        uses.flat_map(|u| u.charges).filter(|c| c.order == order).map(|c| c.charge.total()).sum()
    }

    /// Received, on hand, charged, written off: always in balance, each lot too.
    pub fn sums(&self, at: usize) -> (i64, i64, i64, i64) {
        let mut sums = (0, 0, 0, 0);
        let mut off: BTreeMap<Option<Uuid>, i64> = BTreeMap::new();
        for folded in self.states(at).into_values() {
            match folded.state {
                Some(State::Lot(lot)) => {
                    sums = (sums.0 + lot.received, sums.1, sums.2, sums.3 + lot.written_off);
                    *off.entry(Some(lot.id)).or_default() += lot.received - lot.written_off;
                }
                Some(State::Piece(piece)) => {
                    let (charged, written_off) = piece.charged_and_written_off();
                    sums = (sums.0, sums.1 + piece.carried(), sums.2 + charged, sums.3 + written_off);
                    *off.entry(piece.lot).or_default() -= piece.carried() + charged + written_off;
                }
                _ => {}
            }
        }
        assert_eq!(sums.0, sums.1 + sums.2 + sums.3);
        assert!(off.values().all(|sum| *sum == 0), "a lot is off: {off:?}");
        sums
    }
}

pub fn cut(bench: &mut Bench, at: usize, of: Uuid, order: Uuid, charge: i64, left: i64) -> (Hash, Uuid) {
    bench.cut(at, of, order, charge, left)
}

/// A plan of its own that holds one piece for an order: the event and the plan.
pub fn hold(bench: &mut Bench, at: usize, of: Uuid, order: Uuid) -> (Hash, Uuid) {
    let plan = bench.id();
    let body = Body::Held(Held { plan, orders: vec![order], pieces: vec![of] });
    (bench.write(at, body, vec![Thing::new(ThingKind::Plan, plan), piece(of)], true), plan)
}

pub fn release(bench: &mut Bench, at: usize, of: Uuid, plan: Uuid) {
    let body = Body::Released(Released { plan, pieces: vec![of], taken_over: None });
    bench.write(at, body, vec![Thing::new(ThingKind::Plan, plan), piece(of)], true);
}

pub fn scrapped(bench: &mut Bench, at: usize, of: Uuid) {
    let written_off = bench.piece(at, of).carried();
    let body = Body::Scrapped(Scrapped { piece: of, why: "bent".into(), written_off });
    bench.write(at, body, vec![piece(of)], true);
}

fn born(id: Uuid, cost: i64) -> Born {
    Born {
        id,
        code: format!("{:.6}", id.simple()),
        shape: Shape::rectangle(1_000, 1_000).unwrap(),
        flaws: vec![],
        grain_udeg: None,
        known: Known::Machine,
        known_within_um: 300,
        rack: None,
        cost,
    }
}
