//! What any plan costs at least.

use super::problem::Problem;

/// No plan that places these parts (all those for which `counts`) costs less, minor units.
///
/// What is used up of a piece is at least its parts and the kerf around them: parts lie at least a kerf apart, and
/// from the rim, so each has half a kerf around it to itself, of an area that H. Brunn and H. Minkowski's
/// inequality bounds from below.
pub(super) fn price(problem: &Problem<'_>, counts: impl Fn(usize) -> bool) -> i64 {
    let half = problem.options.kerf_um.max(0) as f64 / 2.0;
    let used_um2: f64 = (0..problem.wanted.len())
        .filter(|&i| counts(i))
        .map(|i| {
            let grown = (problem.wanted[i].shape.area2() as f64 / 2.0).sqrt() + std::f64::consts::PI.sqrt() * half;
            grown * grown
        })
        .sum();
    let by_area = |s: &super::Stock<'_>| s.price as f64 / (s.shape.area2() as f64 / 2.0);
    let usable = problem.stock.iter().filter(|s| s.supply != super::Supply::Known);
    let cheapest = usable.map(by_area).fold(f64::INFINITY, f64::min);
    if cheapest.is_finite() { (used_um2 * cheapest * (1.0 - 1e-9)).floor() as i64 } else { 0 }
}
