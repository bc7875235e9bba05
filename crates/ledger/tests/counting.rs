//! A count that several devices add to without knowing of each other comes to the same in any order of arrival, and
//! survives being written down and read again in the middle.

use std::sync::Arc;

use sheetloft_ledger::body::Body;
use sheetloft_ledger::count::{
    Count, CountExpected, CountFinished, CountPaused, CountSeen, CountSettled, CountStarted, Counted, Settled,
};
use sheetloft_ledger::event::{Clock, Envelope, Event, Hash, Thing, ThingKind, Touch};
use sheetloft_ledger::fold::Book;
use sheetloft_ledger::memory::MemoryBook;
use sheetloft_ledger::state::State;
use uuid::Uuid;

fn id(n: u128) -> Uuid {
    Uuid::from_u128(n)
}

const COUNT: u128 = 100;

/// A device: its own events in order, and what it knows.
struct Device {
    id: Uuid,
    number: u64,
    prev: Option<Hash>,
    book: MemoryBook,
}

impl Device {
    fn new(n: u128) -> Self {
        Self { id: id(n), number: 0, prev: None, book: MemoryBook::default() }
    }

    fn acts(&mut self, body: Body) -> Arc<Event> {
        self.number += 1;
        let thing = Thing::new(ThingKind::Count, id(COUNT));
        let mut parents = self.book.heads(thing).unwrap();
        parents.sort_unstable();
        let (kind, version) = body.kind();
        let envelope = Envelope {
            shop: id(1),
            device: self.id,
            number: self.number,
            prev: self.prev,
            id: id(self.id.as_u128() * 1_000 + u128::from(self.number)),
            action: id(self.id.as_u128() * 1_000 + u128::from(self.number)),
            more: false,
            clock: Clock { ms: self.number, count: 0 },
            person: None,
            kind: kind.to_owned(),
            version,
            touches: vec![Touch { thing, parents }],
        };
        let (bytes, _) = Event::write(envelope, body).unwrap();
        let event = Arc::new(Event::read(&bytes).unwrap());
        self.prev = Some(event.hash);
        self.book.offer(event.clone());
        event
    }

    fn sees(&mut self, pieces: &[u128], unknown: &[&str]) -> Arc<Event> {
        let pieces = pieces.iter().map(|n| id(*n)).collect();
        let unknown = unknown.iter().map(|&t| t.to_owned()).collect();
        self.acts(Body::CountSeen(CountSeen { count: id(COUNT), pieces, gone: Vec::new(), unknown }))
    }
}

fn count(book: &MemoryBook) -> Count {
    match book.folded(Thing::new(ThingKind::Count, id(COUNT))).unwrap().state {
        Some(State::Count(count)) => *count,
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_two_devices_saw_is_joined_whatever_came_first() {
    let (mut office, mut phone) = (Device::new(2), Device::new(3));
    let mut all = vec![
        office.acts(Body::CountStarted(CountStarted { count: id(COUNT), rack: id(9) })),
        office.acts(Body::CountExpected(CountExpected { count: id(COUNT), pieces: (11..=16).map(id).collect() })),
    ];
    all.iter().for_each(|e| phone.book.offer(e.clone()));

    // Both go on without a network; the phone is interrupted in the middle.
    all.push(office.sees(&[11, 12], &["smudge"]));
    all.push(phone.sees(&[12, 13], &[]));
    all.push(phone.acts(Body::CountPaused(CountPaused { count: id(COUNT), paused: true })));
    all.push(office.sees(&[21], &[]));
    all.push(phone.acts(Body::CountPaused(CountPaused { count: id(COUNT), paused: false })));
    all.push(phone.sees(&[14], &["smudge", "other"]));
    let settled = CountSettled { count: id(COUNT), what: Counted::Piece(id(21)), how: Settled::MovedHere };
    all.push(office.acts(Body::CountSettled(settled)));
    let told =
        CountFinished { count: id(COUNT), missing: vec![id(13), id(14), id(15), id(16)], unexpected: vec![id(21)] };
    all.push(office.acts(Body::CountFinished(told)));

    // The phone's events come late, in any order, and some of them twice.
    let mut orders: Vec<Vec<usize>> =
        (0..all.len()).map(|n| (0..all.len()).map(|i| (i + n) % all.len()).collect()).collect();
    orders.push((0..all.len()).rev().collect());
    let mut books = Vec::new();
    for order in orders {
        let mut book = MemoryBook::default();
        for i in order {
            book.offer(all[i].clone());
            book.offer(all[i].clone());
        }
        assert_eq!(book.waiting(), 0);
        assert_eq!(book.refolded().states(), book.states(), "step by step as in the full fold");
        books.push(book);
    }
    for book in &books[1..] {
        assert_eq!(book.states(), books[0].states());
        assert_eq!(book.standings(), books[0].standings());
    }
    let joined = count(&books[0]);
    assert_eq!(joined.seen.keys().copied().collect::<Vec<_>>(), [11, 12, 13, 14, 21].map(id));
    assert_eq!(joined.unknown.keys().collect::<Vec<_>>(), ["other", "smudge"]);
    assert!(!joined.paused);
    // What the phone saw takes what was told missing off the list.
    let told = joined.finished.as_ref().unwrap();
    let missing: Vec<Uuid> = told.missing.iter().copied().filter(|p| !joined.seen.contains_key(p)).collect();
    assert_eq!(missing, [15, 16].map(id));
    assert_eq!(joined.settled(&Counted::Piece(id(21))), Some(&Settled::MovedHere));

    // Written down and read again, as after a restart.
    let state = State::Count(Box::new(joined.clone()));
    let text = serde_json::to_string(&state).unwrap();
    assert_eq!(serde_json::from_str::<State>(&text).unwrap(), state);
}

#[test]
fn counts_of_one_rack_begun_apart_are_one() {
    let started = |n: u128| Body::CountStarted(CountStarted { count: id(COUNT), rack: id(n) });
    let (mut a, mut b) = (Device::new(2), Device::new(3));
    a.acts(started(9));
    a.sees(&[1, 2], &[]);
    b.acts(started(9));
    b.sees(&[2, 3], &["x"]);
    b.acts(Body::CountPaused(CountPaused { count: id(COUNT), paused: true }));
    let joined = count(&a.book).joined(count(&b.book));
    assert_eq!(joined.seen.len(), 3);
    assert_eq!(joined.unknown.len(), 1);
    assert!(!joined.paused, "someone goes on with it");
}
