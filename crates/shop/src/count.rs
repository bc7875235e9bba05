//! `count …`: counting what is in a rack, by several people and devices at once; settling what differs; which rack next.

use std::collections::{BTreeMap, BTreeSet};

use sheetloft_ledger::body::{Body, Born, FoundAgain, Moved, PieceKind, Recorded, Scrapped};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::count::{
    Count, CountExpected, CountFinished, CountPaused, CountSeen, CountSettled, CountStarted, Counted, PIECES_PER_EVENT,
    Settled, UNKNOWN_PER_COUNT,
};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::labelling::LabelWanted;
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Piece, Rack, Status};
use sheetloft_store::{PieceFilter, Reader, Tx};
use uuid::Uuid;

use crate::action;
use crate::answer::{
    Changed, CountAnswer, CountNextAnswer, CountNextRow, CountRow, CountSeenAnswer, CountsAnswer, ReadRow,
};
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::say;
use crate::scan;
use crate::shop::{Lookup, Shop, filled, needed, shown, text};
use crate::view::{self, Names, size_text};

/// Most labels of one `count seen`.
const READ_AT_ONCE: usize = 5_000;
/// Most pieces of a rack that can be counted: their names have to fit in one event.
const PIECES_PER_RACK: usize = 20_000;
const DAY_MS: u64 = 86_400_000;

/// A rack with its bays and slots; racks of one name are one.
struct Place {
    rack: Rack,
    ids: BTreeSet<Uuid>,
}

impl Place {
    fn find(reader: &Reader<'_>, name: &str) -> Result<Self, Error> {
        Ok(Self::of(reader.find_rack(name)?, &reader.racks()?))
    }

    fn of(rack: Rack, racks: &[Rack]) -> Self {
        let name = rack.name.to_lowercase();
        let same: BTreeSet<Uuid> = racks.iter().filter(|r| r.name.to_lowercase() == name).map(|r| r.id).collect();
        let within = racks.iter().filter(|r| r.within.is_some_and(|w| same.contains(&w))).map(|r| r.id);
        Self { ids: same.iter().copied().chain(within).collect(), rack }
    }

    fn holds(&self, piece: &Piece) -> bool {
        rules::on_hand(piece).is_ok() && piece.rack.is_some_and(|rack| self.ids.contains(&rack))
    }

    fn pieces(&self, reader: &Reader<'_>) -> Result<Vec<Piece>, Error> {
        let mut pieces = Vec::new();
        for id in &self.ids {
            let filter = PieceFilter { rack: Some(*id), statuses: vec!["free", "held"], ..PieceFilter::default() };
            pieces.extend(reader.pieces(&filter)?);
        }
        Ok(pieces)
    }
}

/// The counts of a place: those that go on, and the one that was finished last.
struct Counts {
    open: Vec<Count>,
    /// Finished elsewhere by someone who did not know of those that go on: what was seen there counts here too.
    aside: Vec<Count>,
    finished: Option<Count>,
}

/// Whether two counts went on at a time, so that whoever began one did not know the end of the other: a device's clock is
/// never behind what it has heard of.
fn together(a: &Count, b: &Count) -> bool {
    let end = |c: &Count| c.finished.as_ref().map_or(u64::MAX, |told| told.at_ms);
    a.at_ms <= end(b) && b.at_ms <= end(a)
}

impl Counts {
    fn of(reader: &Reader<'_>, place: &Place) -> Result<Self, Error> {
        let all = reader.counts()?.into_iter().filter(|c| place.ids.contains(&c.rack));
        let (mut finished, open): (Vec<_>, Vec<_>) = all.partition(|c| c.finished.is_some());
        let aside = finished.iter().filter(|c| open.iter().any(|o| together(c, o))).cloned().collect();
        // The last one, with those that went on at a time with it: they were begun without knowing of each other.
        finished.sort_by_key(|c| (c.finished.as_ref().map(|t| t.at_ms), c.id));
        let last = finished.pop();
        let finished =
            last.map(|last| finished.into_iter().filter(|c| together(c, &last)).fold(last.clone(), Count::joined));
        Ok(Self { open, aside, finished })
    }

    /// The count that goes on; two that were begun without knowing of each other are one.
    fn going_on(&self) -> Option<Count> {
        let open = self.open.iter().cloned().reduce(Count::joined)?;
        let paused = open.paused;
        let all = self.aside.iter().cloned().fold(open, Count::joined);
        Some(Count { paused, finished: None, ..all })
    }
}

fn open(reader: &Reader<'_>, place: &Place) -> Result<(Vec<Count>, Count), Error> {
    let counts = Counts::of(reader, place)?;
    let joined =
        counts.going_on().ok_or_else(|| Error::refused(say!("refused-not-counting", rack = &place.rack.name)))?;
    Ok((counts.open, joined))
}

fn thing(count: &Count) -> [Thing; 1] {
    [Thing::new(ThingKind::Count, count.id)]
}

/// Begins to count racks; where one is being counted already, helps with that.
pub fn start(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::CountStart,
) -> Result<(CountsAnswer, Vec<Changed>), Error> {
    if with.racks.is_empty() {
        return Err(Error::bad(say!("error-needed")).at("racks"));
    }
    let reader = shop.read();
    let mut places = Vec::new();
    for name in &with.racks {
        let place = Place::find(&reader, name).map_err(|e| e.at("racks"))?;
        if !places.iter().any(|p: &Place| p.rack.id == place.rack.id) {
            places.push(place);
        }
    }
    let ((), changed) = shop.write(host, |tx| {
        for place in &places {
            let counts = Counts::of(&tx.read(), place)?;
            if let Some(going_on) = counts.going_on() {
                if going_on.paused {
                    pause_all(tx, &counts.open, false);
                }
                continue;
            }
            let pieces: Vec<Uuid> = place.pieces(&tx.read())?.iter().map(|p| p.id).collect();
            if pieces.len() > PIECES_PER_RACK {
                let rack = &place.rack.name;
                return Err(Error::refused(say!("refused-count-large", rack = rack, most = PIECES_PER_RACK)));
            }
            let count = tx.ids.uuid();
            let thing = [Thing::new(ThingKind::Count, count)];
            tx.draft(Body::CountStarted(CountStarted { count, rack: place.rack.id }), thing);
            for some in pieces.chunks(PIECES_PER_EVENT) {
                tx.draft(Body::CountExpected(CountExpected { count, pieces: some.to_vec() }), thing);
            }
        }
        Ok(())
    })?;
    let counts = places.iter().map(|place| answer(shop, place)).collect::<Result<_, _>>()?;
    Ok((CountsAnswer { counts }, changed))
}

fn pause_all(tx: &mut Tx<'_>, counts: &[Count], paused: bool) {
    for count in counts {
        tx.draft(Body::CountPaused(CountPaused { count: count.id, paused }), thing(count));
    }
}

/// Lets a count rest, or goes on with it.
pub fn pause(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::CountPause,
) -> Result<(CountAnswer, Vec<Changed>), Error> {
    let place = Place::find(&shop.read(), &with.rack)?;
    let (counts, joined) = open(&shop.read(), &place)?;
    let mut changed = Vec::new();
    if joined.paused == with.resume {
        changed = shop
            .write(host, |tx| {
                pause_all(tx, &counts, !with.resume);
                Ok(())
            })?
            .1;
    }
    Ok((answer(shop, &place)?, changed))
}

/// These labels were read in a rack.
pub fn seen(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::CountSeen,
) -> Result<(CountSeenAnswer, Vec<Changed>), Error> {
    if with.codes.is_empty() {
        return Err(Error::bad(say!("error-needed")).at("codes"));
    }
    if with.codes.len() > READ_AT_ONCE {
        return Err(Error::bad(say!("error-count-many", most = READ_AT_ONCE)).at("codes"));
    }
    let reader = shop.read();
    let place = Place::find(&reader, &with.rack)?;
    let (counts, joined) = open(&reader, &place)?;
    let names = Names::read(&reader)?;
    let mut rows = Vec::new();
    let (mut pieces, mut gone, mut unknown) = (Vec::new(), Vec::new(), Vec::new());
    for code in &with.codes {
        let read = needed(code, "codes")?;
        if read.chars().count() > limits::SCAN_CHARS {
            return Err(Error::bad(say!("error-scan-long")).at("codes"));
        }
        match scan::piece(&reader, &read)? {
            Some(piece) => {
                let again = joined.seen.contains_key(&piece.id) || pieces.contains(&piece.id);
                let is_gone = piece.used.is_some() && !joined.seen.contains_key(&piece.id);
                let expected = !is_gone && (joined.expected.contains(&piece.id) || place.holds(&piece));
                rows.push(read_row(shop, &names, &place, &piece, &read, again, expected));
                if !again {
                    pieces.push(piece.id);
                    gone.extend(is_gone.then_some(piece.id));
                }
            }
            None => {
                let again = joined.unknown.contains_key(&read) || unknown.contains(&read);
                let near = scan::near(&reader, &read)?;
                rows.push(ReadRow {
                    read: read.clone(),
                    piece: None,
                    what: "unknown".to_owned(),
                    again,
                    text: say!("count-read-unknown", text = shown(&read)).text(),
                    near,
                });
                if !again {
                    unknown.push(read);
                }
            }
        }
    }
    if joined.unknown.len() + unknown.len() > UNKNOWN_PER_COUNT {
        return Err(Error::refused(say!("refused-count-unknown", most = UNKNOWN_PER_COUNT)));
    }
    let mut changed = Vec::new();
    if !pieces.is_empty() || !unknown.is_empty() {
        changed = shop
            .write(host, |tx| {
                if joined.paused {
                    pause_all(tx, &counts, false);
                }
                let first = &counts[0];
                tx.draft(Body::CountSeen(CountSeen { count: first.id, pieces, gone, unknown }), thing(first));
                Ok(())
            })?
            .1;
    }
    Ok((CountSeenAnswer { read: rows, count: answer(shop, &place)? }, changed))
}

fn read_row(
    shop: &Shop,
    names: &Names,
    place: &Place,
    piece: &Piece,
    read: &str,
    again: bool,
    expected: bool,
) -> ReadRow {
    let (code, material, size) = (&piece.code, names.material(piece.material), size_text(&piece.shape, shop));
    let said = match (again, expected, &piece.used, names.rack(piece.rack)) {
        (true, ..) => say!("count-read-again", piece = code),
        (_, true, ..) => say!("count-read", piece = code, material = material, size = size),
        (_, _, Some(_), _) => say!("count-read-gone", piece = code, material = material, size = size),
        (_, _, None, Some(rack)) => say!("count-read-elsewhere", piece = code, rack = rack, here = &place.rack.name),
        (_, _, None, None) => say!("count-read-unplaced", piece = code, here = &place.rack.name),
    };
    let what = if expected { "expected" } else { "unexpected" };
    ReadRow {
        read: read.to_owned(),
        piece: Some(code.clone()),
        what: what.to_owned(),
        again,
        text: said.text(),
        near: Vec::new(),
    }
}

/// Finishes a count: what was expected and is missing, what is there and was not expected.
pub fn finish(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::CountFinish,
) -> Result<(CountAnswer, Vec<Changed>), Error> {
    let place = Place::find(&shop.read(), &with.rack)?;
    let (counts, joined) = open(&shop.read(), &place)?;
    let sorted = Sorted::of(&shop.read(), &place, &joined)?;
    let ids = |pieces: &[Piece]| pieces.iter().map(|p| p.id).collect::<Vec<_>>();
    let ((), changed) = shop.write(host, |tx| {
        for count in &counts {
            let (missing, unexpected) = (ids(&sorted.missing), ids(&sorted.unexpected));
            tx.draft(Body::CountFinished(CountFinished { count: count.id, missing, unexpected }), thing(count));
        }
        Ok(())
    })?;
    Ok((answer(shop, &place)?, changed))
}

/// The pieces of a count, sorted by what is to be said of them.
#[derive(Default)]
struct Sorted {
    seen: Vec<Piece>,
    missing: Vec<Piece>,
    unexpected: Vec<Piece>,
    /// Expected when it began, and by the books not here any more: cut or moved meanwhile.
    left: Vec<Piece>,
}

impl Sorted {
    fn of(reader: &Reader<'_>, place: &Place, count: &Count) -> Result<Self, Error> {
        let mut sorted = Self::default();
        let named = count.finished.iter().flat_map(|t| t.missing.iter().chain(&t.unexpected));
        let all: BTreeSet<Uuid> = count.expected.iter().chain(count.seen.keys()).chain(named).copied().collect();
        for id in all {
            // A piece whose making was taken back is no piece any more.
            let Some(piece) = reader.piece(id)? else { continue };
            let seen = count.seen.contains_key(&id);
            let expected = count.expected.contains(&id) && !count.gone.contains(&id);
            let group = match &count.finished {
                Some(told) if told.unexpected.contains(&id) => &mut sorted.unexpected,
                Some(told) if told.missing.contains(&id) && !seen => &mut sorted.missing,
                _ if seen && (expected || place.holds(&piece)) => &mut sorted.seen,
                _ if seen => &mut sorted.unexpected,
                None if place.holds(&piece) => &mut sorted.missing,
                _ => &mut sorted.left,
            };
            group.push(piece);
        }
        for group in [&mut sorted.seen, &mut sorted.missing, &mut sorted.unexpected, &mut sorted.left] {
            group.sort_by(|a, b| a.code.cmp(&b.code));
        }
        Ok(sorted)
    }
}

/// A count that goes on, or the last one of the rack.
pub fn show(shop: &Shop, with: &action::CountShow) -> Result<CountAnswer, Error> {
    answer(shop, &Place::find(&shop.read(), &with.rack)?)
}

/// How a piece's difference was settled: last, but where people apart said different things of one that is written off, the
/// books have it so.
fn settled_of<'a>(count: &'a Count, piece: &Piece) -> Option<&'a Settled> {
    let counted = Counted::Piece(piece.id);
    let mut said = count.settled.iter().rev().filter(|s| s.what == counted).map(|s| &s.how);
    let last = said.clone().next();
    let gone = piece.status() == Status::WrittenOff;
    said.find(|how| matches!(how, Settled::WrittenOff(_)) == gone).or(last)
}

/// The counts of a place as one answer.
fn answer(shop: &Shop, place: &Place) -> Result<CountAnswer, Error> {
    let reader = shop.read();
    let counts = Counts::of(&reader, place)?;
    let rack = place.rack.name.clone();
    let Some(count) = counts.going_on().or(counts.finished) else {
        return Err(Error::refused(say!("refused-never-counted", rack = rack)));
    };
    let sorted = Sorted::of(&reader, place, &count)?;
    let names = Names::read(&reader)?;
    let tags: BTreeMap<Uuid, String> = reader.devices()?.into_iter().map(|d| (d.id, d.tag)).collect();
    let mut rows = Vec::new();
    let mut written_off = 0;
    let groups = [
        ("missing", &sorted.missing),
        ("unexpected", &sorted.unexpected),
        ("seen", &sorted.seen),
        ("left", &sorted.left),
    ];
    for (what, pieces) in groups {
        for piece in pieces {
            let settled = settled_of(&count, piece);
            // What was found again since then is not written off any more.
            if let Some(Settled::WrittenOff(sum)) = settled.filter(|_| piece.status() == Status::WrittenOff) {
                written_off += sum;
            }
            rows.push(CountRow {
                what: what.to_owned(),
                piece: Some(piece.code.clone()),
                text: piece.code.clone(),
                material: Some(names.material(piece.material)),
                size: Some(size_text(&piece.shape, shop)),
                status: Some(piece.status().word().to_owned()),
                rack: names.rack(piece.rack),
                cost: Some(shop.money(piece.carried())),
                settled: settled.map(|s| word(s).to_owned()),
                settled_text: settled.map(|s| in_words(shop, &reader, &names, s)).transpose()?,
                by: count.seen.get(&piece.id).and_then(|r| tags.get(&r.device).cloned()),
                at: count.seen.get(&piece.id).map(|r| view::when(r.at_ms)),
                near: Vec::new(),
            });
        }
    }
    for (text, read) in &count.unknown {
        let settled = count.settled(&Counted::Unknown(text.clone()));
        rows.push(CountRow {
            what: "unknown".to_owned(),
            piece: None,
            text: text.clone(),
            material: None,
            size: None,
            status: None,
            rack: None,
            cost: None,
            settled: settled.map(|s| word(s).to_owned()),
            settled_text: settled.map(|s| in_words(shop, &reader, &names, s)).transpose()?,
            by: tags.get(&read.device).cloned(),
            at: Some(view::when(read.at_ms)),
            near: if settled.is_none() { scan::near(&reader, text)? } else { Vec::new() },
        });
    }
    let open = |what: &str| {
        let rows = rows.iter().filter(|r| r.what == what && r.settled.is_none());
        rows.map(|r| r.text.clone()).collect::<Vec<_>>()
    };
    let state = match (&count.finished, count.paused) {
        (Some(_), _) => "finished",
        (None, true) => "paused",
        (None, false) => "counting",
    };
    let mut devices: Vec<String> = count.seen.values().filter_map(|r| tags.get(&r.device).cloned()).collect();
    devices.sort();
    devices.dedup();
    Ok(CountAnswer {
        state: state.to_owned(),
        started: view::when(count.at_ms),
        finished: count.finished.as_ref().map(|t| view::when(t.at_ms)),
        expected: count.expected.len(),
        seen: sorted.seen.len(),
        missing: open("missing"),
        unexpected: open("unexpected"),
        unknown: open("unknown"),
        written_off: shop.money(written_off),
        devices,
        rack,
        rows,
    })
}

fn word(settled: &Settled) -> &'static str {
    match settled {
        Settled::MovedHere => "here",
        Settled::MovedTo(_) => "elsewhere",
        Settled::WrittenOff(_) => "gone",
        Settled::Seen => "seen",
        Settled::FoundAgain(_) => "found",
        Settled::Relabelled(_) => "label",
        Settled::Left => "leave",
    }
}

fn in_words(shop: &Shop, reader: &Reader<'_>, names: &Names, settled: &Settled) -> Result<String, Error> {
    let code = |id: &Uuid| Ok::<_, Error>(reader.piece_code(*id)?.unwrap_or_else(|| id.to_string()));
    Ok(match settled {
        Settled::MovedHere => say!("count-settled-here"),
        Settled::MovedTo(rack) => say!("count-settled-elsewhere", rack = names.rack(Some(*rack)).unwrap_or_default()),
        Settled::WrittenOff(sum) => say!("count-settled-gone", sum = shop.money(*sum)),
        Settled::Seen => say!("count-settled-seen"),
        Settled::FoundAgain(piece) => say!("count-settled-found", piece = code(piece)?),
        Settled::Relabelled(piece) => say!("count-settled-label", piece = code(piece)?),
        Settled::Left => say!("count-settled-leave"),
    }
    .text())
}

/// The counts that go on, and the last finished one of every other rack.
pub fn list(shop: &Shop) -> Result<CountsAnswer, Error> {
    let reader = shop.read();
    let racks = reader.racks()?;
    let counts = reader.counts()?;
    let mut answers = Vec::new();
    let mut done: BTreeSet<Uuid> = BTreeSet::new();
    for rack in racks.iter().filter(|r| counts.iter().any(|c| c.rack == r.id)) {
        let place = Place::of(rack.clone(), &racks);
        if done.insert(rack.id) && !done.iter().any(|id| *id != rack.id && same_name(&racks, *id, rack)) {
            answers.push(answer(shop, &place)?);
        }
    }
    answers.sort_by_key(|c| (c.state == "finished", std::cmp::Reverse(c.finished.clone()), c.rack.clone()));
    Ok(CountsAnswer { counts: answers })
}

fn same_name(racks: &[Rack], id: Uuid, rack: &Rack) -> bool {
    racks.iter().any(|r| r.id == id && r.name.to_lowercase() == rack.name.to_lowercase())
}

/// How one difference is settled.
enum How {
    Here,
    Elsewhere,
    Gone,
    Seen,
    Found,
    Label,
    Leave,
}

/// Settles one difference of a count.
pub fn settle(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::CountSettle,
) -> Result<(CountAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let place = Place::find(&reader, &with.rack)?;
    let counts = Counts::of(&reader, &place)?;
    let count = counts.open.first().cloned().or(counts.finished.clone());
    let count = count.ok_or_else(|| Error::refused(say!("refused-never-counted", rack = &place.rack.name)))?;
    let what = needed(&with.what, "what")?;
    let how = how(&with.how)?;
    let why = text(with.why.as_deref(), "why")?;
    let to = filled(with.to.as_deref()).map(|rack| reader.find_rack(rack).map_err(|e| e.at("to"))).transpose()?;
    let other =
        filled(with.piece.as_deref()).map(|code| reader.find_piece(code).map_err(|e| e.at("piece"))).transpose()?;
    let joined = counts.going_on().unwrap_or_else(|| count.clone());
    let piece = scan::piece(&reader, &what)?;
    let counted = match &piece {
        Some(piece) => Counted::Piece(piece.id),
        None if joined.unknown.contains_key(&what) => Counted::Unknown(what.clone()),
        None => {
            return Err(Error::bad(say!("error-count-what", text = shown(&what), rack = &place.rack.name)).at("what"));
        }
    };
    if let Some(piece) = &piece {
        reader.not_frozen(Thing::new(ThingKind::Piece, piece.id), &piece.code)?;
    }
    let of_piece = || piece.clone().ok_or_else(|| Error::bad(say!("error-count-unknown-how")).at("how"));
    let here = place.rack.id;
    let name = place.rack.name.clone();
    let ((), changed) = shop.write(host, |tx| {
        let settled = match how {
            How::Here => {
                move_to(tx, &of_piece()?, here)?;
                Settled::MovedHere
            }
            How::Elsewhere => {
                let to = to.ok_or_else(|| Error::bad(say!("error-needed")).at("to"))?;
                move_to(tx, &of_piece()?, to.id)?;
                Settled::MovedTo(to.id)
            }
            How::Gone => {
                let piece = of_piece()?;
                let now = tx.read().piece(piece.id)?.unwrap_or(piece);
                rules::free(&now)?;
                let why = why.unwrap_or_else(|| say!("count-why-gone", rack = &name).text());
                let written_off = now.carried();
                let touched = [Thing::new(ThingKind::Piece, now.id)];
                tx.draft(Body::Scrapped(Scrapped { piece: now.id, why, written_off }), touched);
                Settled::WrittenOff(written_off)
            }
            How::Seen => {
                read_too(tx, &count, of_piece()?.id);
                Settled::Seen
            }
            How::Found => Settled::FoundAgain(again(tx, &of_piece()?, here, &name)?),
            How::Label => {
                let piece = match (&piece, other) {
                    (_, Some(other)) => other,
                    (Some(piece), None) => piece.clone(),
                    (None, None) => return Err(Error::bad(say!("error-count-label-piece")).at("piece")),
                };
                rules::on_hand(&piece)?;
                let touched = [Thing::new(ThingKind::Piece, piece.id)];
                tx.draft(Body::LabelWanted(LabelWanted { pieces: vec![piece.id] }), touched);
                read_too(tx, &count, piece.id);
                if !place.holds(&piece) {
                    move_to(tx, &piece, here)?;
                }
                Settled::Relabelled(piece.id)
            }
            How::Leave => Settled::Left,
        };
        tx.draft(Body::CountSettled(CountSettled { count: count.id, what: counted, how: settled }), thing(&count));
        Ok(())
    })?;
    Ok((answer(shop, &place)?, changed))
}

fn how(given: &str) -> Result<How, Error> {
    Ok(match given.trim().to_lowercase().as_str() {
        "here" => How::Here,
        "elsewhere" => How::Elsewhere,
        "gone" => How::Gone,
        "seen" => How::Seen,
        "found" => How::Found,
        "label" => How::Label,
        "leave" => How::Leave,
        _ => {
            let words = "here, elsewhere, gone, seen, found, label, leave";
            return Err(Error::bad(say!("error-word", text = shown(given), words = words)).at("how"));
        }
    })
}

fn read_too(tx: &mut Tx<'_>, count: &Count, piece: Uuid) {
    let seen = CountSeen { count: count.id, pieces: vec![piece], gone: Vec::new(), unknown: Vec::new() };
    tx.draft(Body::CountSeen(seen), thing(count));
}

fn move_to(tx: &mut Tx<'_>, piece: &Piece, rack: Uuid) -> Result<(), Error> {
    let now = tx.read().piece(piece.id)?.unwrap_or_else(|| piece.clone());
    rules::on_hand(&now)?;
    if now.rack == Some(rack) {
        return Ok(());
    }
    let touched = [Thing::new(ThingKind::Piece, now.id)];
    tx.draft(Body::Moved(Moved { piece: now.id, rack: Some(rack) }), touched);
    Ok(())
}

/// A piece that the books say is gone stands there all the same. One that was written off is in stock again as it was. One
/// that was cut or taken comes into stock anew, at nothing, for its cost went where the books say; it needs a label of its
/// own.
fn again(tx: &mut Tx<'_>, piece: &Piece, rack: Uuid, name: &str) -> Result<Uuid, Error> {
    if piece.used.is_none() {
        return Err(Error::refused(say!("refused-count-not-gone", piece = &piece.code)));
    }
    if let Ok(of) = rules::may_find_again(piece) {
        let found = FoundAgain { piece: piece.id, of, rack: Some(rack) };
        tx.draft(Body::FoundAgain(found), [Thing::new(ThingKind::Piece, piece.id)]);
        return Ok(piece.id);
    }
    let id = tx.ids.uuid();
    let born = Born {
        id,
        code: tx.next_code(Noun::Piece)?,
        shape: piece.shape.clone(),
        flaws: piece.flaws.clone(),
        grain_udeg: piece.grain_udeg,
        known: piece.known,
        known_within_um: piece.known_within_um,
        rack: Some(rack),
        cost: 0,
    };
    let recorded = Recorded {
        kind: PieceKind::Offcut,
        material: piece.material,
        lot: piece.lot,
        new_lot: None,
        from: Some(piece.id),
        owner: piece.owner.clone(),
        note: Some(say!("count-note-again", piece = &piece.code, rack = name).text()),
        piece: born,
    };
    tx.draft(Body::Recorded(recorded), [Thing::new(ThingKind::Piece, id)]);
    Ok(id)
}

/// Which rack to count next: one never counted, then the one longest not counted, sooner where the last count had surprises.
pub fn next(shop: &Shop, now_ms: u64) -> Result<CountNextAnswer, Error> {
    let reader = shop.read();
    let racks = reader.racks()?;
    let mut rows: Vec<(f64, CountNextRow)> = Vec::new();
    for rack in racks.iter().filter(|r| r.within.is_none()) {
        let place = Place::of(rack.clone(), &racks);
        if rows.iter().any(|(_, row)| row.rack.to_lowercase() == rack.name.to_lowercase()) {
            continue;
        }
        let pieces = place.pieces(&reader)?.len();
        let counts = Counts::of(&reader, &place)?;
        let going_on = !counts.open.is_empty();
        let last = counts.finished.as_ref().and_then(|c| c.finished.as_ref().map(|t| (c, t)));
        let (score, days, surprises, text) = match last {
            None => (f64::MAX / 2.0 + pieces as f64, None, 0, say!("count-next-never")),
            Some((count, told)) => {
                let days = now_ms.saturating_sub(told.at_ms) / DAY_MS;
                let surprises = told.missing.len() + told.unexpected.len() + count.unknown.len();
                let share = surprises as f64 / count.expected.len().max(1) as f64;
                let said =
                    say!("count-next", days = usize::try_from(days).unwrap_or(usize::MAX), surprises = surprises);
                ((days as f64 + 1.0) * (1.0 + share), usize::try_from(days).ok(), surprises, said)
            }
        };
        let last = last.map(|(_, told)| view::when(told.at_ms));
        let row = CountNextRow {
            rack: rack.name.clone(),
            pieces,
            last,
            days,
            surprises,
            going_on,
            text: said(&text, going_on),
        };
        rows.push((score, row));
    }
    rows.sort_by(|(a, x), (b, y)| b.total_cmp(a).then_with(|| x.rack.cmp(&y.rack)));
    Ok(CountNextAnswer { racks: rows.into_iter().map(|(_, row)| row).collect() })
}

fn said(text: &say::Say, going_on: bool) -> String {
    if going_on { say!("count-next-now").text() } else { text.text() }
}

/// When each piece was last read in a count, ms.
pub fn last_read(reader: &Reader<'_>) -> Result<BTreeMap<Uuid, u64>, Error> {
    let mut last = BTreeMap::new();
    for count in reader.counts()? {
        for (piece, read) in count.seen {
            let at = last.entry(piece).or_insert(read.at_ms);
            *at = (*at).max(read.at_ms);
        }
    }
    Ok(last)
}
