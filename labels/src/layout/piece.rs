//! The label of a sheet or an offcut: code, the code in large type, material, sizes, picture, and the rest.

use sheetloft_shapes::Shape;

use super::Split;
use super::column::{Column, Item};
use super::picture::picture;
use crate::label::PieceLabel;
use crate::mark::{Frame, Mark};
use crate::text::Weight;

/// Smallest type, mm to the em.
const LEAST_MM: f32 = 2.2;
/// Smallest type of the lines that matter least, mm to the em.
const LEAST_SMALL_MM: f32 = 1.9;
/// Air around the picture, mm.
const PICTURE_GAP_MM: f32 = 1.2;
/// Lower than this, the room under the code is left empty, mm.
const FOOT_MM: f32 = 6.0;
/// Most sizes shown.
const SIZES: usize = 3;

pub(super) fn marks(piece: &PieceLabel, split: Split, dots_per_mm: f32) -> Vec<Mark> {
    let foot_used = split.foot.h >= FOOT_MM * dots_per_mm && rest_of(piece).any(|text| !text.trim().is_empty());
    let Split { code, main, foot } = if foot_used { split } else { split.centred() };
    let mut marks = vec![code];

    // Dots to the em of ordinary lines.
    let size = (0.115 * main.h).min(0.085 * main.w);
    let (least, least_small) = (LEAST_MM * dots_per_mm, LEAST_SMALL_MM * dots_per_mm);

    let large = Item::new(&piece.code, Weight::Bold, 0.3 * main.h, least, 2);
    let head = Column::new(&[large], main.w, main.h);
    let below = main.below(head.height);
    marks.extend(head.marks(main));

    let material = Item::new(&piece.material, Weight::Bold, 1.15 * size, least, 3);
    let material = Column::new(&[material], main.w, 0.55 * below.h);
    let rest = below.below(material.height + 0.25 * size);
    marks.extend(material.marks(below));

    let mut texts: Vec<Item> = Vec::new();
    texts.extend(piece.sizes.iter().take(SIZES).map(|text| Item::new(text, Weight::Plain, size, least, 2).even()));
    texts.extend(piece.order.iter().map(|text| Item::new(text, Weight::Plain, 0.9 * size, least_small, 2)));
    let small = rest_of(piece).map(|text| Item::new(text, Weight::Plain, 0.8 * size, least_small, 2));
    let small: Vec<Item> = small.collect();
    if foot_used {
        marks.extend(Column::new(&small, foot.w, foot.h).marks(foot));
    } else {
        texts.extend(small);
    }
    let gap = PICTURE_GAP_MM * dots_per_mm;
    match &piece.outline {
        Some(shape) => marks.extend(with_picture(piece, shape, &texts, rest, gap, dots_per_mm)),
        None => marks.extend(Column::new(&texts, rest.w, rest.h).marks(rest)),
    }
    marks
}

/// What matters least: it stands under the code where there is room.
fn rest_of(piece: &PieceLabel) -> impl Iterator<Item = &str> {
    [&piece.date, &piece.lot].into_iter().flatten().map(String::as_str)
}

/// The texts with the picture below them or to the right, whichever shows it larger, as long as the texts stay
/// whole: what is written matters more than what is drawn.
fn with_picture(
    piece: &PieceLabel,
    shape: &Shape,
    texts: &[Item],
    rest: Frame,
    gap: f32,
    dots_per_mm: f32,
) -> Vec<Mark> {
    /// Shares of the width that the picture may take beside the texts, the first that leaves them whole.
    const BESIDE: [f32; 4] = [0.45, 0.37, 0.3, 0.24];
    /// Texts are large that are set in this share of their largest size.
    const LARGE: f32 = 0.85;
    /// The share where none leaves them whole.
    const BESIDE_CUT: f32 = 0.3;
    let draw = |frame| picture(shape, piece.grain, piece.datum, frame, dots_per_mm);
    // As wide as the shape needs, at the right rim, and the texts in what is left.
    let beside = &|share: f32, texts: &[Item]| {
        let frame = Frame { w: share * rest.w, ..rest };
        let drawn = draw(frame)?;
        let drawn_to = drawn.extent();
        let column = Column::new(texts, rest.w - drawn_to.w - gap, rest.h);
        Some((column, drawn.moved(rest.right() - drawn_to.right(), 0.0)))
    };
    let above = Column::new(texts, rest.w, rest.h);
    let under = rest.below(above.height + gap);
    let below = if above.at_ease { draw(under).map(|drawn| (above.clone(), drawn)) } else { None };
    let one_line: Vec<Item> = texts.iter().map(|text| text.clone().on_lines(1)).collect();
    let at_side = [(one_line.as_slice(), LARGE), (&one_line, 0.0), (texts, 0.0)]
        .into_iter()
        .flat_map(|(texts, least)| BESIDE.into_iter().filter_map(move |s| Some((beside(s, texts)?, least))))
        .find(|((column, _), least)| column.whole && column.share >= *least)
        .map(|(found, _)| found);
    let chosen = match (below, at_side) {
        (Some(below), Some(at_side)) if below.1.area() >= at_side.1.area() => Some(below),
        (below, at_side) => at_side.or(below),
    };
    let chosen = chosen.or_else(|| if above.whole { None } else { beside(BESIDE_CUT, texts) });
    let Some((column, drawn)) = chosen else {
        return above.marks(rest).collect();
    };
    column.marks(rest).chain([Mark::Picture(drawn)]).collect()
}
