//! The label of a sheet or an offcut: code, the code in large type, material, sizes, picture, and the rest.

use sheetloft_shapes::Shape;

use super::Split;
use super::column::{Column, Item};
use super::picture::{picture, shown_size};
use crate::label::PieceLabel;
use crate::mark::{Frame, Mark};
use crate::qr::MODULE_MM_MAX;
use crate::text::Weight;

/// Pieces are scanned at arm's length: wider modules would take room from the large type, which is read there.
pub(super) const MODULE_MM_MOST: Option<f64> = Some(MODULE_MM_MAX);

/// Smallest type, mm to the em: that of the lines that matter least, and of all others.
const LEAST_MM: (f32, f32) = (1.9, 2.2);
/// Smallest picture worth its room, mm along its longer side.
const PICTURE_MM: f32 = 7.0;
/// Lower than this, the room under the code is left empty, mm.
const FOOT_MM: f32 = 6.0;
/// Most sizes shown.
const SIZES: usize = 3;

pub(super) fn marks(piece: &PieceLabel, split: Split, dots_per_mm: f32) -> Vec<Mark> {
    let foot_used = split.foot.h >= FOOT_MM * dots_per_mm && !foot_is_empty(piece);
    let Split { code, main, foot } = if foot_used { split } else { split.centred() };
    let mut marks = vec![code];

    let type_mm = (0.115 * main.h).min(0.085 * main.w) / dots_per_mm;
    let item = |text: &str, weight, share: f32, lines| {
        let least = if share < 1.0 { LEAST_MM.0 } else { LEAST_MM.1 };
        Item::new(text, weight, share * type_mm * dots_per_mm, least * dots_per_mm, lines)
    };

    let large = Item::new(&piece.code, Weight::Bold, 0.3 * main.h, LEAST_MM.1 * dots_per_mm, 2);
    let head = Column::new(&[large], main.w, main.h);
    let below = main.below(head.height);
    marks.extend(head.marks(main));

    let material = Column::new(&[item(&piece.material, Weight::Bold, 1.15, 3)], main.w, 0.55 * below.h);
    let rest = below.below(material.height + 0.25 * type_mm * dots_per_mm);
    marks.extend(material.marks(below));

    let mut texts: Vec<Item> = Vec::new();
    texts.extend(piece.sizes.iter().take(SIZES).map(|size| item(size, Weight::Plain, 1.0, 2)));
    let small: Vec<Item> = [&piece.order, &piece.date, &piece.lot]
        .into_iter()
        .flatten()
        .map(|text| item(text, Weight::Plain, 0.8, 2))
        .collect();
    if foot_used {
        marks.extend(Column::new(&small, foot.w, foot.h).marks(foot));
    } else {
        texts.extend(small);
    }
    let gap = dots_per_mm * 1.2;
    match &piece.outline {
        Some(shape) => marks.extend(with_picture(piece, shape, &texts, rest, gap, dots_per_mm)),
        None => marks.extend(Column::new(&texts, rest.w, rest.h).marks(rest)),
    }
    marks
}

fn foot_is_empty(piece: &PieceLabel) -> bool {
    [&piece.order, &piece.date, &piece.lot].iter().all(|t| t.as_ref().is_none_or(|t| t.trim().is_empty()))
}

/// The texts with the picture to the right of them or below, whichever shows it larger without hurting them.
fn with_picture(
    piece: &PieceLabel,
    shape: &Shape,
    texts: &[Item],
    rest: Frame,
    gap: f32,
    dots_per_mm: f32,
) -> Vec<Mark> {
    /// Largest share of the width that the picture may take beside the texts.
    const BESIDE: f32 = 0.45;
    let above = Column::new(texts, rest.w, rest.h);
    let under = rest.below(above.height + gap);
    let beside = Frame { w: BESIDE * rest.w, ..rest };
    let shown = |f: Frame| shown_size(shape, f.w, f.h);
    let (under_shown, beside_shown) = (shown(under), shown(beside));
    let worth = |(w, h): (f32, f32)| w.max(h) >= PICTURE_MM * dots_per_mm;

    if above.at_ease && worth(under_shown) && under_shown.0 >= beside_shown.0 {
        let mut marks: Vec<Mark> = above.marks(rest).collect();
        marks.push(Mark::Picture(picture(shape, piece.grain, under, dots_per_mm)));
        return marks;
    }
    if !worth(beside_shown) {
        return above.marks(rest).collect();
    }
    // As wide as the shape needs, at the right rim; the arrow may want to stand beside it.
    let drawn = picture(shape, piece.grain, beside, dots_per_mm);
    let covered = drawn.extent().w;
    let at = Frame { x: rest.right() - covered, w: covered, ..beside };
    let column = Column::new(texts, rest.w - covered - gap, rest.h);
    let mut marks: Vec<Mark> = column.marks(rest).collect();
    marks.push(Mark::Picture(drawn.moved(at.x - beside.x, 0.0)));
    marks
}
