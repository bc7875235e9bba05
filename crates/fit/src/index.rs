//! The stock at a glance: all pieces' signatures, in columns by how often they are looked at.

use std::sync::OnceLock;

use crate::piece::{Bounds, Grain, Signature};
use crate::widths::DIRECTIONS;

/// The signatures of many pieces, by position. A piece that is taken out is replaced by the last one; whoever keeps
/// the pieces keeps the same order. Adding and taking out cost some microseconds, whatever the number of pieces.
#[derive(Clone, Debug, Default)]
pub struct Index {
    area2: Vec<i64>,
    bounds: Vec<Bounds>,
    widths_um: Vec<[u32; DIRECTIONS]>,
    grain: Vec<Option<Grain>>,
    /// Positions by area and position; made when first asked for, and kept from then on.
    by_area: OnceLock<Vec<u32>>,
}

impl Index {
    /// No piece yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// How many pieces there are.
    pub fn len(&self) -> usize {
        self.area2.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.area2.is_empty()
    }

    /// Adds a piece with the grain to which parts are bound on it, at position [`Index::len`].
    pub fn push(&mut self, signature: &Signature, grain: Option<Grain>) {
        let at = self.len();
        self.area2.push(signature.area2);
        self.bounds.push(signature.bounds);
        self.widths_um.push(signature.widths_um);
        self.grain.push(grain);
        self.put_in_order(at);
    }

    /// Takes a piece out; the last one takes its position. Nothing where there is no such position.
    pub fn swap_remove(&mut self, at: usize) {
        if at >= self.len() {
            return;
        }
        let last = self.len() - 1;
        self.take_from_order(at);
        if at != last {
            self.take_from_order(last);
        }
        self.area2.swap_remove(at);
        self.bounds.swap_remove(at);
        self.widths_um.swap_remove(at);
        self.grain.swap_remove(at);
        if at != last {
            self.put_in_order(at);
        }
    }

    /// The signature and grain of a piece.
    pub fn get(&self, at: usize) -> Option<(Signature, Option<Grain>)> {
        let signature =
            Signature { area2: *self.area2.get(at)?, bounds: self.bounds[at], widths_um: self.widths_um[at] };
        Some((signature, self.grain[at]))
    }

    /// All pieces, in order of position.
    pub fn iter(&self) -> impl Iterator<Item = (Signature, Option<Grain>)> + '_ {
        (0..self.len()).filter_map(|at| self.get(at))
    }

    /// Twice the area of each piece, µm².
    pub fn areas2(&self) -> &[i64] {
        &self.area2
    }

    /// All positions, smallest area first; of equal ones the first.
    pub(crate) fn by_area(&self) -> &[u32] {
        self.by_area.get_or_init(|| {
            let mut order: Vec<u32> = (0..self.len() as u32).collect();
            order.sort_unstable_by_key(|&at| (self.area2[at as usize], at));
            order
        })
    }

    pub(crate) fn bounds(&self, at: usize) -> &Bounds {
        &self.bounds[at]
    }

    pub(crate) fn widths_um(&self, at: usize) -> &[u32; DIRECTIONS] {
        &self.widths_um[at]
    }

    pub(crate) fn grain(&self, at: usize) -> Option<Grain> {
        self.grain[at]
    }

    fn put_in_order(&mut self, at: usize) {
        let area2 = &self.area2;
        if let Some(order) = self.by_area.get_mut() {
            let key = |at: u32| (area2[at as usize], at);
            let place = order.partition_point(|&other| key(other) < key(at as u32));
            order.insert(place, at as u32);
        }
    }

    fn take_from_order(&mut self, at: usize) {
        let area2 = &self.area2;
        if let Some(order) = self.by_area.get_mut() {
            let key = |at: u32| (area2[at as usize], at);
            let place = order.partition_point(|&other| key(other) < key(at as u32));
            order.remove(place);
        }
    }
}
