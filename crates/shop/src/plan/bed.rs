//! Whether a piece lies on a machine's bed, and the saw cuts that make it do so.

use sheetloft_ledger::body::SawCut;
use sheetloft_ledger::state::Machine;
use sheetloft_shapes::{Point, Shape};

use crate::datum::datum;
use crate::layout::on_piece;

/// Width of a saw blade's cut unless said otherwise, µm. Common practice, no source.
pub const SAW_KERF_UM: i64 = 3_500;
/// Most saw cuts that are proposed for one piece.
const SAWS: i64 = 3;
/// How far a saw line runs out of the piece, µm.
const BEYOND_UM: f64 = 10_000.0;

/// How a piece lies on a bed.
#[derive(Clone, PartialEq, Debug)]
pub enum Lies {
    /// As it is.
    Whole,
    /// After these saw cuts.
    Sawn(Vec<SawCut>),
    /// Only on a machine through which it can be passed.
    Not,
}

/// How a piece lies on a machine's bed, its datum side along either side of the bed. Where it is too long one way
/// only, it is cut across: the first pieces as long as the bed, the rest from the far end.
pub fn lies(shape: &Shape, machine: &Machine, saw_kerf_um: i64) -> Lies {
    let [bed_w, bed_h] = machine.data.bed_um;
    let (long_bed, short_bed) = (bed_w.max(bed_h), bed_w.min(bed_h));
    let frame = datum(shape).map_or_else(Default::default, |d| d.frame(false));
    let points = shape.outline().iter().map(|p| frame.mm(*p).map(|v| v * 1_000.0));
    let (mut lo, mut hi) = ([f64::MAX; 2], [f64::MIN; 2]);
    for p in points {
        for k in 0..2 {
            lo[k] = lo[k].min(p[k]);
            hi[k] = hi[k].max(p[k]);
        }
    }
    let size = [hi[0] - lo[0], hi[1] - lo[1]].map(|v| libm::ceil(v - 0.5) as i64);
    let (long, short) = (size[0].max(size[1]), size[0].min(size[1]));
    if long <= long_bed && short <= short_bed {
        return Lies::Whole;
    }
    // Across the longer side, with the shorter one along whichever side of the bed it goes on.
    let reach = if short <= short_bed {
        long_bed
    } else if short <= long_bed {
        short_bed
    } else {
        return Lies::Not;
    };
    let cuts = (1..=SAWS).find(|n| (n + 1) * reach + n * saw_kerf_um >= long);
    let Some(cuts) = cuts.filter(|_| reach > saw_kerf_um) else { return Lies::Not };
    let along = usize::from(size[1] > size[0]);
    let half = saw_kerf_um as f64 / 2.0;
    let saws = (1..=cuts)
        .map(|n| {
            let at = lo[along] + (n * reach + (n - 1) * saw_kerf_um) as f64 + half;
            let end = |across: f64| {
                let (x, y) = if along == 0 { (at, across) } else { (across, at) };
                on_piece(&frame, x, y)
            };
            let from = end(lo[1 - along] - BEYOND_UM);
            let to = end(hi[1 - along] + BEYOND_UM);
            SawCut { from, to, kerf_um: saw_kerf_um }
        })
        .collect();
    Lies::Sawn(saws)
}

/// What a saw cut turns to dust, as an area that nothing may lie on: a strip from end to end.
pub fn strip(saw: &SawCut) -> Option<Shape> {
    let (dx, dy) = (f64::from(saw.to.x) - f64::from(saw.from.x), f64::from(saw.to.y) - f64::from(saw.from.y));
    let length = libm::hypot(dx, dy).max(1.0);
    let half = saw.kerf_um as f64 / 2.0;
    let (nx, ny) = (-dy / length * half, dx / length * half);
    let corner = |p: Point, side: f64| {
        let um = |v: f64| libm::round(v) as i32;
        Point::new(um(f64::from(p.x) + side * nx), um(f64::from(p.y) + side * ny))
    };
    let ring = vec![corner(saw.from, -1.0), corner(saw.to, -1.0), corner(saw.to, 1.0), corner(saw.from, 1.0)];
    Shape::new(ring, Vec::new()).ok()
}

#[cfg(test)]
mod tests {
    use sheetloft_ledger::body::{MachineAdded, MachineKind};
    use uuid::Uuid;

    use super::*;

    fn machine(w_mm: i64, h_mm: i64) -> Machine {
        let data = MachineAdded {
            name: "Laser".to_owned(),
            bed_um: [w_mm * 1_000, h_mm * 1_000],
            kind: MachineKind::Laser,
            max_thickness_um: None,
        };
        Machine {
            id: Uuid::nil(),
            data,
            tuned: Vec::new(),
            retired: false,
            limits: Vec::new(),
            focus_above_um: 0,
            notes: Vec::new(),
        }
    }

    #[test]
    fn a_sheet_that_is_too_long_is_cut_across_once() {
        let sheet = Shape::rectangle(2_440_000, 1_220_000).unwrap();
        assert_eq!(lies(&sheet, &machine(2_500, 1_300), 3_500), Lies::Whole);
        assert_eq!(lies(&sheet, &machine(1_300, 2_500), 3_500), Lies::Whole);
        let Lies::Sawn(saws) = lies(&sheet, &machine(1_600, 1_300), 3_500) else { panic!("it is cut") };
        let [saw] = saws.as_slice() else { panic!("once") };
        assert_eq!((saw.from.x, saw.to.x), (1_601_750, 1_601_750));
        assert!(saw.from.y < 0 && saw.to.y > 1_220_000);
        let strip = strip(saw).unwrap();
        assert_eq!((strip.bounds().0.x, strip.bounds().1.x), (1_600_000, 1_603_500));
    }

    #[test]
    fn a_standing_sheet_is_cut_across_too_and_a_wide_one_wants_a_passage() {
        let standing = Shape::rectangle(1_220_000, 2_440_000).unwrap();
        let Lies::Sawn(saws) = lies(&standing, &machine(1_300, 900), 3_500) else { panic!("it is cut") };
        assert_eq!(saws.len(), 2);
        assert!(saws.iter().all(|s| s.from.y == s.to.y));
        let sheet = Shape::rectangle(2_440_000, 1_220_000).unwrap();
        assert_eq!(lies(&sheet, &machine(1_000, 600), 3_500), Lies::Not);
    }
}
