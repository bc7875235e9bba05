//! Overlaps taken out one move after another, guided by what proves hard to part.
//!
//! Guided local search over overlapping layouts: J. Egeblad, B. K. Nielsen, A. Odgaard, "Fast neighborhood search
//! for two- and three-dimensional nesting problems", EJOR 183 (2007); S. Umetani, S. Murakami, "Coordinate descent
//! heuristics for the irregular strip packing problem of rasterized shapes" (2021); the order of moves, the growth
//! of weights and the strikes follow J. Gardeyn, G. Vanden Berghe, T. Wauters (2025).

use super::floor::{Effort, Floor, Item};
use super::rng::Rng;

/// When to give up.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Patience {
    /// Passes in a row that bring nothing.
    pub passes: usize,
    /// Times in a row that so many passes were in vain.
    pub strikes: usize,
}

/// How much is done.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Diligence {
    pub effort: Effort,
    pub patience: Patience,
}

/// What a search runs on: its chance, and whether it may go on.
pub(crate) struct Run<'r> {
    pub rng: Rng,
    pub go_on: &'r mut dyn FnMut() -> bool,
}

/// Moves items until none overlaps; whether that was reached. If not, the floor is left with the least overlap seen.
/// `choices` are the forms that each item may take.
pub(crate) fn separate(floor: &mut Floor<'_>, choices: &[&[u32]], diligence: &Diligence, run: &mut Run<'_>) -> bool {
    let Diligence { effort, patience } = diligence;
    let mut total = floor.total();
    let mut best: (f64, Vec<Item>) = (total, floor.items().to_vec());
    let mut strikes = 0;
    let mut order: Vec<usize> = Vec::new();
    while total > 0.0 && strikes < patience.strikes {
        let began = best.0;
        let mut vain = 0;
        while vain < patience.passes {
            if !(run.go_on)() {
                restore(floor, &best.1);
                return best.0 <= 0.0;
            }
            order.clear();
            order.extend((0..floor.items().len()).filter(|&i| floor.overlap(i) > 0.0));
            run.rng.shuffle(&mut order);
            for &i in &order {
                if floor.overlap(i) > 0.0
                    && let Some(spot) = floor.better(i, choices[i], effort, &mut run.rng)
                {
                    floor.put(i, spot.form, spot.at);
                }
            }
            total = floor.total();
            if total <= 0.0 {
                return true;
            }
            if total < best.0 {
                vain = if total < best.0 * 0.98 { 0 } else { vain + 1 };
                best.0 = total;
                best.1.clear();
                best.1.extend_from_slice(floor.items());
            } else {
                vain += 1;
            }
            floor.learn();
        }
        strikes = if best.0 < began * 0.98 { 0 } else { strikes + 1 };
        restore(floor, &best.1);
        total = best.0;
    }
    total <= 0.0
}

/// Puts all items where they were.
pub(crate) fn restore(floor: &mut Floor<'_>, items: &[Item]) {
    for (i, item) in items.iter().enumerate() {
        let now = floor.items()[i];
        if now.form != item.form || now.at != item.at {
            floor.put(i, item.form, item.at);
        }
    }
}
