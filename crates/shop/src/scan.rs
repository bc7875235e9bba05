//! `scan`: what a scanner read or a person typed, what it is and where it should be. `identify`: what an unlabelled piece
//! in the hand may be.

use sheetloft_labels as labels;
use sheetloft_ledger::code::{self, CodeError, Noun};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::state::{Piece, State};
use sheetloft_store::{By, PieceFilter, Reader};
use strsim::osa_distance;
use uuid::Uuid;

use crate::action::{Identify, Scan, ScanPhoto};
use crate::answer::{IdentifyAnswer, IdentifyRow, PhotoCode, ScanAnswer, ScanPhotoAnswer};
use crate::count;
use crate::error::Error;
use crate::given;
use crate::limits;
use crate::order;
use crate::say;
use crate::say::Say;
use crate::shop::{Lookup, Shop, needed, shown};
use crate::view::{self, Names};

/// Codes offered for a mistyped one, at most.
const NEAR: usize = 8;
/// Pieces offered for one in the hand, at most.
const LIKE: usize = 50;
/// How much a measured side may be off: so much, or a fiftieth of it.
const OFF_UM: i64 = 10_000;

/// What a text stands for. A code may stand at the end of an address; racks are known by their UUID or name, too.
pub fn scan(shop: &Shop, with: &Scan) -> Result<ScanAnswer, Error> {
    let text = needed(&with.text, "text")?;
    if text.chars().count() > limits::SCAN_CHARS {
        return Err(Error::bad(say!("error-scan-long")).at("text"));
    }
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let last = said(&text);
    if let Ok(id) = Uuid::try_parse(&last) {
        return by_id(shop, &reader, &names, id, &text);
    }
    if let Some(rack) = reader.rack_named(&last)?.or(reader.rack_named(&text)?) {
        return by_id(shop, &reader, &names, rack.id, &text);
    }
    match code::parse(&last) {
        Ok((noun, code)) => match coded(&reader, noun, &code)?.as_slice() {
            [] => unknown(&reader, &last, say!("scan-nobody", code = &code)),
            [id] => by_id(shop, &reader, &names, *id, &text),
            many => Err(Error::refused(say!("refused-ambiguous", code = code, count = many.len()))),
        },
        Err(CodeError::WrongCheck { .. }) => unknown(&reader, &last, say!("scan-mistyped", text = shown(&last))),
        Err(_) => unknown(&reader, &last, say!("scan-unknown", text = shown(&text))),
    }
}

fn coded(reader: &Reader<'_>, noun: Noun, code: &str) -> Result<Vec<Uuid>, Error> {
    Ok(match noun {
        Noun::Piece => reader.pieces_coded(code)?.into_iter().map(|p| p.id).collect(),
        Noun::Order => reader.orders_coded(code)?.into_iter().map(|o| o.id).collect(),
        Noun::Plan => reader.plans_coded(code)?.into_iter().map(|p| p.id).collect(),
    })
}

fn by_id(shop: &Shop, reader: &Reader<'_>, names: &Names, id: Uuid, text: &str) -> Result<ScanAnswer, Error> {
    let found = |kind: &str, code: &str, status: Option<&str>, rack: Option<String>, said: Say| {
        Ok(ScanAnswer {
            kind: kind.to_owned(),
            code: Some(code.to_owned()),
            uuid: Some(id.to_string()),
            status: status.map(str::to_owned),
            rack,
            text: said.text(),
            near: Vec::new(),
        })
    };
    if let Some(piece) = reader.piece(id)? {
        let material = names.material(piece.material);
        let size = view::size_text(&piece.shape, shop);
        let rack = names.rack(piece.rack);
        let status = piece.status().word();
        let said = match (&piece.used, view::held_for(&piece, names), &rack) {
            (Some(_), _, _) => say!("scan-piece-gone", piece = &piece.code, material = material, size = size),
            (None, Some(order), Some(rack)) => {
                say!(
                    "scan-piece-held-in",
                    piece = &piece.code,
                    material = material,
                    size = size,
                    order = order,
                    rack = rack
                )
            }
            (None, Some(order), None) => {
                say!("scan-piece-held", piece = &piece.code, material = material, size = size, order = order)
            }
            (None, None, Some(rack)) => {
                say!("scan-piece-in", piece = &piece.code, material = material, size = size, rack = rack)
            }
            (None, None, None) => say!("scan-piece", piece = &piece.code, material = material, size = size),
        };
        return found("piece", &piece.code, Some(status), rack, said);
    }
    let state = |kind| Ok::<_, Error>(reader.folded(Thing::new(kind, id))?.state);
    if let Some(State::Rack(rack)) = state(ThingKind::Rack)? {
        let counts = reader.on_hand_by(By::Rack)?;
        let count = counts.iter().find(|(r, _)| *r == rack.id).map_or(0, |(_, n)| *n);
        return found("rack", &rack.name, None, None, say!("scan-rack", rack = &rack.name, count = count));
    }
    if let Some(State::Order(order)) = state(ThingKind::Order)? {
        let plans = reader.plans()?;
        let status = order::state(&order, &plans);
        return found(
            "order",
            &order.code,
            Some(status),
            None,
            say!("scan-order", order = &order.code, name = &order.name),
        );
    }
    if let Some(State::Plan(plan)) = state(ThingKind::Plan)? {
        let orders: Vec<String> = plan.orders.iter().map(|o| names.order(*o)).collect();
        let status = order::plan_state(&plan);
        return found(
            "plan",
            &plan.code,
            Some(status),
            None,
            say!("scan-plan", plan = &plan.code, orders = orders.join(", ")),
        );
    }
    unknown(reader, text, say!("scan-unknown", text = shown(text)))
}

/// Nothing by this text; with the codes that it may have been meant for.
fn unknown(reader: &Reader<'_>, text: &str, said: Say) -> Result<ScanAnswer, Error> {
    let near = near(reader, text)?;
    Ok(ScanAnswer {
        kind: "unknown".to_owned(),
        code: None,
        uuid: None,
        status: None,
        rack: None,
        text: said.text(),
        near,
    })
}

/// The codes in a photo, and what they are; from the top, and from the left.
pub fn photo(shop: &Shop, with: &ScanPhoto) -> Result<ScanPhotoAnswer, Error> {
    let bytes = given::bytes(&with.file, "file")?;
    let wrong = |e: labels::ReadError| Error::bad(say!("error-photo", why = e.to_string())).at("file");
    let photo = labels::codes_in(&bytes).map_err(wrong)?;
    let mut found = Vec::new();
    for code in photo.codes {
        let what = scan(shop, &Scan { text: code.text.clone() })?;
        found.push(PhotoCode { text: code.text, corners: code.corners.to_vec(), scan: what });
    }
    found.sort_by(|a, b| {
        let at = |c: &PhotoCode| (c.corners[0][1], c.corners[0][0]);
        let ((y, x), (v, u)) = (at(a), at(b));
        y.total_cmp(&v).then(x.total_cmp(&u))
    });
    Ok(ScanPhotoAnswer { found, width: photo.width, height: photo.height, unread: photo.unread })
}

/// The codes that a mistyped one may have been meant for.
pub fn near(reader: &Reader<'_>, text: &str) -> Result<Vec<String>, Error> {
    let typed: String = text.trim().to_ascii_uppercase().chars().take(40).collect();
    let mut near: Vec<(usize, String)> = Vec::new();
    if typed.chars().count() >= 4 {
        let codes = reader.codes()?.into_iter();
        near.extend(codes.map(|code| (osa_distance(&typed, &code), code)).filter(|(apart, _)| *apart <= 2));
    }
    // Where some differ in one place, those in two are not what was meant.
    near.sort();
    let least = near.first().map_or(0, |n| n.0);
    Ok(near.into_iter().take_while(|n| n.0 == least).take(NEAR).map(|n| n.1).collect())
}

/// What of a text that was read can say what it is: the last part of an address that can be a code; a part's number
/// stands behind its plan.
fn said(text: &str) -> String {
    let parts = || text.trim().trim_end_matches('/').rsplit(['/', '?', '=', '#']).map(str::trim);
    let is_code = |part: &&str| Uuid::try_parse(part).is_ok() || code::parse(part).is_ok();
    parts().find(is_code).or_else(|| parts().next()).unwrap_or(text).to_owned()
}

/// The piece that a text stands for; none where it stands for nothing or for something else.
pub fn piece(reader: &Reader<'_>, text: &str) -> Result<Option<Piece>, Error> {
    let said = said(text);
    if let Ok(id) = Uuid::try_parse(&said) {
        return Ok(reader.piece(id)?);
    }
    let Ok((Noun::Piece, code)) = code::parse(&said) else { return Ok(None) };
    let mut found = reader.pieces_coded(&code)?;
    match found.len() {
        0 => Ok(None),
        1 => Ok(found.pop()),
        n => Err(Error::refused(say!("refused-ambiguous", code = code, count = n))),
    }
}

/// The pieces on hand of a material that are about as long and wide, those first that nobody has seen for longest.
pub fn identify(shop: &Shop, with: &Identify) -> Result<IdentifyAnswer, Error> {
    let reader = shop.read();
    let material = reader.find_material(&with.material)?;
    let (w, h) = shop.size(&with.rect, "rect")?;
    let (long, short) = (w.max(h), w.min(h));
    let names = Names::read(&reader)?;
    let near = |has: i64, wanted: i64| (has - wanted).abs() <= OFF_UM.max(wanted / 50);
    let like = |piece: &Piece| {
        let (low, high) = piece.shape.bounds();
        let sides = [i64::from(high.x) - i64::from(low.x), i64::from(high.y) - i64::from(low.y)];
        let around = (sides[0].max(sides[1]), sides[0].min(sides[1]));
        let inside = view::spoken_size(&piece.shape);
        [around, inside].iter().any(|(l, s)| near(*l, long) && near(*s, short))
    };
    let filter = PieceFilter { material: Some(material.id), ..PieceFilter::on_hand() };
    let mut found = Vec::new();
    let counted = count::last_read(&reader)?;
    for piece in reader.pieces(&filter)?.into_iter().filter(like) {
        let seen = reader.history(Some(piece.id), 1)?.first().map_or(piece.born_ms, |e| e.event.envelope.clock.ms);
        let seen = seen.max(counted.get(&piece.id).copied().unwrap_or(0));
        found.push((seen, piece));
    }
    found.sort_by(|(a, p), (b, q)| (a, &p.code).cmp(&(b, &q.code)));
    let pieces = found
        .into_iter()
        .take(LIKE)
        .map(|(seen, piece)| IdentifyRow {
            piece: piece.code.clone(),
            uuid: piece.id.to_string(),
            kind: view::kind_word(piece.kind).to_owned(),
            status: piece.status().word().to_owned(),
            rack: names.rack(piece.rack),
            size: view::size_text(&piece.shape, shop),
            label_due: piece.label_due,
            last_seen: view::when(seen),
        })
        .collect();
    Ok(IdentifyAnswer { pieces })
}

#[cfg(test)]
mod tests {
    use super::osa_distance;

    #[test]
    fn places_in_which_codes_differ() {
        let differ = |a: &str, b: &str| osa_distance(a, b);
        // The first two are kinds of mistakes of F. Damerau, "A technique for computer detection and correction of
        // spelling errors", CACM 7 (1964); the third is the usual example of the plain distance.
        assert_eq!(differ("7K-0042T", "7K-0024T"), 1, "two swapped");
        assert_eq!(differ("7K-004T", "7K-0042T"), 1, "one left out");
        assert_eq!(differ("KITTEN", "SITTING"), 3);
        assert_eq!(differ("", "AB"), 2);
    }
}
