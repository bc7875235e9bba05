//! What goes where on one label. Sizes follow from the label's: what matters most stays.

mod column;
mod picture;
mod piece;
mod rack;

use crate::error::LabelError;
use crate::label::Label;
use crate::mark::{Frame, Lines, Mark};
use crate::paper::Paper;
use crate::qr::{MODULE_MM_MAX, MODULE_MM_MIN, QUIET_MODULES, Qr};

/// Largest share of a label's longer side that the code may take.
const CODE_SHARE: f32 = 0.45;
/// Where a module would be too narrow in that share, the code may take this much.
const CODE_SHARE_MOST: f32 = 0.65;

/// Side of a rack's code without its quiet zone, mm, where the label has the room: it is read from about 0.6 m, the rack's
/// front to the middle of the gangway (common practice, no source).
const RACK_CODE_MM: f32 = 60.0;
/// Longest blank end of a flag label, mm, and the largest share of the label's width that one takes.
const FLAG_END_MM: f32 = 12.0;
const FLAG_END_SHARE: f32 = 0.2;
/// Air on either side of a flag label's fold, mm.
const FOLD_GAP_MM: f32 = 1.0;

/// The marks of one label that lies at `frame`, in dots. `index` counts the labels from 0, for errors.
///
/// # Errors
/// [`LabelError::Payload`] and [`LabelError::ModuleTooNarrow`].
pub(crate) fn marks(label: &Label, index: usize, paper: &Paper, frame: Frame) -> Result<Vec<Mark>, LabelError> {
    let error = |why| LabelError::Payload { index, label: label.title().to_owned(), why };
    let qr = Qr::new(label.payload()).map_err(error)?;
    let dots_per_mm = dots_per_mm(paper);
    let inner = frame.inset(paper.inset_mm() as f32 * dots_per_mm).whole_dots();
    // Read at arm's length, where the large type wants the room that wider modules would take.
    let module_most = (MODULE_MM_MAX * f64::from(dots_per_mm)) as u32;
    let split = |qr: Qr, inner: Frame, side_mm: f32, module_most: u32| {
        Split::new(qr, inner, dots_per_mm, side_mm, module_most).map_err(|module_mm| LabelError::ModuleTooNarrow {
            index,
            label: label.title().to_owned(),
            paper: paper.name().to_owned(),
            module_mm,
        })
    };
    Ok(match label {
        Label::Piece(piece) => piece::marks(piece, split(qr, inner, 0.0, module_most)?, dots_per_mm),
        Label::Flag(piece) => {
            let (halves, fold) = folded(inner, dots_per_mm);
            let mut marks = vec![Mark::Lines(fold)];
            for half in halves {
                marks.extend(piece::marks(piece, split(qr.clone(), half, 0.0, module_most)?, dots_per_mm));
            }
            marks
        }
        // Read from as far away as can be.
        Label::Rack(rack) => rack::marks(rack, split(qr, inner, RACK_CODE_MM, u32::MAX)?, dots_per_mm),
    })
}

/// The two halves of a flag label, less its blank ends, and the line on which it is folded.
fn folded(inner: Frame, dots_per_mm: f32) -> ([Frame; 2], Lines) {
    let end = (FLAG_END_MM * dots_per_mm).min(FLAG_END_SHARE * inner.w);
    let gap = FOLD_GAP_MM * dots_per_mm;
    let middle = inner.x + (inner.w / 2.0).floor();
    let half = |left: f32, right: f32| Frame { x: left, w: (right - left).max(0.0), ..inner }.whole_dots();
    let halves = [half(inner.x + end, middle - gap), half(middle + gap, inner.right() - end)];
    let stroke = (0.25 * dots_per_mm).max(1.0);
    let lines = vec![vec![(middle, inner.y + stroke), (middle, inner.bottom() - stroke)]];
    (halves, Lines { lines, closed: false, stroke, dash: Some(1.5 * dots_per_mm) })
}

/// Printer dots to the millimetre.
pub(crate) fn dots_per_mm(paper: &Paper) -> f32 {
    (f64::from(paper.dpi()) / 25.4) as f32
}

/// A label split in the code, what stands beside it (on an upright label: below it), and the room under it.
struct Split {
    code: Mark,
    /// For what matters most.
    main: Frame,
    /// Under the code, as wide as its dark part; of no height on an upright label.
    foot: Frame,
}

impl Split {
    /// Splits `inner`, which lies on whole dots. The code is as large as its share of it, `module_most` (dots)
    /// and whole dots allow; larger than its share for a side of `side_mm` without the quiet zone. The error is the width of the module, in mm, that would have gone in.
    fn new(qr: Qr, inner: Frame, dots_per_mm: f32, side_mm: f32, module_most: u32) -> Result<Self, f64> {
        let modules = qr.side_with_quiet();
        let lies = inner.w >= inner.h;
        let (long, short) = if lies { (inner.w, inner.h) } else { (inner.h, inner.w) };
        let module_in = |share: f32| ((long * share).min(short) / modules as f32).floor() as u32;
        let narrowest = (MODULE_MM_MIN * f64::from(dots_per_mm)).ceil() as u32;
        let wanted = narrowest.max((side_mm * dots_per_mm / qr.side() as f32).ceil() as u32);
        let mut module = module_in(CODE_SHARE);
        if module < wanted {
            module = module_in(CODE_SHARE_MOST).min(wanted);
        }
        if module < narrowest {
            return Err(f64::from(module) / f64::from(dots_per_mm));
        }
        // Whole dots may jump past a greatest width; the least width is what must hold.
        let module = module.min(module_most.max(narrowest));
        let side = (modules * module) as f32;
        let quiet = (QUIET_MODULES * module) as f32;
        let (x, y) = ((inner.x + quiet) as i32, (inner.y + quiet) as i32);
        let (main, foot) = if lies {
            let under = inner.below(side);
            (inner.right_of(side), Frame { x: x as f32, w: side - 2.0 * quiet, ..under })
        } else {
            let below = inner.below(side);
            (below, Frame { h: 0.0, ..below })
        };
        Ok(Self { code: Mark::Code { qr, x, y, module }, main, foot })
    }

    /// The code in the middle of the room down to the label's lower rim, where nothing is to stand under it.
    fn centred(mut self) -> Self {
        if let Mark::Code { y, .. } = &mut self.code {
            *y += (self.foot.h / 2.0) as i32;
        }
        self.foot.h = 0.0;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::label::{PieceLabel, RackLabel};
    use crate::page::{Onto, label_frame};
    use crate::paper::papers;
    use proptest::prelude::*;
    use sheetloft_shapes::{Point, Shape, Turn};

    /// Texts of many scripts and lengths, sensible and absurd.
    fn text() -> impl Strategy<Value = String> {
        prop_oneof![
            "[A-Za-z0-9 ×,.]{0,30}",
            "[A-Za-zäöüß]{60,120}",
            "([a-z]{1,12} ){10,30}",
            "[\u{590}-\u{6ff} 0-9a-z]{0,60}",
            "[\u{400}-\u{4ff} ]{0,60}",
            "[a-e\u{300}-\u{330}]{0,80}",
            "\\PC{0,80}",
        ]
    }

    fn outline() -> impl Strategy<Value = Option<Shape>> {
        let um = || 1_i64..3_000_000;
        prop_oneof![
            Just(None),
            (um(), um()).prop_map(|(w, h)| Shape::rectangle(w, h).ok()),
            (um(), 1_i64..60_000).prop_map(|(w, h)| Shape::rectangle(w, h).ok()),
            (um(), 1_i64..60_000).prop_map(|(w, h)| Shape::rectangle(h, w).ok()),
            (um(), um(), um()).prop_map(|(w, h, d)| {
                let corner = |x: i64, y: i64| Point::new(x as i32, y as i32);
                let (w, h) = (w + d, h + d);
                let ell = [corner(0, 0), corner(w, 0), corner(w, d), corner(d, d), corner(d, h), corner(0, h)];
                Shape::new(ell.to_vec(), Vec::new()).ok()
            }),
        ]
    }

    fn label() -> impl Strategy<Value = Label> {
        let payload = || "[0-9A-Z $%*+./:-]{1,60}";
        let some = || proptest::option::of(text());
        let piece = (
            (text(), payload(), text(), proptest::collection::vec(text(), 0..5)),
            (outline(), proptest::option::of(0_i64..360_000_000), proptest::option::of(0_usize..6), any::<bool>()),
            (some(), some(), some()),
        )
            .prop_map(
                |((code, payload, material, sizes), (outline, grain, side, flag), (order, lot, date))| {
                    let grain = grain.map(Turn::new);
                    let datum = side.zip(outline.as_ref()).and_then(|(side, shape)| {
                        let (from, to) = shape.edges().nth(side)?;
                        Some([from, to] as [Point; 2])
                    });
                    let label = PieceLabel { code, payload, material, sizes, outline, grain, datum, order, lot, date };
                    if flag { Label::Flag(label) } else { Label::Piece(label) }
                },
            );
        let rack = (text(), payload()).prop_map(|(name, payload)| Label::Rack(RackLabel { name, payload }));
        prop_oneof![3 => piece, 1 => rack]
    }

    /// The shipped papers, and single labels of any size.
    fn paper() -> impl Strategy<Value = Paper> {
        let any = (prop_oneof![Just(203), Just(300), Just(600)], 30.0..160.0, 30.0..160.0).prop_map(|(dpi, w, h)| {
            let text = format!(
                "name = 'any'\ndpi = {dpi}\nwidth_mm = {w:?}\nheight_mm = {h:?}\ninset_mm = 1.5\n[grid]\n\
                 columns = 1\nrows = 1\nlabel_width_mm = {w:?}\nlabel_height_mm = {h:?}\npitch_x_mm = {w:?}\n\
                 pitch_y_mm = {h:?}\nmargin_left_mm = 0.0\nmargin_top_mm = 0.0\n"
            );
            Paper::from_toml(&text).unwrap()
        });
        prop_oneof![proptest::sample::select(papers().to_vec()), any]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]
        #[test]
        fn marks_stay_on_the_label_and_apart(label in label(), paper in paper(), place in 0_usize..24) {
            let frame = label_frame(&Onto::new(&paper), place % paper.per_page());
            let dots_per_mm = dots_per_mm(&paper);
            let rim = (paper.inset_mm() as f32 * dots_per_mm) - 0.05;
            match marks(&label, 0, &paper, frame) {
                Err(LabelError::ModuleTooNarrow { module_mm, .. }) => prop_assert!(module_mm < MODULE_MM_MIN),
                Err(other) => prop_assert!(false, "{other}"),
                Ok(marks) => {
                    let inner = frame.inset(rim);
                    let all: Vec<Frame> = marks.iter().map(Mark::bounds).collect();
                    for (i, mark) in marks.iter().enumerate() {
                        let b = all[i];
                        prop_assert!(b.x >= inner.x && b.right() <= inner.right(), "{b:?} {inner:?} {mark:?}");
                        prop_assert!(b.y >= inner.y && b.bottom() <= inner.bottom(), "{b:?} {inner:?} {mark:?}");
                        for (other, a) in all[..i].iter().enumerate() {
                            let apart = a.right() <= b.x + 0.05
                                || b.right() <= a.x + 0.05
                                || a.bottom() <= b.y + 0.05
                                || b.bottom() <= a.y + 0.05;
                            prop_assert!(apart, "{:?} over {mark:?}", marks[other]);
                        }
                    }
                    let codes = marks.iter().filter(|m| matches!(m, Mark::Code { .. })).count();
                    prop_assert_eq!(codes, if matches!(label, Label::Flag(_)) { 2 } else { 1 });
                    for mark in &marks {
                        if let Mark::Code { module, .. } = mark {
                            prop_assert!(f64::from(*module) / f64::from(dots_per_mm) >= MODULE_MM_MIN - 1e-6);
                        }
                    }
                }
            }
        }
    }
}
