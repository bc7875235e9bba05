//! `find`: the smallest pieces into which each part fits, or the first in another order.

mod sort;

use std::cmp::Reverse;
use std::collections::BTreeMap;

use sheetloft_fit as fit;
use sheetloft_ledger::body::{Grain, Sides, TurnRule};
use sheetloft_ledger::state::{Material, Piece};
use sheetloft_shapes::{Shape, Turn};
use sheetloft_store::PieceFilter;

use crate::action::Find;
use crate::answer::{FindAnswer, FindQuery, Fit, MarginOnly, RuledOut, SubstituteRow, TooClose};
use crate::cautions;
use crate::door::Job;
use crate::error::Error;
use crate::given;
use crate::limits;
use crate::material::{self, Prices};
use crate::say;
use crate::shelf::Shelf;
use crate::shop::{Lookup, Shop, filled, whole};
use crate::view::{self, Names, mm, mm2, shape_mm, size_text, weight_kg};
use sort::Sort;

/// How many pieces a person is shown for each part, unless asked otherwise.
const TOP: u32 = 10;

/// The most that a part may be allowed to lie off the grain, degrees.
const OFF_GRAIN_MOST_DEG: u32 = 45;

/// What a placement with room keeps beyond what is asked, µm: more than an outline measured by tape is off.
const EASE_UM: i64 = 3_000;

/// The turns that a rule allows: relative to the grain where there is one, else to the piece's axes.
pub fn turns(rule: TurnRule) -> fit::Turns {
    match rule {
        TurnRule::Any => fit::Turns::any(),
        TurnRule::Quarter => fit::Turns::quarter(),
        TurnRule::Half => fit::Turns::half(),
        TurnRule::None => fit::Turns::none(),
    }
}

/// The grain of a piece as the engine takes it: parts lie along it.
pub fn grain(piece: &Piece) -> Option<fit::Grain> {
    piece.grain_udeg.map(|udeg| grain_within(udeg, 0))
}

/// Grain in a direction, with what parts may be off it to either side; both in microdegrees.
pub fn grain_within(udeg: i64, tolerance_udeg: i64) -> fit::Grain {
    fit::Grain { at: Turn(udeg), tolerance_udeg }
}

/// The areas of a piece that must not be used.
pub fn flaws(piece: &Piece) -> Vec<Shape> {
    piece.flaws.iter().map(|f| f.shape.clone()).collect()
}

/// Finds, for each part given, the smallest pieces that hold it.
pub fn find(shop: &mut Shop, with: &Find, job: &Job, clock_ms: &dyn Fn() -> f64) -> Result<FindAnswer, Error> {
    let begun = clock_ms();
    let reader = shop.read();
    let material = reader.find_material(&with.material)?;
    let (clear, machine) = material::clear(shop, &material, &with.clearance)?;
    let rule = given::turn(with.turn.as_deref(), material.data.grain != Grain::None)?;
    if with.flip && material.data.sides == Sides::Differ {
        return Err(Error::bad(say!("error-flip", material = &material.data.name)).at("flip"));
    }
    material::may_be_cut_on(&material, machine.as_ref())?;
    let top = filled(with.top.as_deref());
    let top = top.map_or(Ok(TOP), |t| whole(t, 1, 10_000, "top"))?;
    let mut read = given::parts(shop, &with.given, material.data.sides == Sides::Same, None)?;
    read.keep(&with.only)?;
    let sort = Sort::read(shop, &material, with.sort.as_deref(), with.thickness.as_deref())?;
    let off_grain = given::angle_udeg(with.off_grain.as_deref(), OFF_GRAIN_MOST_DEG, "off_grain")?;
    let names = Names::read(&reader)?;
    let prices = Prices::read(&reader)?;
    let owner = with.owner.as_deref().map(str::trim).filter(|t| !t.is_empty());
    let shelf = Shelf::load(shop, material.id, with.sheets, off_grain, owner, job)?;
    let ranks = sort.ranks(&shelf);
    let loaded = clock_ms();
    let turns = turns(rule);
    let mut options = fit::Options {
        kerf_um: clear.kerf_um,
        margin_um: clear.margin_um,
        without_margin: clear.margin_um > 0,
        threads: 2,
        // Pushed to a corner, but where there is room not so near to the rim that a tape's error matters.
        ease_um: EASE_UM,
        ..fit::Options::default()
    };
    sort.ask(&mut options, top as usize);
    let mut queries = Vec::new();
    let count = read.parts.len();
    for (n, given) in read.parts.iter().enumerate() {
        let started = clock_ms();
        let part = fit::Part::new(&given.shape);
        let query = fit::Query { part: &part, turns: &turns, flip: with.flip, order: ranks.as_deref() };
        let deadline = started + limits::FIND_MS as f64;
        let mut watch = |done: usize, of: usize| {
            job.report(n * of.max(1) + done, count * of.max(1));
            !job.is_cancelled() && clock_ms() < deadline
        };
        let mut answers = fit::find(&[query], &shelf.index, &shelf, &options, &mut watch)?;
        let Some(answer) = answers.pop() else { continue };
        let chosen: Vec<(fit::Fit, Option<i64>)> = if sort == Sort::Cheapest {
            let used = |f: &fit::Fit| sort::used(f, &given.shape, clear.kerf_um, &shelf, &material, &prices);
            let cheapest = sort::by_use(&answer.fits, top as usize, used)?;
            cheapest.into_iter().map(|(found, used)| (found, Some(used))).collect()
        } else {
            answer.fits.iter().map(|found| (*found, None)).collect()
        };
        let not_needed = answer.not_needed + answer.fits.len() - chosen.len();
        let fits = chosen
            .iter()
            .map(|(found, used)| {
                let piece = shelf.piece(found.candidate)?;
                let price = prices.of(&material, piece.shape.area2());
                let row = fit_row(shop, &piece, found, given, &names, with.shapes, price);
                let thickness_mm = shelf.thickness_um(found.candidate).map(mm);
                // Without a price it went by area, which is no sum.
                let used = price.and(*used).map(|p| shop.money(p));
                Ok(Fit { used, thickness_mm, ..row })
            })
            .collect::<Result<_, Error>>()?;
        queries.push(FindQuery {
            id: given.id.clone(),
            fits,
            looked_at: answer.looked_at,
            ruled_out: answer.ruled_out,
            reasons: reasons(&answer.reasons),
            not_needed,
            too_close: answer
                .too_close
                .iter()
                .map(|t| Ok(TooClose { piece: shelf.code(t.candidate)?, within_mm: t.within_um.map(mm) }))
                .collect::<Result<_, Error>>()?,
            without_margin: answer
                .without_margin
                .iter()
                .map(|f| Ok(MarginOnly { piece: shelf.code(f.candidate)? }))
                .collect::<Result<_, Error>>()?,
            ms: clock_ms() - started,
            part: with.shapes.then(|| shape_mm(&given.shape)),
        });
    }
    let largest = shelf.largest()?.map(|p| p.shape);
    let weight = largest.as_ref().and_then(|s| weight_kg(s.area2(), &material));
    let without = queries.iter().any(|q| q.fits.is_empty());
    let substitutes = if without { substitutes(shop, &material)? } else { Vec::new() };
    Ok(FindAnswer {
        substitutes,
        load_ms: loaded - begun,
        sort: sort.word().to_owned(),
        queries,
        left_out: read.left_out,
        cautions: cautions::handling(&material, weight, largest.as_ref().map_or(0, cautions::longest_um)),
    })
}

/// What ruled pieces out, most of them first.
fn reasons(counted: &BTreeMap<fit::Reason, usize>) -> Vec<RuledOut> {
    let mut rows: Vec<_> = counted.iter().map(|(reason, pieces)| (*reason, *pieces)).collect();
    rows.sort_by_key(|(reason, pieces)| (Reverse(*pieces), *reason));
    rows.into_iter()
        .map(|(reason, pieces)| {
            let (why, text) = match reason {
                fit::Reason::Area => ("area", say!("ruled-out-area")),
                fit::Reason::Disc => ("disc", say!("ruled-out-disc")),
                fit::Reason::Length => ("length", say!("ruled-out-length")),
                fit::Reason::Width => ("width", say!("ruled-out-width")),
                fit::Reason::Inner => ("inner", say!("ruled-out-inner")),
                fit::Reason::Turn => ("turn", say!("ruled-out-turn")),
                fit::Reason::Places => ("places", say!("ruled-out-places")),
            };
            RuledOut { why: why.to_owned(), text: text.text(), pieces }
        })
        .collect()
}

fn fit_row(
    shop: &Shop,
    piece: &Piece,
    found: &fit::Fit,
    given: &given::GivenPart,
    names: &Names,
    shapes: bool,
    price: Option<i64>,
) -> Fit {
    let placed = given.shape.placed(&found.placement);
    Fit {
        piece: piece.code.clone(),
        uuid: piece.id.to_string(),
        area_mm2: mm2(piece.shape.area2()),
        rack: names.rack(piece.rack),
        cost: shop.money(piece.carried()),
        price: price.map(|p| shop.money(p)),
        place: view::place(&found.placement),
        spare_mm: mm(found.spare_um),
        tight: found.spare_um < piece.known_within_um,
        kind: view::kind_word(piece.kind).to_owned(),
        size: size_text(&piece.shape, shop),
        since: view::when(piece.born_ms),
        thickness_mm: None,
        used: None,
        left_mm2: found.left_um2.map(|um2| mm2(um2 * 2)),
        grain_deg: view::grain_deg(piece),
        shape: shapes.then(|| shape_mm(&piece.shape)),
        flaws: if shapes { piece.flaws.iter().map(|f| shape_mm(&f.shape)).collect() } else { Vec::new() },
        placed: placed.ok().filter(|_| shapes).map(|s| shape_mm(&s)),
    }
}

/// What may stand in for a material, with how many free pieces there are of it.
fn substitutes(shop: &Shop, material: &Material) -> Result<Vec<SubstituteRow>, Error> {
    let reader = shop.read();
    let mut rows = Vec::new();
    for id in &material.data.substitutes {
        let other = reader.material(*id)?;
        let filter = PieceFilter { material: Some(*id), statuses: vec!["free"], ..PieceFilter::default() };
        let pieces = reader.pieces(&filter)?.iter().filter(|p| p.owner.is_none()).count();
        let made = other.data.made.map(|m| m.word().to_owned());
        let differs = made.is_some() && material.data.made.is_some() && other.data.made != material.data.made;
        let text = match differs {
            false => say!("find-substitute", count = pieces, material = &other.data.name),
            true => say!(
                "find-substitute-made",
                count = pieces,
                material = &other.data.name,
                made = made.clone().unwrap_or_default(),
            ),
        };
        rows.push(SubstituteRow { material: other.data.name, made, pieces, text: text.text() });
    }
    Ok(rows)
}
