//! Squares of ever smaller size over a field, each with the edges that may decide in it.

use crate::field::Field;
use crate::num::{V, v};

/// Squares along the longer side of the bounds at most, to begin with.
const ALONG: f64 = 64.0;

/// A square by its middle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Square {
    pub c: V,
    /// Half its side.
    pub half: f64,
    /// Slack at its middle, see [`Field`]: exact, beyond the field's bounds too.
    pub here: f64,
    /// The edge that decides there.
    pub nearest: u32,
    list: (u32, u32),
}

impl Square {
    /// How far a corner lies from the middle.
    pub fn reach(&self) -> f64 {
        self.half * std::f64::consts::SQRT_2
    }
}

/// The squares over one field.
pub(crate) struct Squares<'a> {
    field: &'a Field,
    arena: Vec<u32>,
    measured: Vec<(u32, f64)>,
}

impl<'a> Squares<'a> {
    pub fn new(field: &'a Field) -> Self {
        let arena = (0..field.edges().len() as u32).collect();
        Self { field, arena, measured: Vec::new() }
    }

    pub fn field(&self) -> &'a Field {
        self.field
    }

    /// Squares over the field's bounds: as large as the shorter side, along the longer one.
    pub fn first(&mut self) -> Vec<Square> {
        let (lo, hi) = self.field.bounds();
        let size = hi - lo;
        let half = (size.x.min(size.y).max(size.x.max(size.y) / ALONG) / 2.0).max(1.0);
        let count = |length: f64| (length / (2.0 * half)).ceil().max(1.0) as usize;
        let all = (0, self.field.edges().len() as u32);
        let mut squares = Vec::new();
        for ix in 0..count(size.x) {
            for iy in 0..count(size.y) {
                let c = lo + v((2 * ix + 1) as f64, (2 * iy + 1) as f64) * half;
                squares.push(self.look(c, half, all));
            }
        }
        squares
    }

    /// The four quarters of a square.
    pub fn quarters(&mut self, square: &Square) -> [Square; 4] {
        let h = square.half / 2.0;
        [(-h, -h), (h, -h), (-h, h), (h, h)].map(|(x, y)| self.look(square.c + v(x, y), h, square.list))
    }

    /// The edges that may be nearest to some point of the square.
    pub fn edges(&self, square: &Square) -> &[u32] {
        &self.arena[square.list.0 as usize..square.list.1 as usize]
    }

    /// A square within one whose edges are listed. Where an object may decide, its nearest edges stay, so that its
    /// sign stays right.
    fn look(&mut self, c: V, half: f64, list: (u32, u32)) -> Square {
        let (field, edges) = (self.field, self.field.edges());
        let mut square = Square { c, half, here: f64::INFINITY, nearest: 0, list };
        let spread = 2.0 * square.reach() * (1.0 + 1e-9) + 1e-6;
        self.measured.clear();
        self.measured
            .extend(self.arena[list.0 as usize..list.1 as usize].iter().map(|&e| (e, edges[e as usize].dist2(c))));
        let objects = || self.measured.chunk_by(|a, b| edges[a.0 as usize].object == edges[b.0 as usize].object);
        let least = |run: &[(u32, f64)]| run.iter().fold((0, f64::INFINITY), |b, &e| if e.1 < b.1 { e } else { b });
        for run in objects() {
            let nearest = least(run);
            let slack = field.slack_by(nearest.0, nearest.1, c);
            if slack < square.here {
                (square.here, square.nearest) = (slack, nearest.0);
            }
        }
        let from = self.arena.len() as u32;
        for run in objects() {
            let nearest = least(run);
            if field.slack_by(nearest.0, nearest.1, c) <= square.here + spread {
                let limit = nearest.1.sqrt() + spread;
                self.arena.extend(run.iter().filter(|e| e.1 <= limit * limit).map(|e| e.0));
            }
        }
        square.list = (from, self.arena.len() as u32);
        square
    }
}
