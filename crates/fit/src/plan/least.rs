//! What any plan costs at least.

use super::problem::Problem;

/// No plan that places these parts (all those for which `counts`) uses up less: twice the area, µm².
///
/// What is used up of a piece is at least its parts and the kerf around them: parts lie at least a kerf apart, and
/// from the rim, so each has half a kerf around it to itself, of an area that H. Brunn and H. Minkowski's
/// inequality bounds from below.
pub(super) fn area2(problem: &Problem<'_>, counts: impl Fn(usize) -> bool) -> i64 {
    let half = problem.options.kerf_um.max(0) as f64 / 2.0;
    let used_um2: f64 = (0..problem.wanted.len())
        .filter(|&i| counts(i))
        .map(|i| {
            let grown = (problem.wanted[i].shape.area2() as f64 / 2.0).sqrt() + std::f64::consts::PI.sqrt() * half;
            grown * grown
        })
        .sum();
    (2.0 * used_um2 * (1.0 - 1e-9)).floor() as i64
}

/// No plan that uses up so much area costs less, minor units.
pub(super) fn price(problem: &Problem<'_>, area2: i64) -> i64 {
    let usable = problem.stock.iter().filter(|s| s.supply != super::Supply::Known);
    let share = |s: &super::Stock<'_>| i128::from(s.price) * i128::from(area2) / i128::from(s.shape.area2());
    usable.map(share).min().map_or(0, |least| i64::try_from(least).unwrap_or(i64::MAX))
}
