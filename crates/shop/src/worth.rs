//! What a piece is worth, whose it is, and what became of it after all: written down, split, found again, handed back,
//! its film.

use chrono::{Days, NaiveDate};
use sheetloft_ledger::body::{
    Areas, Body, Born, Charge, FilmNoted, Flaw, FoundAgain, HandedBack, Known, Outcome, Taken, TakenFor, WrittenDownTo,
};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Film, Piece};
use sheetloft_shapes::{Placement, Shape, boolean};
use sheetloft_store::Reader;
use uuid::Uuid;

use crate::action::{FilmNote, FindAgain, HandBack, Split, WriteDown};
use crate::answer::{Changed, FilmAnswer, FoundAnswer, HandBackAnswer, SplitAnswer, WriteDownAnswer};
use crate::error::Error;
use crate::given;
use crate::host::Host;
use crate::piece::new_offcuts;
use crate::say;
use crate::say::Say;
use crate::shop::{Lookup, Shop, filled, needed, shown, text};

/// Film that has been on for so many days may be hard to peel; common practice, no source.
const FILM_OLD_DAYS: u64 = 365;

fn asked(shop: &Shop, code: &str) -> Result<Piece, Error> {
    let piece = shop.read().find_piece(code).map_err(|e| e.at("piece"))?;
    shop.read().not_frozen(Thing::piece(piece.id), &piece.code)?;
    Ok(piece)
}

/// The piece as it is within the transaction.
fn now(reader: &Reader<'_>, piece: &Piece) -> Result<Piece, Error> {
    Ok(reader.piece(piece.id)?.unwrap_or_else(|| piece.clone()))
}

/// Writes a piece down: to a sum, or by one. It stays on hand.
pub fn write_down(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &WriteDown,
) -> Result<(WriteDownAnswer, Vec<Changed>), Error> {
    let piece = asked(shop, &with.piece)?;
    let to = filled(with.to.as_deref()).map(|t| shop.sum(t, "to")).transpose()?;
    let by = filled(with.by.as_deref()).map(|t| shop.sum(t, "by")).transpose()?;
    if to.is_some() == by.is_some() {
        return Err(Error::bad(say!("error-write-down")).at("to"));
    }
    let why = needed(&with.why, "why")?;
    rules::on_hand(&piece)?;
    let ((code, amount, left), changed) = shop.write(host, |tx| {
        let now = now(&tx.read(), &piece)?;
        let amount = match (to, by) {
            (Some(to), _) => now.carried() - to,
            (None, by) => by.unwrap_or(0),
        };
        rules::may_change_cost(&now, -amount)?;
        if amount <= 0 {
            return Err(Error::bad(say!("error-write-up", piece = &now.code)).at("to"));
        }
        let to = now.carried() - amount;
        tx.draft(Body::WrittenDownTo(WrittenDownTo { piece: now.id, to, amount, why }), [Thing::piece(now.id)]);
        Ok((now.code.clone(), amount, to))
    })?;
    Ok((WriteDownAnswer { piece: code, written_off: shop.money(amount), cost: shop.money(left) }, changed))
}

/// A piece that was thrown away is there after all.
pub fn find_again(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &FindAgain,
) -> Result<(FoundAnswer, Vec<Changed>), Error> {
    let piece = asked(shop, &with.piece)?;
    rules::may_find_again(&piece)?;
    let rack = filled(with.rack.as_deref());
    let rack = rack.map(|name| shop.read().find_rack(name)).transpose()?;
    let ((), changed) = shop.write(host, |tx| {
        let now = now(&tx.read(), &piece)?;
        let of = rules::may_find_again(&now)?;
        let rack = rack.as_ref().map(|r| r.id).or(now.rack);
        tx.draft(Body::FoundAgain(FoundAgain { piece: now.id, of, rack }), [Thing::piece(now.id)]);
        Ok(())
    })?;
    let after = now(&shop.read(), &piece)?;
    Ok((FoundAnswer { piece: after.code.clone(), cost: shop.money(after.carried()) }, changed))
}

/// A customer's own piece goes back.
pub fn hand_back(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &HandBack,
) -> Result<(HandBackAnswer, Vec<Changed>), Error> {
    let piece = asked(shop, &with.piece)?;
    rules::may_hand_back(&piece)?;
    let why = text(with.why.as_deref(), "why")?;
    let ((), changed) = shop.write(host, |tx| {
        let now = now(&tx.read(), &piece)?;
        rules::may_hand_back(&now)?;
        tx.draft(Body::HandedBack(HandedBack { piece: now.id, why }), [Thing::piece(now.id)]);
        Ok(())
    })?;
    Ok((HandBackAnswer { piece: piece.code, owner: piece.owner.unwrap_or_default() }, changed))
}

/// Notes which faces of a piece have their film, and since when.
pub fn film(shop: &mut Shop, host: &mut dyn Host, with: &FilmNote) -> Result<(FilmAnswer, Vec<Changed>), Error> {
    let piece = asked(shop, &with.piece)?;
    rules::on_hand(&piece)?;
    let since = text(with.since.as_deref(), "since")?;
    if let Some(since) = &since {
        let date = NaiveDate::parse_from_str(since, "%Y-%m-%d").ok().filter(|_| since.len() == 10);
        date.ok_or_else(|| Error::bad(say!("error-date", text = shown(since))).at("since"))?;
    }
    let noted = FilmNoted { piece: piece.id, face: with.face, back: with.back, since };
    let ((), changed) = shop.write(host, |tx| {
        tx.draft(Body::FilmNoted(noted), [Thing::piece(piece.id)]);
        Ok(())
    })?;
    let film = film_of(&shop.read(), &now(&shop.read(), &piece)?)?;
    let warning = film_warning(film.as_ref(), host.wall_ms()).map(|s| s.text());
    Ok((FilmAnswer { piece: piece.code, film: film.map(|f| film_text(&f)), warning }, changed))
}

/// The film of a piece: as said of it, else of what it was cut from.
pub fn film_of(reader: &Reader<'_>, piece: &Piece) -> Result<Option<Film>, Error> {
    /// Deeper than anything is ever cut.
    const MOST: usize = 100;
    let mut at = piece.clone();
    for _ in 0..MOST {
        if at.film.is_some() {
            return Ok(at.film);
        }
        match at.from.map(|id| reader.piece(id)).transpose()?.flatten() {
            Some(parent) => at = parent,
            None => break,
        }
    }
    Ok(None)
}

/// The film in words.
pub fn film_text(film: &Film) -> String {
    let since = film.since.clone().unwrap_or_default();
    match (film.face, film.back, film.since.is_some()) {
        (true, true, true) => say!("film-both-since", since = since),
        (true, false, true) => say!("film-face-since", since = since),
        (_, _, true) => say!("film-back-since", since = since),
        (true, true, false) => say!("film-both"),
        (true, false, false) => say!("film-face"),
        _ => say!("film-back"),
    }
    .text()
}

/// That film is old, if it is.
pub fn film_warning(film: Option<&Film>, now_ms: u64) -> Option<Say> {
    let since = film?.since.as_deref()?;
    let since = NaiveDate::parse_from_str(since, "%Y-%m-%d").ok()?;
    let old = since.checked_add_days(Days::new(FILM_OLD_DAYS))?.and_hms_opt(0, 0, 0)?.and_utc().timestamp_millis();
    let is_old = i64::try_from(now_ms).is_ok_and(|now| now >= old);
    is_old.then(|| say!("warning-film-old", since = since.to_string()))
}

/// One part of a piece that is split.
struct Half {
    shape: Shape,
    flaws: Vec<(Shape, Flaw)>,
    known: Known,
}

/// Splits a piece by hand: along a straight line, or into what is said. Nobody pays: what it carried stays with the parts,
/// what is lost between them is written off by area.
pub fn split(shop: &mut Shop, host: &mut dyn Host, with: &Split) -> Result<(SplitAnswer, Vec<Changed>), Error> {
    let piece = asked(shop, &with.piece)?;
    rules::free(&piece)?;
    let kerf = filled(with.kerf.as_deref()).map(|t| shop.allowance(t, "kerf")).transpose()?.unwrap_or(0);
    let halves = match (filled(with.x.as_deref()), filled(with.y.as_deref()), with.into.is_empty()) {
        (Some(at), None, true) => without_gain(&piece, shop.extent(at, "x")?, kerf, true)?,
        (None, Some(at), true) => without_gain(&piece, shop.extent(at, "y")?, kerf, false)?,
        (None, None, false) => {
            let shapes = with.into.iter().map(|g| given::piece(shop, g)).collect::<Result<Vec<Shape>, _>>()?;
            shapes.into_iter().map(|shape| Half { shape, flaws: Vec::new(), known: Known::Tape }).collect()
        }
        _ => return Err(Error::bad(say!("error-split-how")).at("into")),
    };
    if halves.len() < 2 {
        return Err(Error::bad(say!("error-split-one", piece = &piece.code)).at("into"));
    }
    let offcuts2: i64 = halves.iter().map(|h| h.shape.area2()).sum();
    let lost2 = piece.shape.area2() - offcuts2;
    if lost2 < 0 {
        return Err(Error::bad(say!("error-split-more", piece = &piece.code)).at("into"));
    }
    let material = shop.read().material(piece.material)?;
    let why = text(with.why.as_deref(), "why")?.unwrap_or_else(|| say!("split-why").text());
    let ((born, lost), changed) = shop.write(host, |tx| {
        let now = now(&tx.read(), &piece)?;
        rules::free(&now)?;
        let codes = halves.iter().map(|_| tx.next_code(Noun::Piece)).collect::<Result<Vec<_>, _>>()?;
        let kept: Vec<KeptOffcut> = codes
            .iter()
            .zip(&halves)
            .map(|(code, h)| KeptOffcut { code: code.clone(), area2: h.shape.area2() })
            .collect();
        let areas = Areas { parts2: 0, kerf2: lost2, offcuts2, scrap2: 0 };
        let payer = CutShare { order: Uuid::nil(), order_code: "~".to_owned(), area2: 1, outcome: Outcome::NotStarted };
        let value = material.data.offcut_value_percent;
        let shared = outcome::share(now.carried(), now.kind, value, &kept, &[payer], &areas);
        let lost = shared.charges.first().map_or(Charge::default(), |c| c.charge).total();
        let mut born = Vec::with_capacity(halves.len());
        for ((code, half), cost) in codes.into_iter().zip(halves).zip(shared.offcuts) {
            let mut flaws = Vec::new();
            for (shape, flaw) in half.flaws {
                flaws.push(Flaw { id: tx.ids.uuid(), shape, ..flaw });
            }
            born.push(Born {
                id: tx.ids.uuid(),
                code,
                shape: half.shape,
                flaws,
                grain_udeg: now.grain_udeg,
                known: half.known,
                known_within_um: half.known.within_um(),
                rack: now.rack,
                cost,
            });
        }
        let touches: Vec<Thing> = std::iter::once(Thing::piece(now.id))
            .chain(born.iter().map(|b| Thing::new(ThingKind::Piece, b.id)))
            .collect();
        let taken = Taken {
            piece: now.id,
            material: now.material,
            lot: now.lot,
            paid_by: TakenFor::Shop { why, amount: lost },
            born: born.clone(),
            areas,
            owner: now.owner,
        };
        tx.draft(Body::Taken(taken), touches);
        Ok((born, lost))
    })?;
    let answer = SplitAnswer { piece: piece.code, written_off: shop.money(lost), offcuts: new_offcuts(shop, &born) };
    Ok((answer, changed))
}

/// As [`along`]. Where corners rounded to the grid would make the parts larger than the whole, the cut takes some
/// micrometres more.
fn without_gain(piece: &Piece, at_um: i64, kerf_um: i64, x: bool) -> Result<Vec<Half>, Error> {
    for more in 0..8 {
        let halves = along(piece, at_um, kerf_um + more, x)?;
        if halves.iter().map(|h| h.shape.area2()).sum::<i64>() <= piece.shape.area2() {
            return Ok(halves);
        }
    }
    along(piece, at_um, kerf_um + 8, x)
}

/// What a straight cut across a piece makes of it, each in coordinates of its own; flaws go along. `x`: the cut runs up at
/// this distance from the left; else across at this distance from the bottom. Its kerf lies to either side alike.
fn along(piece: &Piece, at_um: i64, kerf_um: i64, x: bool) -> Result<Vec<Half>, Error> {
    let field = if x { "x" } else { "y" };
    let (low, high) = piece.shape.bounds();
    let (low, high) = ([i64::from(low.x), i64::from(low.y)], [i64::from(high.x), i64::from(high.y)]);
    let axis = usize::from(!x);
    let cut = low[axis] + at_um;
    let (before, after) = (cut - kerf_um / 2, cut + kerf_um - kerf_um / 2);
    if before <= low[axis] || after >= high[axis] {
        return Err(Error::bad(say!("error-split-outside", piece = &piece.code)).at(field));
    }
    let far = |_| Error::bad(say!("error-split-outside", piece = &piece.code)).at(field);
    let side = |from: i64, to: i64| -> Result<Shape, Error> {
        let (mut a, mut b) = (low, high);
        (a[axis], b[axis]) = (from, to);
        let place = Placement {
            dx: i32::try_from(a[0]).map_err(far)?,
            dy: i32::try_from(a[1]).map_err(far)?,
            ..Placement::default()
        };
        Ok(Shape::rectangle(b[0] - a[0], b[1] - a[1])?.placed(&place)?)
    };
    let mut halves = Vec::new();
    for window in [side(low[axis], before)?, side(after, high[axis])?] {
        let window = std::slice::from_ref(&window);
        let parts = boolean::intersection(std::slice::from_ref(&piece.shape), window);
        for shape in parts.map_err(|_| Error::bad(say!("error-split-outside", piece = &piece.code)).at(field))? {
            let (corner, _) = shape.bounds();
            let home = Placement { dx: -corner.x, dy: -corner.y, ..Placement::default() };
            let mut flaws = Vec::new();
            for flaw in &piece.flaws {
                let common = boolean::intersection(std::slice::from_ref(&flaw.shape), std::slice::from_ref(&shape));
                if common.is_ok_and(|c| !c.is_empty()) {
                    flaws.push((flaw.shape.placed(&home)?, flaw.clone()));
                }
            }
            halves.push(Half { shape: shape.placed(&home)?, flaws, known: piece.known });
        }
    }
    Ok(halves)
}
