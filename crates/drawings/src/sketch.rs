//! What every reader hands on: the strokes of a drawing in its own unit, and what was not taken.

use std::collections::HashMap;
use std::rc::Rc;

use crate::curve::Path;
use crate::unit::Unit;
use crate::{LeftOut, Note, Place, What, Why};

/// A drawing as strokes.
#[derive(Default)]
pub(crate) struct Sketch {
    pub(crate) unit: SaidUnit,
    pub(crate) strokes: Vec<Stroke>,
    pub(crate) left_out: Tally,
    pub(crate) notes: Vec<Note>,
}

/// What a file says of its unit.
#[derive(Default, Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum SaidUnit {
    /// Nothing.
    #[default]
    Nothing,
    /// One that is taken.
    Unit(Unit),
    /// One that is not: the number that stands for it in the file.
    NotTaken(i64),
}

/// A line, a curve, or several that hang together as drawn.
pub(crate) struct Stroke {
    pub(crate) path: Path,
    /// The end is joined to the start by what the file says, not only by lying there.
    pub(crate) closed: bool,
    pub(crate) layer: Rc<str>,
    /// The innermost named block that it stands in.
    pub(crate) block: Option<Rc<str>>,
}

/// What was left out, alike things counted together.
#[derive(Default)]
pub(crate) struct Tally {
    found: Vec<LeftOut>,
    index: HashMap<Alike, usize>,
}

/// What alike things have in common: what they are, their layer and block, and the kind of reason.
type Alike = (What, Option<Rc<str>>, Option<Rc<str>>, &'static str);

impl Tally {
    /// Takes up one thing; counted with others of its kind on the same layer left out for the same kind of reason.
    pub(crate) fn add(
        &mut self,
        what: What,
        layer: Option<Rc<str>>,
        block: Option<Rc<str>>,
        at: Option<[f64; 2]>,
        why: Why,
    ) {
        let key = (what.clone(), layer.clone(), block.clone(), why.key());
        if let Some(&i) = self.index.get(&key) {
            self.found[i].count += 1;
            return;
        }
        self.index.insert(key, self.found.len());
        self.add_alone(what, layer, block, at, why);
    }

    /// Takes up one thing under its own place.
    pub(crate) fn add_alone(
        &mut self,
        what: What,
        layer: Option<Rc<str>>,
        block: Option<Rc<str>>,
        at: Option<[f64; 2]>,
        why: Why,
    ) {
        let owned = |s: Option<Rc<str>>| s.map(|s| s.to_string());
        self.found.push(LeftOut {
            what,
            count: 1,
            place: Place { layer: owned(layer), block: owned(block), at_mm: at },
            why,
        });
    }

    /// The list, with places multiplied by `mm`, millimetres in a unit of the drawing.
    pub(crate) fn scale(&mut self, mm: f64) {
        for p in self.found.iter_mut().filter_map(|l| l.place.at_mm.as_mut()) {
            *p = [p[0] * mm, p[1] * mm];
        }
    }

    pub(crate) fn into_list(self) -> Vec<LeftOut> {
        self.found
    }
}
