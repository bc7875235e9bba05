//! What a part needs of any piece: the counterparts of a [`Signature`], rounded to the other side.

use crate::erosion::{self, Side};
use crate::part::Part;
use crate::piece::{Bounds, DEPTHS_UM, Signature};
use crate::search::{PROOF_UM, UNSURE_UM};
use crate::solve::Reason;
use crate::turns::{Span, Turns};
use crate::widths::{DIRECTIONS, STEP_UDEG, least_widths, widths};
use sheetloft_shapes::Turn;

/// Lower bounds on what a piece must have to hold a part with a clearance around it.
#[derive(Clone, Debug)]
pub struct Needs {
    pub(crate) area2: i64,
    bounds: Bounds,
    /// For the part as drawn and mirrored: widths at each direction, then the least within half a step of each;
    /// twice over, so that any turn of them is a run.
    faces: [[[u32; 2 * DIRECTIONS]; 2]; 2],
    period_udeg: i64,
}

impl Needs {
    /// What the part needs with this clearance all around; about a millisecond.
    pub fn of(part: &Part, clearance_um: i64) -> Self {
        // Less by what rounding may have taken, so that a part is not ruled out on the very place that it came from.
        let clear = clearance_um.max(0) as f64 - UNSURE_UM;
        let hull = &part.face(false).hull;
        let area = part.shape().area2() as f64 / 2.0;
        // An outline that grows is at each moment at least as long as its convex hull is around.
        let grown = if clear > 0.0 {
            area + clear * crate::widths::perimeter(hull) + std::f64::consts::PI * clear * clear
        } else {
            area + clear * part.around_um()
        };
        // The part grown by the clearance lies in the piece. So the same depth taken off both, what is left of the
        // part is no more: nothing but the depth beyond the clearance is taken off the part itself.
        let depths: Vec<f64> = DEPTHS_UM.iter().map(|&d| d as f64 - clear).collect();
        let beyond = depths.iter().position(|&d| d > 0.0).unwrap_or(depths.len());
        let mut inner_mm2 = [0; DEPTHS_UM.len()];
        for (k, depth) in depths[..beyond].iter().enumerate() {
            let grown = area - depth * crate::widths::perimeter(hull) + std::f64::consts::PI * depth * depth;
            inner_mm2[k] = down(grown / 1e6);
        }
        for (kept, area) in
            inner_mm2[beyond..].iter_mut().zip(erosion::areas(part.inside(), &depths[beyond..], Side::AtLeast))
        {
            *kept = down(area / 1e6);
        }
        let turned = |w: [f64; DIRECTIONS], flip: bool| -> [u32; 2 * DIRECTIONS] {
            let across = |k: usize| if flip { w[(DIRECTIONS - k) % DIRECTIONS] } else { w[k] };
            std::array::from_fn(|k| down(across(k % DIRECTIONS) + 2.0 * clear))
        };
        let (at, around) = (widths(hull), least_widths(hull));
        Self {
            area2: ((grown * (1.0 - 1e-12) - 1.0) * 2.0) as i64,
            bounds: Bounds {
                disc_um: down(part.inradius_um() + clear),
                diameter_um: down(part.diameter_um() + 2.0 * clear),
                width_um: down(part.width_um() + 2.0 * clear),
                inner_mm2,
            },
            faces: [false, true].map(|flip| [turned(at, flip), turned(around, flip)]),
            period_udeg: part.period_udeg(),
        }
    }

    /// Why the part cannot fit a piece with this signature, if the numbers tell whatever the turn.
    pub fn ruled_out_by(&self, signature: &Signature) -> Option<Reason> {
        if signature.area2 < self.area2 { Some(Reason::Area) } else { self.ruled_out_by_bounds(&signature.bounds) }
    }

    /// The same of a piece that has the area.
    pub(crate) fn ruled_out_by_bounds(&self, has: &Bounds) -> Option<Reason> {
        let needs = &self.bounds;
        if has.disc_um < needs.disc_um {
            Some(Reason::Disc)
        } else if has.width_um < needs.width_um {
            Some(Reason::Width)
        } else if has.diameter_um < needs.diameter_um {
            Some(Reason::Length)
        } else if has.inner_mm2.iter().zip(&needs.inner_mm2).fold(false, |any, (has, needs)| any | (has < needs)) {
            Some(Reason::Inner)
        } else {
            None
        }
    }

    /// Those of the turns at which the part is nowhere wider than a piece with these widths; none of them where
    /// it cannot fit. What remains of a part's turns that look alike is left out where every turn is allowed.
    pub fn turns_on(&self, widths_um: &[u32; DIRECTIONS], turns: &Turns, flip: bool) -> Turns {
        let fits = |turn: usize, kind: usize| {
            let from = (DIRECTIONS - turn) % DIRECTIONS;
            self.faces[..1 + usize::from(flip)].iter().any(|face| {
                let needs = &face[kind][from..from + DIRECTIONS];
                widths_um.iter().zip(needs).fold(true, |all, (has, needs)| all & (has >= needs))
            })
        };
        let spans = turns.as_spans();
        if spans.iter().all(|s| s.width == 0) {
            return Turns::spans(spans.iter().copied().filter(|s| {
                let (turn, off) = (s.from / STEP_UDEG, s.from % STEP_UDEG);
                let at = |k: i64, kind| fits(k.rem_euclid(DIRECTIONS as i64) as usize, kind);
                match off {
                    0 => at(turn, 0),
                    _ if 2 * off == STEP_UDEG => at(turn, 1) || at(turn + 1, 1),
                    _ => at(turn + i64::from(2 * off > STEP_UDEG), 1),
                }
            }));
        }
        let open: [bool; DIRECTIONS] = std::array::from_fn(|turn| fits(turn, 1));
        if open.iter().all(|o| *o) {
            return turns.clone();
        }
        // Runs of open turns, each as a span; around the whole circle, or as far as turns look different.
        let around = if turns.is_any() { self.period_udeg / STEP_UDEG } else { 2 * DIRECTIONS as i64 };
        let is_open = |k: i64| open[k.rem_euclid(DIRECTIONS as i64) as usize];
        let Some(first) = (0..around).find(|&k| !is_open(k)) else { return turns.clone() };
        let mut runs: Vec<Span> = Vec::new();
        let mut before = false;
        // Ending at the first closed one, so that the turn by nothing is among them where it is open.
        for k in first - around..first {
            match (is_open(k), before, runs.last_mut()) {
                (true, true, Some(run)) => run.width += STEP_UDEG,
                (true, _, _) => runs.push(Span { from: Turn::new(k * STEP_UDEG - STEP_UDEG / 2).0, width: STEP_UDEG }),
                _ => {}
            }
            before = is_open(k);
        }
        turns.within(&runs)
    }
}

/// Rounded down, a little more than rounding in double precision adds up to.
fn down(x: f64) -> u32 {
    (x * (1.0 - 1e-12) - PROOF_UM).floor().clamp(0.0, f64::from(u32::MAX)) as u32
}
