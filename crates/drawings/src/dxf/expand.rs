//! Walks the entities of a DXF drawing, through its blocks, into strokes.

use std::collections::HashMap;
use std::rc::Rc;

use dxf::entities::{Entity, EntityType, Insert};
use sheetloft_shapes::limits;

use super::curves;
use super::strain::{Contents, LayerState, Strained};
use crate::curve::{Affine, P};
use crate::sketch::{SaidUnit, Sketch, Stroke};
use crate::{DrawingError, Note, Place, What, Why, is_not_cut};

/// All that is to be seen, as strokes.
///
/// # Errors
/// Where blocks go deeper or become more than the limits allow.
pub(super) fn expand(drawing: &dxf::Drawing, strained: &Strained) -> Result<Sketch, DrawingError> {
    let mut blocks = HashMap::new();
    for (block, contents) in drawing.blocks().zip(&strained.blocks) {
        if block.entities.len() != contents.kept_at.len() {
            return Err(lost(contents, block.entities.len()));
        }
        // Where a name comes twice, the later one counts, as with any other table.
        blocks.insert(block.name.to_lowercase(), (block, contents));
    }
    let mut walk = Walk {
        sketch: Sketch::default(),
        blocks,
        layers: &strained.layers,
        names: HashMap::new(),
        entities: 0,
        segments: 0,
    };
    walk.sketch.unit = match strained.units {
        None | Some(0) => SaidUnit::Nothing,
        Some(code) => super::unit(code).map_or(SaidUnit::NotTaken(code), SaidUnit::Unit),
    };
    let entities: Vec<&Entity> = drawing.entities().collect();
    if entities.len() != strained.model.kept_at.len() {
        return Err(lost(&strained.model, entities.len()));
    }
    let top = Frame { map: Affine::SAME, layer: None, block: None, depth: 0 };
    walk.contents(entities.into_iter(), &strained.model, &top)?;
    Ok(walk.sketch)
}

/// The crate has stopped at an entity that it could not read.
fn lost(contents: &Contents, read: usize) -> DrawingError {
    DrawingError::BadEntity { at: contents.kept_at.get(read).copied().unwrap_or(0) }
}

struct Walk<'a> {
    sketch: Sketch,
    blocks: HashMap<String, (&'a dxf::Block, &'a Contents)>,
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

    fn contents(
        &mut self,
        entities: impl Iterator<Item = &'a Entity>,
        contents: &'a Contents,
        frame: &Frame,
    ) -> Result<(), DrawingError> {
        for (entity, &at) in entities.zip(&contents.kept_at) {
            self.count(0)?;
            self.entity(entity, at, frame)?;
        }
        for dropped in &contents.dropped {
            self.count(0)?;
            let layer = self.layer(&dropped.layer, frame);
            let why = if dropped.on_paper { Why::OnPaper } else { self.unseen(&layer).unwrap_or(dropped.why.clone()) };
            let what = What::Entity(dropped.kind.chars().take(40).collect());
            let point = dropped.point.map(|p| frame.map.point(p));
            self.sketch.left_out.add(what, Some(layer), frame.block.clone(), point, why);
        }
        Ok(())
    }

    fn count(&mut self, segments: usize) -> Result<(), DrawingError> {
        self.entities += 1;
        self.segments += segments;
        if self.entities > limits::DRAWING_ENTITIES || self.segments > limits::DRAWING_SEGMENTS {
            return Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
        }
        Ok(())
    }

    fn entity(&mut self, entity: &'a Entity, at: usize, frame: &Frame) -> Result<(), DrawingError> {
        let layer = self.layer(&entity.common.layer, frame);
        let insert = match &entity.specific {
            EntityType::Insert(insert) => Some(insert),
            _ => None,
        };
        let why = if entity.common.is_in_paper_space {
            Some(Why::OnPaper)
        } else if !entity.common.is_visible {
            Some(Why::Hidden)
        } else {
            // A block inserted on a layer that is off shows what stands on its own layers.
            self.unseen(&layer).filter(|why| insert.is_none() || *why != Why::LayerOff)
        };
        let why = match (why, insert) {
            (Some(why), _) => why,
            (None, Some(insert)) => match self.insert(insert, layer.clone(), frame)? {
                None => return Ok(()),
                Some(why) => why,
            },
            (None, None) => match curves::strokes(&entity.specific, at) {
                Ok(drawn) => {
                    if drawn.through_points {
                        let place = Place {
                            layer: Some(layer.to_string()),
                            block: frame.block.as_ref().map(|b| b.to_string()),
                            at_mm: Some(frame.map.point(drawn.path.start)),
                        };
                        self.sketch.notes.push(Note::ThroughPoints { place });
                    }
                    let path = drawn.path.moved(&frame.map);
                    self.count(path.segs.len())?;
                    if !path.pieces().all(|p| p.from.iter().chain(&p.to()).all(|v| v.is_finite())) {
                        Why::TooFar
                    } else {
                        let block = frame.block.clone();
                        self.sketch.strokes.push(Stroke { path, closed: drawn.closed, layer, block });
                        return Ok(());
                    }
                }
                Err(why) => why,
            },
        };
        let what = match insert {
            Some(insert) => What::Block(insert.name.chars().take(limits::TEXT_CHARS).collect()),
            None => What::Entity(curves::kind(&entity.specific).to_owned()),
        };
        let point = curves::point(&entity.specific).map(|p| frame.map.point(p)).filter(finite);
        self.sketch.left_out.add(what, Some(layer), frame.block.clone(), point, why);
        Ok(())
    }

    /// Walks into an inserted block, once for each place of its array. Says why where it is left out.
    fn insert(&mut self, insert: &'a Insert, layer: Rc<str>, frame: &Frame) -> Result<Option<Why>, DrawingError> {
        let Some(&(block, contents)) = self.blocks.get(&insert.name.to_lowercase()) else {
            return Ok(Some(Why::NoSuchBlock));
        };
        if block.is_xref() || block.is_xref_overlay() {
            return Ok(Some(Why::OtherFile));
        }
        let Some(plane) = curves::plane(&insert.extrusion_direction) else { return Ok(Some(Why::Tilted)) };
        if frame.depth >= limits::DRAWING_DEPTH {
            return Err(DrawingError::TooDeep { block: block.name.clone(), most: limits::DRAWING_DEPTH });
        }
        let turned = Affine::turn(insert.rotation);
        let inner = Affine::translate([-block.base_point.x, -block.base_point.y])
            .then(&Affine::scale(insert.x_scale_factor, insert.y_scale_factor));
        let name = if block.name.starts_with('*') { frame.block.clone() } else { Some(self.name(&block.name)) };
        // 0 rows or columns is how some programs write 1.
        for row in 0..insert.row_count.max(1) {
            for column in 0..insert.column_count.max(1) {
                self.count(0)?;
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
                self.contents(block.entities.iter(), contents, &below)?;
            }
        }
        Ok(None)
    }
}

fn finite(p: &P) -> bool {
    p.iter().all(|v| v.is_finite())
}
