//! Walks the entities of a DXF drawing, through its blocks, into strokes.

use std::collections::HashMap;
use std::rc::Rc;

use dxf::entities::Insert;
use sheetloft_shapes::limits;

use super::colours::Ink;
use super::curves;
use super::strain::{Block, Contents, LayerState, Strained};
use super::typed::{Item, Meaning};
use crate::curve::{Affine, P, length};
use crate::sketch::{Names, SaidUnit, Sketch, Spot, Stroke};
use crate::{Colour, DrawingError, Note, NoteOf, Unit, What, Why};

/// All that is to be seen, as strokes.
///
/// # Errors
/// Where blocks go deeper or become more than the limits allow.
pub(super) fn expand(strained: &Strained) -> Result<Sketch, DrawingError> {
    let unit = match strained.units {
        None | Some(0) => SaidUnit::Nothing(Unit::Mm),
        Some(code) => super::unit(code).map_or(SaidUnit::NotTaken(code), SaidUnit::Unit),
    };
    let mut walk = Walk {
        sketch: Sketch::new(unit),
        // Where a name comes twice, the later one counts, as with any other table.
        blocks: strained.blocks.iter().map(|b| (b.name.to_lowercase(), b)).collect(),
        layers: &strained.layers,
        names: Names::default(),
        entities: 0,
    };
    let top = Frame { map: Affine::SAME, layer: None, colour: None, block: None, depth: 0 };
    walk.contents(&strained.model, &top)?;
    Ok(walk.sketch)
}

struct Walk<'a> {
    sketch: Sketch,
    blocks: HashMap<String, &'a Block>,
    layers: &'a HashMap<String, LayerState>,
    names: Names,
    entities: usize,
}

/// Where the walk stands.
struct Frame {
    map: Affine,
    /// The layer of the insert, which entities on layer 0 of a block take.
    layer: Option<Rc<str>>,
    /// The colour of the insert, which entities take that are coloured by block.
    colour: Option<Colour>,
    block: Option<Rc<str>>,
    depth: usize,
}

impl<'a> Walk<'a> {
    fn layer(&mut self, own: &str, frame: &Frame) -> Rc<str> {
        match &frame.layer {
            Some(of_insert) if own == "0" => of_insert.clone(),
            _ => self.names.get(if own.is_empty() { "0" } else { own }),
        }
    }

    fn colour(&self, ink: Ink, layer: &str, frame: &Frame) -> Option<Colour> {
        match ink {
            Ink::Is(colour) => Some(colour),
            Ink::ByBlock if frame.colour.is_some() => frame.colour,
            // 7, black, is what a layer has of which nothing is said.
            Ink::ByBlock | Ink::ByLayer => match self.layers.get(&layer.to_lowercase()).map(|l| l.ink) {
                Some(Ink::Is(colour)) => Some(colour),
                _ => Some(Colour([0; 3])),
            },
        }
    }

    /// Why things on a layer are not to be seen.
    fn unseen(&self, layer: &str) -> Option<Why> {
        let state = self.layers.get(&layer.to_lowercase()).copied().unwrap_or_default();
        if state.frozen { Some(Why::LayerFrozen) } else { state.off.then_some(Why::LayerOff) }
    }

    fn contents(&mut self, contents: &'a Contents, frame: &Frame) -> Result<(), DrawingError> {
        for item in &contents.items {
            self.count()?;
            self.item(item, frame)?;
        }
        for dropped in &contents.dropped {
            self.count()?;
            let layer = self.layer(&dropped.layer, frame);
            let unseen = if dropped.on_paper { Some(Why::OnPaper) } else { self.unseen(&layer) };
            if let (Some((text, height)), Some(at), None) = (&dropped.writing, dropped.point, &unseen) {
                let height = height * length(frame.map.vector([0.0, 1.0]));
                self.sketch.word(frame.map.point(at), height, text, 0);
            }
            let why = unseen.unwrap_or(dropped.why.clone());
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
        let at = point.map(|p| frame.map.point(p)).filter(is_finite);
        self.sketch.left_out.add(what, Spot { layer: Some(layer), block: frame.block.clone(), page: 0, at }, why);
    }

    fn item(&mut self, item: &'a Item, frame: &Frame) -> Result<(), DrawingError> {
        let layer = self.layer(&item.layer, frame);
        let colour = self.colour(item.ink, &layer, frame);
        let hidden = if item.on_paper { Some(Why::OnPaper) } else { item.hidden.then_some(Why::Hidden) };
        let unseen = hidden.clone().or_else(|| self.unseen(&layer));
        match &item.what {
            Meaning::Insert(insert) => {
                // A block inserted on a layer that is off shows what stands on its own layers.
                let why = match unseen.filter(|why| *why != Why::LayerOff) {
                    None => self.insert(insert, layer.clone(), colour, frame)?,
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
                if let Some(why) = hidden.or((!in_bounds).then_some(Why::TooFar)) {
                    self.leave_out(What::Entity(drawn.kind.to_owned()), layer, Some(drawn.path.start), why, frame);
                    return Ok(());
                }
                let stroke = Stroke {
                    path,
                    closed: drawn.closed,
                    layer,
                    colour,
                    block: frame.block.clone(),
                    page: 0,
                    unseen,
                    rim: drawn.rim,
                };
                if drawn.through_points && stroke.unseen.is_none() {
                    let place = stroke.spot(Some(stroke.path.start)).place();
                    self.sketch.note(Note { place, of: NoteOf::ThroughPoints });
                }
                self.sketch.push(stroke)?;
            }
        }
        Ok(())
    }

    /// Walks into an inserted block, once for each place of its array. Says why where it is left out.
    fn insert(
        &mut self,
        insert: &'a Insert,
        layer: Rc<str>,
        colour: Option<Colour>,
        frame: &Frame,
    ) -> Result<Option<Why>, DrawingError> {
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
        let name = if block.name.starts_with('*') { frame.block.clone() } else { Some(self.names.get(&block.name)) };
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
                let below =
                    Frame { map, layer: Some(layer.clone()), colour, block: name.clone(), depth: frame.depth + 1 };
                self.contents(&block.contents, &below)?;
            }
        }
        Ok(None)
    }
}

fn is_finite(p: &P) -> bool {
    p.iter().all(|v| v.is_finite())
}
