//! What every reader hands on: the strokes of a drawing in its own unit, and what was not taken.

use std::collections::HashMap;
use std::rc::Rc;

use sheetloft_shapes::limits;

use crate::curve::{P, Path};
use crate::unit::Unit;
use crate::{Colour, DrawingError, LeftOut, Note, Place, What, Why};

/// A drawing as strokes.
pub(crate) struct Sketch {
    pub(crate) unit: SaidUnit,
    pub(crate) strokes: Vec<Stroke>,
    pub(crate) words: Vec<Word>,
    pub(crate) left_out: Tally,
    pub(crate) notes: Vec<Note>,
    segments: usize,
}

/// What a file says of its unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum SaidUnit {
    /// Nothing; this is the usual one.
    Nothing(Unit),
    /// One that is taken.
    Unit(Unit),
    /// So many nanometres.
    Size(f64),
    /// One that is not taken: the number that stands for it in the file.
    NotTaken(i64),
}

/// A line, a curve, or several that hang together as drawn.
pub(crate) struct Stroke {
    pub(crate) path: Path,
    /// The end is joined to the start by what the file says, not only by lying there.
    pub(crate) closed: bool,
    pub(crate) layer: Rc<str>,
    pub(crate) colour: Option<Colour>,
    /// The innermost named block or group that it stands in.
    pub(crate) block: Option<Rc<str>>,
    /// Counted from 1; 0 where the format has no pages.
    pub(crate) page: u32,
    /// Why it is not to be seen: its layer is off, or it has the colour of the paper. Taken only where its layer is asked for.
    pub(crate) unseen: Option<Why>,
    /// The rim of an area that was filled, not a line: dropped where lines lie all along it.
    pub(crate) rim: bool,
}

/// Writing, for the names of parts.
pub(crate) struct Word {
    pub(crate) at: P,
    pub(crate) height: f64,
    pub(crate) text: String,
    pub(crate) page: u32,
}

impl Sketch {
    pub(crate) fn new(unit: SaidUnit) -> Self {
        Self {
            unit,
            strokes: Vec::new(),
            words: Vec::new(),
            left_out: Tally::default(),
            notes: Vec::new(),
            segments: 0,
        }
    }

    /// Takes up a stroke.
    ///
    /// # Errors
    /// Where there are more than are taken.
    pub(crate) fn push(&mut self, stroke: Stroke) -> Result<(), DrawingError> {
        self.segments += stroke.path.segs.len();
        if self.segments > limits::DRAWING_SEGMENTS {
            return Err(DrawingError::TooManyCorners { most: limits::DRAWING_SEGMENTS });
        }
        self.strokes.push(stroke);
        Ok(())
    }

    /// Takes up writing; what there is too much of names nothing.
    pub(crate) fn word(&mut self, at: P, height: f64, text: &str, page: u32) {
        let text: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
        if self.words.len() < limits::DRAWING_WORDS && !text.is_empty() && at.iter().all(|v| v.is_finite()) {
            let text = text.chars().take(limits::TEXT_CHARS / 2).collect();
            self.words.push(Word { at, height, text, page });
        }
    }

    /// Takes up a note, up to as many as a person would read of one kind.
    pub(crate) fn note(&mut self, note: Note) {
        if self.notes.iter().filter(|n| n.key() == note.key()).count() < limits::DRAWING_LISTED {
            self.notes.push(note);
        }
    }
}

/// Names that come again and again, kept once each.
#[derive(Default)]
pub(crate) struct Names(HashMap<String, Rc<str>>);

impl Names {
    /// The name, cut short where nobody would read on.
    pub(crate) fn get(&mut self, text: &str) -> Rc<str> {
        let text: String = text.chars().filter(|c| !c.is_control()).take(limits::TEXT_CHARS).collect();
        self.0.entry(text).or_insert_with_key(|t| Rc::from(t.as_str())).clone()
    }
}

/// What was left out, alike things counted together.
#[derive(Default)]
pub(crate) struct Tally {
    found: Vec<LeftOut>,
    index: HashMap<Alike, usize>,
}

/// Where something stands that was left out.
#[derive(Clone, Default)]
pub(crate) struct Spot {
    pub(crate) layer: Option<Rc<str>>,
    pub(crate) block: Option<Rc<str>>,
    pub(crate) page: u32,
    pub(crate) at: Option<P>,
}

impl Spot {
    pub(crate) fn place(&self) -> Place {
        let owned = |s: &Option<Rc<str>>| s.as_ref().filter(|s| !s.is_empty()).map(|s| s.to_string());
        Place {
            layer: owned(&self.layer),
            block: owned(&self.block),
            page: (self.page > 0).then_some(self.page),
            at_mm: self.at,
        }
    }
}

/// What alike things have in common: what they are, their layer, block and page, and the kind of reason.
type Alike = (What, Option<Rc<str>>, Option<Rc<str>>, u32, &'static str);

impl Tally {
    /// Takes up one thing; counted with others of its kind on the same layer left out for the same kind of reason.
    pub(crate) fn add(&mut self, what: What, spot: Spot, why: Why) {
        let key = (what.clone(), spot.layer.clone(), spot.block.clone(), spot.page, why.key());
        if let Some(&i) = self.index.get(&key) {
            self.found[i].count += 1;
            return;
        }
        self.index.insert(key, self.found.len());
        self.found.push(LeftOut { what, count: 1, place: spot.place(), why });
    }

    /// Takes up one thing under its own place, as long as a person would read on; then as [`Tally::add`] does.
    pub(crate) fn add_alone(&mut self, what: What, spot: Spot, why: Why) {
        if self.found.len() < limits::DRAWING_LISTED {
            self.found.push(LeftOut { what, count: 1, place: spot.place(), why });
        } else {
            self.add(what, spot, why);
        }
    }

    /// Forgets the pages, where there is only one.
    pub(crate) fn without_pages(&mut self) {
        self.found.iter_mut().for_each(|l| l.place.page = None);
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
