//! `flaw add`, `flaw remove`, `scrap`, `take`: what happens to a piece outside any plan.

use sheetloft_ledger::body::{
    Areas, Body, Born, Charge, CostShare, Flaw, Flawed, Known, LotAdjusted, Mended, Outcome, Scrapped, Taken, TakenFor,
};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::rules;
use sheetloft_ledger::units;
use sheetloft_shapes::{Placement, Shape};

use crate::action::{FlawAdd, FlawRemove, Given, Scrap, Take};
use crate::answer::{Changed, FlawAnswer, NewOffcut, ScrapAnswer, TakeAnswer};
use crate::error::Error;
use crate::given;
use crate::host::Host;
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, shown};
use crate::stock::side;
use crate::view::{flaw_rows, mm2, size_text};

/// Marks an area of a piece as not to be used.
pub fn flaw_add(shop: &mut Shop, host: &mut dyn Host, with: &FlawAdd) -> Result<(FlawAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let piece = reader.find_piece(&with.piece).map_err(|e| e.at("piece"))?;
    let thing = Thing::new(ThingKind::Piece, piece.id);
    reader.not_frozen(thing, &piece.code)?;
    rules::on_hand(&piece)?;
    let why = needed(&with.why, "why")?;
    let side = side(with.side.as_deref())?;
    let shape = flaw_shape(shop, with, &piece.shape)?;
    let touching =
        sheetloft_shapes::boolean::intersection(std::slice::from_ref(&shape), std::slice::from_ref(&piece.shape));
    if touching.is_ok_and(|common| common.is_empty()) {
        return Err(Error::bad(say!("error-flaw-outside", piece = &piece.code)).at("rect"));
    }
    let credit = filled(with.credit.as_deref());
    let credit = credit.map(|t| shop.sum(t, "credit")).transpose()?.filter(|sum| *sum > 0);
    if credit.is_some() && piece.lot.is_none() {
        return Err(Error::refused(say!("refused-no-lot", piece = &piece.code)).at("credit"));
    }
    let ((), changed) = shop.write(host, |tx| {
        let now = tx.read().piece(piece.id)?.unwrap_or_else(|| piece.clone());
        rules::on_hand(&now)?;
        if let (Some(sum), Some(lot)) = (credit, now.lot) {
            rules::may_change_cost(&now, -sum)?;
            let shares = vec![CostShare { piece: now.id, amount: -sum }];
            let why = why.clone();
            let body = LotAdjusted { lot, amount: -sum, shares, written_off: 0, why, claim: None };
            tx.draft(Body::LotAdjusted(body), [Thing::new(ThingKind::Lot, lot), thing]);
        }
        let flaw = Flaw { id: tx.ids.uuid(), shape, side, why };
        tx.draft(Body::Flawed(Flawed { piece: piece.id, flaw }), [thing]);
        Ok(())
    })?;
    let after = shop.read().piece(piece.id)?.unwrap_or(piece);
    Ok((FlawAnswer { flaws: flaw_rows(&after, shop.unit()), piece: after.code }, changed))
}

fn flaw_shape(shop: &Shop, with: &FlawAdd, piece: &Shape) -> Result<Shape, Error> {
    let rect = filled(with.rect.as_deref());
    let corner = filled(with.corner.as_deref());
    match (rect, corner, &with.shape) {
        (Some(text), None, None) => {
            let wrong = || Error::bad(say!("error-flaw-rect", text = shown(text))).at("rect");
            let mut fields = text.splitn(3, ',');
            let (x, y, size) = (fields.next(), fields.next(), fields.next());
            let (Some(x), Some(y), Some(size)) = (x, y, size) else { return Err(wrong()) };
            let at = |t: &str| units::parse_length(t, shop.unit()).map_err(|_| wrong());
            let (w, h) = shop.size(size, "rect").map_err(|_| wrong())?;
            moved(&Shape::rectangle(w, h)?, at(x)?, at(y)?)
        }
        (None, Some(text), None) => {
            let (w, h) = shop.size(text, "corner")?;
            let (low, _) = piece.bounds();
            moved(&Shape::rectangle(w, h)?, i64::from(low.x), i64::from(low.y))
        }
        (None, None, Some(upload)) => {
            let given = Given { shape: Some(upload.clone()), ..Given::default() };
            given::piece(shop, &given)
        }
        _ => Err(Error::bad(say!("error-flaw-one")).at("rect")),
    }
}

fn moved(shape: &Shape, x: i64, y: i64) -> Result<Shape, Error> {
    let far = |_| Error::bad(say!("error-too-long", text = "")).at("rect");
    let place = Placement {
        dx: i32::try_from(x).map_err(far)?,
        dy: i32::try_from(y).map_err(|_| Error::bad(say!("error-too-long", text = "")).at("rect"))?,
        ..Placement::default()
    };
    Ok(shape.placed(&place)?)
}

/// Takes a flaw off a piece again.
pub fn flaw_remove(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &FlawRemove,
) -> Result<(FlawAnswer, Vec<Changed>), Error> {
    let piece = shop.read().find_piece(&with.piece).map_err(|e| e.at("piece"))?;
    let thing = Thing::new(ThingKind::Piece, piece.id);
    shop.read().not_frozen(thing, &piece.code)?;
    rules::on_hand(&piece)?;
    let asked = with.flaw.as_deref().map(str::trim).filter(|t| !t.is_empty());
    let count = piece.flaws.len();
    let index = match asked {
        None if count == 1 => Some(0),
        None => None,
        Some(text) => text.parse::<usize>().ok().and_then(|n| n.checked_sub(1)).filter(|n| *n < count),
    };
    let wrong = || Error::bad(say!("error-flaw-number", piece = &piece.code, count = count)).at("flaw");
    let flaw = piece.flaws[index.ok_or_else(wrong)?].id;
    let ((), changed) = shop.write(host, |tx| {
        tx.draft(Body::Mended(Mended { piece: piece.id, flaw }), [thing]);
        Ok(())
    })?;
    let after = shop.read().piece(piece.id)?.unwrap_or(piece);
    Ok((FlawAnswer { flaws: flaw_rows(&after, shop.unit()), piece: after.code }, changed))
}

/// Throws a piece away; what it carried is written off.
pub fn scrap(shop: &mut Shop, host: &mut dyn Host, with: &Scrap) -> Result<(ScrapAnswer, Vec<Changed>), Error> {
    let piece = shop.read().find_piece(&with.piece).map_err(|e| e.at("piece"))?;
    let thing = Thing::new(ThingKind::Piece, piece.id);
    shop.read().not_frozen(thing, &piece.code)?;
    rules::free(&piece)?;
    let why = needed(&with.why, "why")?;
    let (written_off, changed) = shop.write(host, |tx| {
        let now = tx.read().piece(piece.id)?.unwrap_or_else(|| piece.clone());
        rules::free(&now)?;
        let written_off = now.carried();
        tx.draft(Body::Scrapped(Scrapped { piece: now.id, why, written_off }), [thing]);
        Ok(written_off)
    })?;
    Ok((ScrapAnswer { piece: piece.code, written_off: shop.money(written_off) }, changed))
}

/// Cut by hand outside any plan: what was taken is paid by an order, or by the shop under a reason; what is
/// left is stock.
pub fn take(shop: &mut Shop, host: &mut dyn Host, with: &Take) -> Result<(TakeAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let piece = reader.find_piece(&with.piece).map_err(|e| e.at("piece"))?;
    let thing = Thing::new(ThingKind::Piece, piece.id);
    reader.not_frozen(thing, &piece.code)?;
    rules::free(&piece)?;
    let material = reader.material(piece.material)?;
    if with.all != with.left.is_empty() {
        return Err(Error::bad(say!("error-take-left")).at("left"));
    }
    let order = filled(with.order.as_deref());
    let why = filled(with.why.as_deref());
    let order = match (order, why) {
        (Some(code), None) => Some(reader.find_order(code).map_err(|e| e.at("order"))?),
        (None, Some(_)) => None,
        _ => return Err(Error::bad(say!("error-take-for")).at("order")),
    };
    let why = why.map(|t| needed(t, "why")).transpose()?;
    order.as_ref().map_or(Ok(()), rules::open)?;
    rules::own_or_of(&piece, order.as_ref().and_then(|o| o.customer.as_deref()))?;
    let left = with.left.iter().map(|g| given::piece(shop, g)).collect::<Result<Vec<Shape>, _>>()?;
    let offcuts2: i64 = left.iter().map(Shape::area2).sum();
    let taken2 = piece.shape.area2() - offcuts2;
    if taken2 <= 0 {
        return Err(Error::bad(say!("error-take-more", piece = &piece.code)).at("left"));
    }
    let ((born, charged), changed) = shop.write(host, |tx| {
        let now = tx.read().piece(piece.id)?.unwrap_or_else(|| piece.clone());
        rules::free(&now)?;
        let codes = left.iter().map(|_| tx.next_code(Noun::Piece)).collect::<Result<Vec<_>, _>>()?;
        let kept: Vec<KeptOffcut> =
            codes.iter().zip(&left).map(|(code, s)| KeptOffcut { code: code.clone(), area2: s.area2() }).collect();
        let areas = Areas { parts2: taken2, kerf2: 0, offcuts2, scrap2: 0 };
        let payer = order.as_ref().map_or((uuid::Uuid::nil(), "~".to_owned()), |o| (o.id, o.code.clone()));
        let share = CutShare { order: payer.0, order_code: payer.1, area2: taken2, outcome: Outcome::Good };
        let value = material.data.offcut_value_percent;
        let shared = outcome::share(now.carried(), now.kind, value, &kept, &[share], &areas);
        let charge = shared.charges.first().map_or(Charge::default(), |c| c.charge);
        let born: Vec<Born> = codes
            .into_iter()
            .zip(left)
            .zip(shared.offcuts)
            .map(|((code, shape), cost)| Born {
                id: tx.ids.uuid(),
                code,
                shape,
                flaws: Vec::new(),
                grain_udeg: now.grain_udeg,
                known: Known::Tape,
                known_within_um: Known::Tape.within_um(),
                rack: now.rack,
                cost,
            })
            .collect();
        let mut touches = vec![thing];
        touches.extend(born.iter().map(|b| Thing::new(ThingKind::Piece, b.id)));
        let paid_by = match (&order, why) {
            (Some(order), _) => {
                touches.push(Thing::new(ThingKind::Order, order.id));
                TakenFor::Order { order: order.id, charge }
            }
            (None, why) => TakenFor::Shop { why: why.unwrap_or_default(), amount: charge.total() },
        };
        let taken = Taken {
            piece: now.id,
            material: now.material,
            lot: now.lot,
            paid_by,
            born: born.clone(),
            areas,
            owner: now.owner,
        };
        tx.draft(Body::Taken(taken), touches);
        Ok((born, charge.total()))
    })?;
    let answer = TakeAnswer {
        piece: piece.code,
        charged: shop.money(charged),
        order: order.map(|o| o.code),
        offcuts: new_offcuts(shop, &born),
    };
    Ok((answer, changed))
}

/// What became stock, as promised.
pub fn new_offcuts(shop: &Shop, born: &[Born]) -> Vec<NewOffcut> {
    born.iter()
        .map(|b| NewOffcut {
            piece: b.code.clone(),
            uuid: b.id.to_string(),
            cost: shop.money(b.cost),
            area_mm2: mm2(b.shape.area2()),
            size: size_text(&b.shape, shop),
        })
        .collect()
}
