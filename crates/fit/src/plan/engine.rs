//! The parts and pieces of a problem as the separation engine sees them.

use std::collections::HashMap;
use std::sync::OnceLock;

use sheetloft_shapes::place::FULL_TURN_UDEG;
use sheetloft_shapes::{Placement, Point, Turn};

use super::problem::Problem;
use super::table::frames;
use crate::num::v;
use crate::pack::{Form, Forms, Ground, Item, ROUNDED_UM, of_part, of_piece, turns_to_try};

/// What is asked between parts where rounding to the grid does not hold without, µm.
const SLACK_UM: f64 = 1.5;

/// Parts as forms, pieces as grounds; made when first needed.
pub(super) struct Engine<'a> {
    pub problem: &'a Problem<'a>,
    /// Pieces that see parts alike: with the same grain and the same main direction.
    sets: Vec<(Vec<Turn>, Option<crate::piece::Grain>, OnceLock<Set>)>,
    set_of: Vec<usize>,
    grounds: Vec<OnceLock<Option<[Ground; 2]>>>,
    /// Convex pieces of each class, for quarter turns and for others.
    pieces: Vec<[OnceLock<Vec<Vec<Point>>>; 2]>,
}

/// The forms of all classes on pieces that see them alike.
pub(super) struct Set {
    pub forms: Forms,
    /// The same, to be rounded to the grid where that does not hold without more between them.
    pub spaced: Forms,
    /// For each class the forms it may take.
    pub choices: Vec<Vec<u32>>,
    /// For each class those that it may not take in general, but has where it is locked.
    locked: HashMap<(usize, Turn, bool), u32>,
}

impl<'a> Engine<'a> {
    pub fn new(problem: &'a Problem<'a>) -> Self {
        let mut sets: Vec<(Vec<Turn>, Option<crate::piece::Grain>, OnceLock<Set>)> = Vec::new();
        let set_of = problem
            .kinds
            .iter()
            .map(|kind| {
                let frames = frames(kind.shape);
                sets.iter().position(|s| s.0 == frames && s.1 == kind.grain).unwrap_or_else(|| {
                    sets.push((frames, kind.grain, OnceLock::new()));
                    sets.len() - 1
                })
            })
            .collect();
        Self {
            problem,
            sets,
            set_of,
            grounds: problem.kinds.iter().map(|_| OnceLock::new()).collect(),
            pieces: problem.classes.iter().map(|_| Default::default()).collect(),
        }
    }

    /// Half the distance between parts, which each is grown by, µm.
    fn half_um(&self) -> i64 {
        (self.problem.between_um() + 1) / 2
    }

    /// A piece of this kind, where the engine can deal with it: for the forms, and for those spaced.
    pub fn grounds(&self, kind: usize) -> Option<&[Ground; 2]> {
        let problem = self.problem;
        let ground = self.grounds[kind].get_or_init(|| {
            let piece = &problem.kinds[kind];
            of_piece(piece.shape, piece.flaws, problem.rim_um(), self.half_um())
                .map(|w| [Ground::new(&w), Ground::new(&w)])
        });
        ground.as_ref()
    }

    fn class_pieces(&self, class: usize, quarter: bool) -> &[Vec<Point>] {
        self.pieces[class][usize::from(quarter)].get_or_init(|| {
            let more = if quarter { 0 } else { ROUNDED_UM };
            of_part(self.problem.classes[class].shape, self.half_um() + more)
        })
    }

    /// The parts as forms on pieces of this kind.
    pub fn set(&self, kind: usize) -> &Set {
        let (frames, grain, set) = &self.sets[self.set_of[kind]];
        set.get_or_init(|| {
            let problem = self.problem;
            let mut forms = Vec::new();
            let mut choices = Vec::new();
            let add = |forms: &mut Vec<Form>, class: usize, turn: Turn, flip: bool| {
                forms.push(Form::new(self.class_pieces(class, turn.is_quarter()), turn, flip));
                (forms.len() - 1) as u32
            };
            for (c, class) in problem.classes.iter().enumerate() {
                let allowed = super::problem::turns_on(class.turns, *grain);
                let period = class.part().period_udeg();
                let mut own = Vec::new();
                for turn in turns_to_try(&allowed, frames, class.upright(), period) {
                    for face in class.part().faces(class.flip) {
                        own.push(add(&mut forms, c, turn, face.flip));
                    }
                }
                choices.push(own);
            }
            let mut locked = HashMap::new();
            for (i, wanted) in problem.wanted.iter().enumerate() {
                if let Some(lock) = wanted.locked {
                    let key = (problem.class_of[i], lock.placement.turn, lock.placement.flip);
                    locked.entry(key).or_insert_with(|| add(&mut forms, key.0, key.1, key.2));
                }
            }
            Set { spaced: Forms::spaced(forms.clone(), SLACK_UM), forms: Forms::new(forms), choices, locked }
        })
    }
}

impl Set {
    /// A part that stays where it is.
    pub fn fixed(&self, class: usize, placement: &Placement) -> Option<Item> {
        let form = *self.locked.get(&(class, placement.turn, placement.flip))?;
        Some(Item { form, at: v(f64::from(placement.dx), f64::from(placement.dy)) })
    }

    /// The part where it lies, or, where the engine does not know its turn, turned by the least so that it does.
    pub fn item(&self, class: usize, placement: &Placement) -> Option<Item> {
        let at = v(f64::from(placement.dx), f64::from(placement.dy));
        let off = |&form: &u32| {
            let form = self.forms.get(form);
            let turn = (form.turn.0 - placement.turn.0).rem_euclid(FULL_TURN_UDEG);
            (form.flip != placement.flip, turn.min(FULL_TURN_UDEG - turn))
        };
        let form = *self.choices[class].iter().min_by_key(|f| off(f))?;
        let chosen = self.forms.get(form);
        if off(&form) == (false, 0) {
            return Some(Item { form, at });
        }
        // About the middle of the part's box, as it would lie.
        let (sin, cos) = placement.turn.sin_cos();
        let (fsin, fcos) = chosen.turn.sin_cos();
        let middle = chosen.middle();
        let drawn = v(middle.x * fcos + middle.y * fsin, middle.y * fcos - middle.x * fsin);
        let mirrored = if chosen.flip == placement.flip { drawn } else { v(-drawn.x, drawn.y) };
        let there = v(mirrored.x * cos - mirrored.y * sin, mirrored.x * sin + mirrored.y * cos) + at;
        Some(Item { form, at: there - middle })
    }
}
