//! Walks the entities of a DXF drawing, through its blocks, into strokes.

use std::collections::HashMap;
use std::rc::Rc;

use dxf::entities::Insert;
use sheetloft_shapes::limits;

use super::curves;
use super::strain::{Block, Contents, LayerState, Strained};
use super::typed::{Item, Meaning};
use crate::curve::{Affine, P};
use crate::sketch::{SaidUnit, Sketch, Stroke};
use crate::{DrawingError, Note, Place, What, Why, is_not_cut};

/// All that is to be seen, as strokes.
///
/// # Errors
/// Where blocks go deeper or become more than the limits allow.
pub(super) fn expand(strained: &Strained) -> Result<Sketch, DrawingError> {
    let mut walk = Walk {
        sketch: Sketch::default(),
        // Where a name comes twice, the later one counts, as with any other table.
        blocks: strained.blocks.iter().map(|b| (b.name.to_lowercase(), b)).collect(),
        layers: &strained.layers,
        names: HashMap::new(),
        entities: 0,
        segments: 0,
    };
    walk.sketch.unit = match strained.units {
        None | Some(0) => SaidUnit::Nothing,
        Some(code) => super::unit(code).map_or(SaidUnit::NotTaken(code), SaidUnit::Unit),
    };
    let top = Frame { map: Affine::SAME, layer: None, block: None, depth: 0 };
    walk.contents(&strained.model, &top)?;
    Ok(walk.sketch)
}

struct Walk<'a> {
    sketch: Sketch,
    blocks: HashMap<String, &'a Block>,
    layers: &'a HashMap<String, LayerState>,
    names: HashMap<String, Rc<str>>,
    entities: usize,
    segments: usize,
}

/// Where the walk stands.
struct Frame {
    map: Affine,
    /// The layer of the insert, which entities on layer 0 of a block take.
    layer: Option<Rc<str>>,
    block: Option<Rc<str>>,
    depth: usize,
}

impl<'a> Walk<'a> {
    fn name(&mut self, text: &str) -> Rc<str> {
        let text: String = text.chars().take(limits::TEXT_CHARS).collect();
        self.names.entry(text).or_insert_with_key(|t| Rc::from(t.as_str())).clone()
    }

    fn layer(&mut self, own: &str, frame: &Frame) -> Rc<str> {
        match &frame.layer {
            Some(of_insert) if own == "0" => of_insert.clone(),
            _ => self.name(if own.is_empty() { "0" } else { own }),
        }
    }

    /// Why things on a layer are not to be seen.
    fn unseen(&self, layer: &str) -> Option<Why> {
        let state = self.layers.get(&layer.to_lowercase()).copied().unwrap_or_default();
        if state.frozen {
            Some(Why::LayerFrozen)
        } else if state.off {
            Some(Why::LayerOff)
        } else {
            is_not_cut(layer).then_some(Why::LayerNotCut)
        }
    }

    fn contents(&mut self, contents: &'a Contents, frame: &Frame) -> Result<(), DrawingError> {
        for item in &contents.items {
            self.count()?;
            self.item(item, frame)?;
        }
        for dropped in &contents.dropped {
            self.count()?;
            let layer = self.layer(&dropped.layer, frame);
            let why = if dropped.on_paper { Why::OnPaper } else { self.unseen(&layer).unwrap_or(dropped.why.clone()) };
            let what = What::Entity(dropped.kind.chars().take(40).collect());
            self.leave_out(what, layer, dropped.point, why, frame);
        }
        Ok(())
    }

    fn count(&mut self) -> Result<(), DrawingError> {
        self.entities += 1;
        if self.entities > limits::DRAWING_ENTITIES {
            return Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
        }
        Ok(())
    }

    fn leave_out(&mut self, what: What, layer: Rc<str>, point: Option<P>, why: Why, frame: &Frame) {
        let point = point.map(|p| frame.map.point(p)).filter(is_finite);
        self.sketch.left_out.add(what, Some(layer), frame.block.clone(), point, why);
    }

    fn item(&mut self, item: &'a Item, frame: &Frame) -> Result<(), DrawingError> {
        let layer = self.layer(&item.layer, frame);
        let unseen = if item.on_paper {
            Some(Why::OnPaper)
        } else if item.hidden {
            Some(Why::Hidden)
        } else {
            self.unseen(&layer)
        };
        match &item.what {
            Meaning::Insert(insert) => {
                // A block inserted on a layer that is off shows what stands on its own layers.
                let why = match unseen.filter(|why| *why != Why::LayerOff) {
                    None => self.insert(insert, layer.clone(), frame)?,
                    hidden => hidden,
                };
                if let Some(why) = why {
                    let what = What::Block(insert.name.chars().take(limits::TEXT_CHARS).collect());
                    self.leave_out(what, layer, Some([insert.location.x, insert.location.y]), why, frame);
                }
            }
            Meaning::Nothing(kind, point, why) => {
                let why = unseen.unwrap_or(why.clone());
                self.leave_out(What::Entity((*kind).to_owned()), layer, *point, why, frame);
            }
            Meaning::Drawn(drawn) => {
                let path = drawn.path.moved(&frame.map);
                let in_bounds = path.pieces().all(|p| is_finite(&p.from) && is_finite(&p.to()));
                if let Some(why) = unseen.or((!in_bounds).then_some(Why::TooFar)) {
                    self.leave_out(What::Entity(drawn.kind.to_owned()), layer, Some(drawn.path.start), why, frame);
                    return Ok(());
                }
                self.segments += path.segs.len();
                if self.segments > limits::DRAWING_SEGMENTS {
                    return Err(DrawingError::TooManyCorners { most: limits::DRAWING_SEGMENTS });
                }
                if drawn.through_points {
                    let place = Place {
                        layer: Some(layer.to_string()),
                        block: frame.block.as_ref().map(|b| b.to_string()),
                        at_mm: Some(path.start),
                    };
                    self.sketch.notes.push(Note::ThroughPoints { place });
                }
                self.sketch.strokes.push(Stroke { path, closed: drawn.closed, layer, block: frame.block.clone() });
            }
        }
        Ok(())
    }

    /// Walks into an inserted block, once for each place of its array. Says why where it is left out.
    fn insert(&mut self, insert: &'a Insert, layer: Rc<str>, frame: &Frame) -> Result<Option<Why>, DrawingError> {
        let Some(&block) = self.blocks.get(&insert.name.to_lowercase()) else {
            return Ok(Some(Why::NoSuchBlock));
        };
        if block.elsewhere {
            return Ok(Some(Why::OtherFile));
        }
        let Some(plane) = curves::plane(&insert.extrusion_direction) else { return Ok(Some(Why::Tilted)) };
        if frame.depth >= limits::DRAWING_DEPTH {
            return Err(DrawingError::TooDeep { block: block.name.clone(), most: limits::DRAWING_DEPTH });
        }
        let turned = Affine::turn(insert.rotation);
        let inner = Affine::translate([-block.base[0], -block.base[1]])
            .then(&Affine::scale(insert.x_scale_factor, insert.y_scale_factor));
        let name = if block.name.starts_with('*') { frame.block.clone() } else { Some(self.name(&block.name)) };
        // 0 rows or columns is how some programs write 1.
        for row in 0..insert.row_count.max(1) {
            for column in 0..insert.column_count.max(1) {
                self.count()?;
                let step = [f64::from(column) * insert.column_spacing, f64::from(row) * insert.row_spacing];
                let map = inner
                    .then(&Affine::translate(step))
                    .then(&turned)
                    .then(&Affine::translate([insert.location.x, insert.location.y]))
                    .then(&plane)
                    .then(&frame.map);
                if !map.is_finite() || map.is_flat() {
                    return Ok(Some(Why::NoLength));
                }
                let below = Frame { map, layer: Some(layer.clone()), block: name.clone(), depth: frame.depth + 1 };
                self.contents(&block.contents, &below)?;
            }
        }
        Ok(None)
    }
}

fn is_finite(p: &P) -> bool {
    p.iter().all(|v| v.is_finite())
}
