//! The pages of a PDF, each with what is painted on it.

use std::collections::HashSet;
use std::rc::Rc;

use hayro_syntax::Pdf;
use hayro_syntax::object::{Array, Dict, Object, ObjectIdentifier, Stream};
use hayro_syntax::page::{Page, Rotation};
use sheetloft_shapes::limits;

use super::paint::{Painter, Space};
use super::unpack;
use crate::curve::{Affine, Bounds};
use crate::sketch::{SaidUnit, Sketch};
use crate::{DrawingError, Unit};

/// The strokes of all pages, in points.
///
/// # Errors
/// Where there are more than are taken.
pub(super) fn sketch(pdf: &Pdf) -> Result<Sketch, DrawingError> {
    let pages = pdf.pages();
    if pages.len() > limits::DRAWING_PAGES {
        return Err(DrawingError::TooManyPages { most: limits::DRAWING_PAGES });
    }
    let mut painter = Painter::new(Sketch::new(SaidUnit::Unit(Unit::Pt)), hidden_groups(pdf));
    let many = pages.len() > 1;
    for (i, page) in pages.iter().enumerate() {
        let number = if many { i as u32 + 1 } else { 0 };
        let contents = contents(page, &mut painter)?;
        let (map, bounds) = placed(page);
        let resources = page.raw().get::<Dict<'_>>("Resources");
        let resources = resources.unwrap_or_else(|| inherited(page.raw()).unwrap_or_else(Dict::empty));
        painter.page(number, bounds);
        painter.paint(&contents, &Space { resources, depth: 0 }, map)?;
    }
    Ok(painter.sketch)
}

/// Resources that a page has from the pages' tree.
fn inherited<'a>(page: &Dict<'a>) -> Option<Dict<'a>> {
    let mut node = page.get::<Dict<'_>>("Parent")?;
    for _ in 0..limits::DRAWING_DEPTH {
        if let Some(found) = node.get::<Dict<'_>>("Resources") {
            return Some(found);
        }
        node = node.get::<Dict<'_>>("Parent")?;
    }
    None
}

fn contents(page: &Page<'_>, painter: &mut Painter) -> Result<Rc<[u8]>, DrawingError> {
    let mut out = Vec::new();
    match page.raw().get::<Object<'_>>("Contents") {
        Some(Object::Stream(one)) => out = painter.unpacked(&one)?.to_vec(),
        Some(Object::Array(array)) => {
            let array: Array<'_> = array;
            for part in array.iter::<Stream<'_>>() {
                let part = unpack::stream(&part, painter.left())?;
                painter.take(part.len())?;
                out.extend(part);
                out.push(b'\n');
            }
        }
        _ => {}
    }
    Ok(Rc::from(out))
}

/// From a page's own units to points from the lower left corner of its visible part, as it is turned; and that part.
fn placed(page: &Page<'_>) -> (Affine, Bounds) {
    let box_ = page.intersected_crop_box();
    let (w, h) = (box_.width(), box_.height());
    let turn = match page.rotation() {
        Rotation::None => Affine::SAME,
        // Clockwise.
        Rotation::Horizontal => Affine::turn(-90.0).then(&Affine::translate([0.0, w])),
        Rotation::Flipped => Affine::turn(180.0).then(&Affine::translate([w, h])),
        Rotation::FlippedHorizontal => Affine::turn(90.0).then(&Affine::translate([h, 0.0])),
    };
    let unit = page.raw().get::<f64>("UserUnit").filter(|u| u.is_finite() && *u > 0.0 && *u < 1e6).unwrap_or(1.0);
    let map = Affine::translate([-box_.x0, -box_.y0]).then(&turn).then(&Affine::scale(unit, unit));
    let mut bounds = Bounds::of(map.point([box_.x0, box_.y0]));
    bounds.add(map.point([box_.x1, box_.y1]));
    (map, bounds)
}

/// Layers ("optional content groups") that are off when the file is opened.
fn hidden_groups(pdf: &Pdf) -> HashSet<ObjectIdentifier> {
    let mut hidden = HashSet::new();
    let root = pdf.xref().get::<Dict<'_>>(pdf.xref().root_id());
    let properties = root.and_then(|r| r.get::<Dict<'_>>("OCProperties"));
    let Some(properties) = properties else { return hidden };
    let Some(default) = properties.get::<Dict<'_>>("D") else { return hidden };
    let ids = |array: Option<Array<'_>>| -> Vec<ObjectIdentifier> {
        let refs = array.map(|a| a.raw_iter().filter_map(|item| item.as_obj_ref()).map(Into::into).collect());
        refs.unwrap_or_default()
    };
    let base = default.get::<hayro_syntax::object::Name<'_>>("BaseState");
    if base.is_some_and(|b| b.as_ref() == b"OFF") {
        hidden.extend(ids(properties.get("OCGs")));
    }
    hidden.extend(ids(default.get("OFF")));
    for on in ids(default.get("ON")) {
        hidden.remove(&on);
    }
    hidden
}
