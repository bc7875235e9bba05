//! Strained entities through the `dxf` crate, some thousands at a time, into what outlines are made of.
//!
//! The crate takes most of a kilobyte for an entity; a large drawing read in one go would take a gigabyte.

use dxf::entities::{Entity, EntityType, Insert};

use super::colours::Ink;
use super::curves::{self, Drawn};
use crate::curve::P;
use crate::{DrawingError, Why};

/// So many entities at a time.
const BATCH: usize = 4096;

/// An entity, its meaning known.
pub(super) struct Item {
    pub(super) layer: String,
    pub(super) ink: Ink,
    pub(super) hidden: bool,
    pub(super) on_paper: bool,
    pub(super) what: Meaning,
}

/// What an entity comes to.
pub(super) enum Meaning {
    /// Strokes, in the coordinates of its block.
    Drawn(Drawn),
    /// A block put somewhere.
    Insert(Box<Insert>),
    /// Nothing; its kind, some point of it, and the reason.
    Nothing(&'static str, Option<P>, Why),
}

/// Entities waiting to be given to the crate, as text.
#[derive(Default)]
pub(super) struct Batch {
    pub(super) text: String,
    entities: Vec<Waiting>,
}

/// An entity that waits.
struct Waiting {
    /// Whose it is.
    owner: usize,
    /// Where it stands in the file.
    at: usize,
    ink: Ink,
}

impl Batch {
    /// Notes an entity of `owner` that stands at `at`; its text is put by the caller.
    pub(super) fn begin(&mut self, owner: usize, at: usize, ink: Ink) {
        self.entities.push(Waiting { owner, at, ink });
    }

    /// Takes back the entity begun last, the text of which starts at `start`.
    pub(super) fn take_back(&mut self, start: usize) {
        self.text.truncate(start);
        self.entities.pop();
    }

    pub(super) fn is_full(&self) -> bool {
        self.entities.len() >= BATCH
    }

    /// What has been put so far, each with its owner.
    ///
    /// # Errors
    /// Where the crate cannot make sense of one of them.
    pub(super) fn finish(&mut self) -> Result<Vec<(usize, Item)>, DrawingError> {
        // The version says that text is in UTF-8.
        let text = format!(
            "0\nSECTION\n2\nHEADER\n9\n$ACADVER\n1\nAC1021\n0\nENDSEC\n0\nSECTION\n2\nENTITIES\n{}0\nENDSEC\n0\nEOF\n",
            std::mem::take(&mut self.text)
        );
        let entities = std::mem::take(&mut self.entities);
        let drawing = dxf::Drawing::load_with_encoding(&mut text.as_bytes(), encoding_rs::UTF_8)
            .map_err(|e| DrawingError::Unreadable { why: e.to_string() })?;
        let read: Vec<&Entity> = drawing.entities().collect();
        if read.len() != entities.len() {
            // It stops at one that it cannot read, without a word.
            let at = entities.get(read.len()).map_or(0, |e| e.at);
            return Err(DrawingError::BadEntity { at });
        }
        Ok(entities.iter().zip(read).map(|(waiting, entity)| (waiting.owner, item(entity, waiting))).collect())
    }
}

fn item(entity: &Entity, waiting: &Waiting) -> Item {
    let what = match &entity.specific {
        EntityType::Insert(insert) => Meaning::Insert(Box::new(insert.clone())),
        other => match curves::strokes(other, waiting.at) {
            Ok(drawn) => Meaning::Drawn(drawn),
            Err(why) => Meaning::Nothing(curves::kind(other), curves::point(other), why),
        },
    };
    Item {
        layer: entity.common.layer.clone(),
        ink: waiting.ink,
        hidden: !entity.common.is_visible,
        on_paper: entity.common.is_in_paper_space,
        what,
    }
}
