//! `find`: the smallest pieces into which each part fits.

use sheetloft_fit as fit;
use sheetloft_ledger::body::{Grain, Sides, TurnRule};
use sheetloft_ledger::state::Piece;
use sheetloft_shapes::{Shape, Turn};

use crate::action::Find;
use crate::answer::{FindAnswer, FindQuery, Fit, MarginOnly, TooClose};
use crate::cautions;
use crate::door::Job;
use crate::error::Error;
use crate::given;
use crate::limits;
use crate::material::{self, Prices};
use crate::say;
use crate::shelf::Shelf;
use crate::shop::{Lookup, Shop, whole};
use crate::view::{self, Names, mm, mm2, shape_mm, size_text, weight_kg};

/// How many pieces a person is shown for each part, unless asked otherwise.
const TOP: u32 = 10;

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

/// The grain of a piece as the engine takes it.
pub fn grain(piece: &Piece) -> Option<fit::Grain> {
    piece.grain_udeg.map(grain_at)
}

/// Grain in a direction, in microdegrees, as the engine takes it.
pub fn grain_at(udeg: i64) -> fit::Grain {
    fit::Grain { at: Turn(udeg), tolerance_udeg: 0 }
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
    let top = with.top.as_deref().filter(|t| !t.trim().is_empty());
    let top = top.map_or(Ok(TOP), |t| whole(t, 1, 10_000, "top"))?;
    let mut read = given::parts(shop, &with.given, material.data.sides == Sides::Same, None)?;
    read.keep(&with.only)?;
    let names = Names::read(&reader)?;
    let prices = Prices::read(&reader)?;
    let shelf = Shelf::load(shop, material.id, with.sheets, job)?;
    let loaded = clock_ms();
    let turns = turns(rule);
    let options = fit::Options {
        kerf_um: clear.kerf_um,
        margin_um: clear.margin_um,
        top: Some(top as usize),
        without_margin: clear.margin_um > 0,
        threads: 2,
        // Pushed to a corner, but where there is room not so near to the rim that a tape's error matters.
        ease_um: EASE_UM,
        ..fit::Options::default()
    };
    let mut queries = Vec::new();
    let count = read.parts.len();
    for (n, given) in read.parts.iter().enumerate() {
        let started = clock_ms();
        let part = fit::Part::new(&given.shape);
        let query = fit::Query { part: &part, turns: &turns, flip: with.flip, order: None };
        let deadline = loaded + limits::FIND_MS as f64;
        let mut watch = |done: usize, of: usize| {
            job.report(n * of.max(1) + done, count * of.max(1));
            !job.is_cancelled() && clock_ms() < deadline
        };
        let mut answers = fit::find(&[query], &shelf.index, &shelf, &options, &mut watch)?;
        let Some(answer) = answers.pop() else { continue };
        let fits = answer
            .fits
            .iter()
            .map(|found| {
                let piece = shelf.piece(found.candidate)?;
                let price = prices.of(&material, piece.shape.area2());
                Ok(fit_row(shop, &piece, found, given, &names, with.shapes, price))
            })
            .collect::<Result<_, Error>>()?;
        queries.push(FindQuery {
            id: given.id.clone(),
            fits,
            looked_at: answer.looked_at,
            ruled_out: answer.ruled_out,
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
    Ok(FindAnswer {
        load_ms: loaded - begun,
        queries,
        left_out: read.left_out,
        cautions: cautions::handling(&material, weight, largest.as_ref().map_or(0, cautions::longest_um)),
    })
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
        grain_deg: view::grain_deg(piece),
        shape: shapes.then(|| shape_mm(&piece.shape)),
        flaws: if shapes { piece.flaws.iter().map(|f| shape_mm(&f.shape)).collect() } else { Vec::new() },
        placed: placed.ok().filter(|_| shapes).map(|s| shape_mm(&s)),
    }
}
