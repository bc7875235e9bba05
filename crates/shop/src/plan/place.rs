//! The parts of one material placed on its stock, and what each piece then leaves and costs.

use sheetloft_fit as fit;
use sheetloft_ledger::body::{
    Alike, NotPlaced, Outcome, PieceKind, PlannedLeftover, PlannedPart, PlannedPiece, SawCut, StockSize, ToBuy,
};
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::state::{Machine, Material, Piece};
use sheetloft_ledger::units::{self, Unit};
use sheetloft_shapes::{Placement, Shape, Turn};
use uuid::Uuid;

use super::bed::{self, Lies};
use super::wanted::Want;
use crate::error::Error;
use crate::find::{flaws, grain, turns};
use crate::material::{Clear, Prices};
use crate::receive::sheet_grain;
use crate::remains::{self, Left};
use crate::say;

/// What holds for all parts and pieces of one material in a plan.
pub struct Ground<'a> {
    /// The material.
    pub material: &'a Material,
    /// Kerf, gap and margin.
    pub clear: Clear,
    /// The machine, where one was named.
    pub machine: Option<&'a Machine>,
    /// Width of the saw's cut, µm.
    pub saw_kerf_um: i64,
    /// Today's prices.
    pub prices: &'a Prices,
    /// The unit that sizes are said in.
    pub unit: Unit,
    /// Whether sheets that are not there may be counted on.
    pub may_buy: bool,
    /// What is to be left.
    pub leave: fit::plan::Leave,
    /// Another seed, another plan.
    pub seed: u64,
    /// Rounds of improvement at most.
    pub rounds: u32,
    /// Rounds in a row without a better plan after which the search ends.
    pub patience: u32,
}

/// A part that keeps its place.
#[derive(Clone, Copy, Debug)]
pub struct Locked {
    /// Index of the wanted part.
    pub want: usize,
    /// Index of the piece.
    pub piece: usize,
    /// Where on it.
    pub placement: Placement,
}

/// What came of it.
#[derive(Default)]
pub struct Found {
    /// Pieces with parts on them.
    pub pieces: Vec<PlannedPiece>,
    /// Sheets to be bought, with parts on them.
    pub to_buy: Vec<ToBuy>,
    /// Parts without a place.
    pub not_placed: Vec<NotPlaced>,
    /// No plan of these parts costs less today, minor units; none where no price is known.
    pub lower_bound: Option<i64>,
    /// Nor uses fewer pieces.
    pub least_pieces: u32,
    /// What a person should know.
    pub warnings: Vec<String>,
}

/// A piece as it lies on the machine.
struct Ready<'a> {
    piece: &'a Piece,
    /// Its flaws and the saw's strips.
    flaws: Vec<Shape>,
    saws: Vec<SawCut>,
}

/// Places parts on pieces. `stock` may hold pieces that do not lie on the machine's bed: they are left out with a word.
pub fn place(
    ground: &Ground<'_>,
    wants: &[&Want],
    stock: &[Piece],
    locked: &[Locked],
    watch: &mut dyn fit::Watch,
) -> Result<Found, Error> {
    let mut found = Found::default();
    let name = &ground.material.data.name;
    let mut ready = Vec::new();
    let mut off_bed = Vec::new();
    let mut index_of = Vec::new();
    for piece in stock {
        let on_bed = ground.machine.map_or(Lies::Whole, |m| bed::lies(&piece.shape, m, ground.saw_kerf_um));
        let saws = match on_bed {
            Lies::Whole => Vec::new(),
            Lies::Sawn(saws) => saws,
            Lies::Not => {
                off_bed.push(piece.code.as_str());
                index_of.push(None);
                continue;
            }
        };
        let strips = saws.iter().filter_map(bed::strip);
        index_of.push(Some(ready.len()));
        ready.push(Ready { piece, flaws: flaws(piece).into_iter().chain(strips).collect(), saws });
    }
    if let Some(machine) = ground.machine.filter(|_| !off_bed.is_empty()) {
        let shown: Vec<&str> = off_bed.iter().copied().take(6).collect();
        let said = say!(
            "warning-off-bed",
            pieces = shown.join(", "),
            count = off_bed.len(),
            machine = &machine.data.name,
            bed = units::format_size(machine.data.bed_um[0], machine.data.bed_um[1], ground.unit),
        );
        found.warnings.push(said.text());
    }
    let sizes = sizes(ground, stock);
    let mut lots: Vec<Option<Uuid>> = ready.iter().map(|r| r.piece.lot).collect();
    lots.sort_unstable();
    lots.dedup();
    // Without a price, a unit for each mm².
    let price_of = |area2: i64| ground.prices.of(ground.material, area2).unwrap_or(area2 / 2_000_000);
    let percent = u32::from(ground.material.data.offcut_value_percent);
    let mut candidates: Vec<fit::plan::Stock<'_>> = ready
        .iter()
        .map(|r| {
            let is_sheet = r.piece.kind == PieceKind::Sheet;
            fit::plan::Stock {
                shape: &r.piece.shape,
                flaws: &r.flaws,
                grain: grain(r.piece),
                is_sheet,
                supply: fit::plan::Supply::OnHand,
                // What was marked down once as an offcut is not again.
                price: price_of(r.piece.shape.area2()) * if is_sheet { 100 } else { i64::from(percent) } / 100,
                leftover_percent: if is_sheet { percent } else { 100 },
                age: r.piece.born_ms,
                lot: lots.iter().position(|l| *l == r.piece.lot).unwrap_or(0) as u64,
            }
        })
        .collect();
    candidates.extend(sizes.iter().enumerate().map(|(n, size)| {
        let by_area = price_of(size.shape.area2());
        fit::plan::Stock {
            shape: &size.shape,
            flaws: &size.strips,
            grain: size.grain_udeg.map(|udeg| fit::Grain { at: Turn(udeg), tolerance_udeg: 0 }),
            is_sheet: true,
            supply: if ground.may_buy { fit::plan::Supply::ToBuy } else { fit::plan::Supply::Known },
            price: size.size.price.unwrap_or(by_area),
            leftover_percent: percent,
            age: u64::MAX,
            lot: (lots.len() + n) as u64,
        }
    }));
    let all_turns: Vec<fit::Turns> = wants.iter().map(|w| turns(w.turn)).collect();
    let mut lines: Vec<Uuid> = wants.iter().map(|w| w.line).collect();
    lines.sort_unstable();
    lines.dedup();
    let mut parts: Vec<fit::plan::Wanted<'_>> = wants
        .iter()
        .zip(&all_turns)
        .map(|(w, turns)| {
            let number = lines.iter().position(|l| *l == w.line).unwrap_or(0) as u32;
            let together = match w.alike {
                Alike::No => None,
                Alike::Lot => Some(fit::plan::Together::Lot(number)),
                Alike::Piece => Some(fit::plan::Together::Piece(number)),
            };
            fit::plan::Wanted { together, ..fit::plan::Wanted::new(&w.part.shape, turns, w.flip) }
        })
        .collect();
    for lock in locked {
        let stock = index_of.get(lock.piece).copied().flatten();
        parts[lock.want].locked = stock.map(|stock| fit::plan::Lock { stock, copy: 0, placement: lock.placement });
    }
    let plan = fit::plan::plan(&parts, &candidates, &options(ground), watch);
    for used in &plan.used {
        let placed: Vec<(&Want, Placement)> = used.parts.iter().map(|p| (wants[p.wanted], p.placement)).collect();
        match ready.get(used.stock) {
            Some(r) => found.pieces.push(planned_piece(ground, r.piece, r.saws.clone(), &placed)?),
            None => {
                let size = &sizes[used.stock - ready.len()];
                let (lying, kerf_um) = (shapes(&placed)?, ground.clear.kerf_um);
                let left = remains::sawn(&size.shape, &size.saws, &lying, kerf_um, ground.material, ground.leave)?;
                found.to_buy.push(ToBuy {
                    material: ground.material.id,
                    w_um: size.size.w_um,
                    h_um: size.size.h_um,
                    price: size.size.price.or_else(|| ground.prices.of(ground.material, size.shape.area2())),
                    supplier: size.size.supplier.clone(),
                    parts: parts_of(&placed),
                    leftovers: leftovers(left),
                });
            }
        }
    }
    let more = |stock: usize| plan.more.iter().find(|m| m.stock == stock).map_or(1, |m| m.sheets);
    let size_text = |stock: usize| {
        let (low, high) = candidates[stock].shape.bounds();
        units::format_size(i64::from(high.x) - i64::from(low.x), i64::from(high.y) - i64::from(low.y), ground.unit)
    };
    found.not_placed = plan
        .not_placed
        .iter()
        .map(|n| {
            let want = wants[n.wanted];
            let why = match &n.why {
                fit::plan::Why::NothingThere if !off_bed.is_empty() => say!(
                    "why-off-bed",
                    material = name,
                    machine = ground.machine.map_or_else(String::new, |m| m.data.name.clone()),
                ),
                fit::plan::Why::NothingThere => say!("why-none-on-hand", material = name),
                fit::plan::Why::TooBig if ready.iter().any(|r| !r.saws.is_empty()) => say!(
                    "why-too-big-sawn",
                    material = name,
                    machine = ground.machine.map_or_else(String::new, |m| m.data.name.clone()),
                ),
                fit::plan::Why::TooBig => say!("why-too-big", material = name),
                fit::plan::Why::MoreSheets { stock } => {
                    say!("why-more-sheets", count = more(*stock), size = size_text(*stock), material = name,)
                }
                fit::plan::Why::NoRoom => say!("why-no-room", material = name),
                fit::plan::Why::Apart => say!("why-apart", material = name),
                fit::plan::Why::Locked { .. } => say!("why-locked"),
                fit::plan::Why::TooClose { stock: near } => {
                    let codes: Vec<&str> =
                        near.iter().filter_map(|i| ready.get(*i)).map(|r| r.piece.code.as_str()).collect();
                    say!("why-too-close", pieces = codes.join(", "))
                }
                fit::plan::Why::Stopped => say!("why-stopped"),
            }
            .text();
            NotPlaced { order: want.order, line: want.line, id: want.id.clone(), part: want.part.id.clone(), why }
        })
        .collect();
    found.least_pieces = u32::try_from(plan.least_pieces).unwrap_or(u32::MAX);
    // A sheet to be bought may be cheaper for its area than the material is today.
    let bought = sizes.iter().filter(|_| ground.may_buy).filter_map(|size| {
        let by_area = i128::from(size.size.price?) * i128::from(plan.least_area2) / i128::from(size.shape.area2());
        i64::try_from(by_area).ok()
    });
    let least = ground.prices.of(ground.material, plan.least_area2);
    found.lower_bound = least.map(|least| bought.fold(least, i64::min));
    Ok(found)
}

/// The engine's options.
pub fn options(ground: &Ground<'_>) -> fit::plan::Options {
    fit::plan::Options {
        kerf_um: ground.clear.kerf_um,
        gap_um: ground.clear.gap_um,
        margin_um: ground.clear.margin_um,
        keep: fit::KeepFrom { w_um: ground.material.data.keep_from_um[0], h_um: ground.material.data.keep_from_um[1] },
        leave: ground.leave,
        seed: ground.seed,
        rounds: ground.rounds,
        patience: ground.patience,
        threads: 2,
        ..fit::plan::Options::default()
    }
}

/// A size of sheet that can be bought, as it would lie on the machine.
struct Size {
    size: StockSize,
    shape: Shape,
    grain_udeg: Option<i64>,
    strips: Vec<Shape>,
    saws: Vec<SawCut>,
}

/// The material's stock sizes; where it has none, that of a sheet on hand: so that it can be said how many are missing.
fn sizes(ground: &Ground<'_>, stock: &[Piece]) -> Vec<Size> {
    let less = ground.material.data.size_tolerance_um;
    let mut known = ground.material.data.stock_sizes.clone();
    if known.is_empty() {
        let sheets = stock.iter().filter(|p| p.kind == PieceKind::Sheet);
        known.extend(sheets.max_by_key(|p| p.shape.area2()).map(|p| {
            let (low, high) = p.shape.bounds();
            StockSize {
                w_um: i64::from(high.x) - i64::from(low.x) + less,
                h_um: i64::from(high.y) - i64::from(low.y) + less,
                price: None,
                supplier: None,
            }
        }));
    }
    let mut sizes = Vec::new();
    for size in known {
        let Ok(shape) = Shape::rectangle(size.w_um - less, size.h_um - less) else { continue };
        let saws = match ground.machine.map_or(Lies::Whole, |m| bed::lies(&shape, m, ground.saw_kerf_um)) {
            Lies::Whole => Vec::new(),
            Lies::Sawn(saws) => saws,
            Lies::Not => continue,
        };
        let grain_udeg = sheet_grain(ground.material, size.w_um, size.h_um);
        sizes.push(Size { strips: saws.iter().filter_map(bed::strip).collect(), size, shape, grain_udeg, saws });
    }
    sizes
}

fn parts_of(placed: &[(&Want, Placement)]) -> Vec<PlannedPart> {
    placed
        .iter()
        .map(|(want, place)| PlannedPart {
            id: want.id.clone(),
            order: want.order,
            line: want.line,
            part: want.part.id.clone(),
            place: *place,
        })
        .collect()
}

/// The parts as they lie.
fn shapes(placed: &[(&Want, Placement)]) -> Result<Vec<Shape>, Error> {
    Ok(placed.iter().map(|(want, place)| want.part.shape.placed(place)).collect::<Result<_, _>>()?)
}

fn leftovers(left: Left) -> Vec<PlannedLeftover> {
    let keep = |keep: bool| move |shape: Shape| PlannedLeftover { shape, keep };
    left.kept.into_iter().map(keep(true)).chain(left.scrap.into_iter().map(keep(false))).collect()
}

/// A piece of the plan from its parts and their places: what is left, and what the books and today's price say.
pub fn planned_piece(
    ground: &Ground<'_>,
    piece: &Piece,
    saws: Vec<SawCut>,
    placed: &[(&Want, Placement)],
) -> Result<PlannedPiece, Error> {
    let lying = shapes(placed)?;
    let leave = if piece.kind == PieceKind::Sheet { ground.leave } else { fit::plan::Leave::Largest };
    let left = remains::sawn(&piece.shape, &saws, &lying, ground.clear.kerf_um, ground.material, leave)?;
    let kept: Vec<KeptOffcut> =
        left.kept.iter().enumerate().map(|(i, s)| KeptOffcut { code: format!("{i:06}"), area2: s.area2() }).collect();
    let shares: Vec<CutShare> = placed
        .iter()
        .zip(&lying)
        .map(|((want, _), shape)| CutShare {
            order: want.order,
            order_code: want.order_code.clone(),
            area2: shape.area2(),
            outcome: Outcome::Good,
        })
        .collect();
    let value = ground.material.data.offcut_value_percent;
    let areas = left.areas;
    let shared = outcome::share(piece.carried(), piece.kind, value, &kept, &shares, &areas);
    Ok(PlannedPiece {
        piece: piece.id,
        kerf_um: ground.clear.kerf_um,
        gap_um: ground.clear.gap_um,
        margin_um: ground.clear.margin_um,
        parts: parts_of(placed),
        leftovers: leftovers(left),
        areas,
        charged: shared.charges.iter().map(|c| c.charge.total()).sum(),
        scrap: shared.charges.iter().map(|c| c.charge.scrap).sum(),
        price: ground.prices.of(ground.material, piece.shape.area2() - areas.offcuts2),
        saws,
    })
}
