//! The stock at a glance: all pieces' signatures as columns, gone through once for each question.

use crate::needs::Needs;
use crate::piece::{DEPTHS_UM, Grain, Signature};
use crate::solve::Reason;
use crate::widths::DIRECTIONS;

/// Pieces gone through together, so that what is read stays near.
const BLOCK: usize = 2_048;

/// The signatures of many pieces, by position. A piece that is taken out is replaced by the last one; whoever keeps
/// the pieces keeps the same order.
#[derive(Clone, Debug, Default)]
pub struct Index {
    area2: Vec<i64>,
    disc_um: Vec<u32>,
    diameter_um: Vec<u32>,
    width_um: Vec<u32>,
    inner_mm2: [Vec<u32>; DEPTHS_UM.len()],
    widths_um: Vec<[u32; DIRECTIONS]>,
    grain: Vec<Option<Grain>>,
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
        self.area2.push(signature.area2);
        self.disc_um.push(signature.disc_um);
        self.diameter_um.push(signature.diameter_um);
        self.width_um.push(signature.width_um);
        for (column, value) in self.inner_mm2.iter_mut().zip(signature.inner_mm2) {
            column.push(value);
        }
        self.widths_um.push(signature.widths_um);
        self.grain.push(grain);
    }

    /// Takes a piece out; the last one takes its position. Nothing where there is no such position.
    pub fn swap_remove(&mut self, at: usize) {
        if at >= self.len() {
            return;
        }
        self.area2.swap_remove(at);
        self.disc_um.swap_remove(at);
        self.diameter_um.swap_remove(at);
        self.width_um.swap_remove(at);
        for column in &mut self.inner_mm2 {
            column.swap_remove(at);
        }
        self.widths_um.swap_remove(at);
        self.grain.swap_remove(at);
    }

    /// The signature and grain of a piece.
    pub fn get(&self, at: usize) -> Option<(Signature, Option<Grain>)> {
        let signature = Signature {
            area2: *self.area2.get(at)?,
            disc_um: self.disc_um[at],
            diameter_um: self.diameter_um[at],
            width_um: self.width_um[at],
            inner_mm2: std::array::from_fn(|k| self.inner_mm2[k][at]),
            widths_um: self.widths_um[at],
        };
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

    pub(crate) fn widths_um(&self, at: usize) -> &[u32; DIRECTIONS] {
        &self.widths_um[at]
    }

    pub(crate) fn grain(&self, at: usize) -> Option<Grain> {
        self.grain[at]
    }

    /// Why each piece cannot hold what needs this much, where one look tells: for all pieces one entry, `None` for
    /// those that may.
    pub(crate) fn scan(&self, needs: &Needs) -> Vec<Option<Reason>> {
        let mut found = vec![None; self.len()];
        let mut out = [0u8; BLOCK];
        for (block, found) in found.chunks_mut(BLOCK).enumerate() {
            let at = block * BLOCK..block * BLOCK + found.len();
            let out = &mut out[..found.len()];
            // For each piece, the number of the first test that it fails, counted from 1.
            for (o, &has) in out.iter_mut().zip(&self.area2[at.clone()]) {
                *o = u8::from(has < needs.area2);
            }
            let columns = [
                (&self.disc_um, needs.disc_um),
                (&self.diameter_um, needs.diameter_um),
                (&self.width_um, needs.width_um),
            ];
            let inner = self.inner_mm2.iter().zip(needs.inner_mm2);
            for (n, (column, needed)) in columns.into_iter().chain(inner).enumerate() {
                if needed == 0 {
                    continue;
                }
                let number = n as u8 + 2;
                for (o, &has) in out.iter_mut().zip(&column[at.clone()]) {
                    let fails = if has < needed { number } else { 0 };
                    *o = if *o == 0 { fails } else { *o };
                }
            }
            for (f, &o) in found.iter_mut().zip(&*out) {
                *f = match o {
                    0 => None,
                    1 => Some(Reason::Area),
                    2 => Some(Reason::Disc),
                    3 => Some(Reason::Length),
                    4 => Some(Reason::Width),
                    _ => Some(Reason::Inner),
                };
            }
        }
        found
    }
}
