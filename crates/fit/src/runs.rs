//! Boxes around runs of edges that follow each other, as a tree: what lies near a point, without looking at all.

use crate::field::Edge;
use crate::num::{V, v};

/// Edges in one leaf.
const LEAF: usize = 4;

/// A tree of boxes over consecutive edges, in depth-first order.
#[derive(Debug, Default)]
pub(crate) struct Runs {
    nodes: Vec<Node>,
}

#[derive(Clone, Copy, Debug)]
struct Node {
    lo: V,
    hi: V,
    from: u32,
    to: u32,
    /// The node that follows those below this one.
    skip: u32,
}

impl Runs {
    /// The tree over `edges[from..to]`.
    pub fn new(edges: &[Edge], from: usize, to: usize) -> Self {
        let mut runs = Self { nodes: Vec::with_capacity((to - from) / 2 + 1) };
        if from < to {
            runs.build(edges, from, to);
        }
        runs
    }

    fn build(&mut self, edges: &[Edge], from: usize, to: usize) -> (V, V) {
        let at = self.nodes.len();
        self.nodes.push(Node { lo: V::default(), hi: V::default(), from: from as u32, to: to as u32, skip: 0 });
        let join = |(a, b): (V, V), (c, d): (V, V)| (v(a.x.min(c.x), a.y.min(c.y)), v(b.x.max(d.x), b.y.max(d.y)));
        let bounds = if to - from > LEAF {
            let middle = from.midpoint(to);
            join(self.build(edges, from, middle), self.build(edges, middle, to))
        } else {
            let of = |e: &Edge| join((e.a, e.a), (e.b(), e.b()));
            edges[from + 1..to].iter().fold(of(&edges[from]), |all, e| join(all, of(e)))
        };
        let skip = self.nodes.len() as u32;
        let node = &mut self.nodes[at];
        (node.lo, node.hi, node.skip) = (bounds.0, bounds.1, skip);
        bounds
    }

    /// Calls `see` with every edge that may lie within the distance whose square `see` gave last (`r2` at first).
    pub fn visit(&self, edges: &[Edge], p: V, mut r2: f64, mut see: impl FnMut(u32, f64) -> f64) {
        let mut i = 0;
        while i < self.nodes.len() {
            let node = &self.nodes[i];
            let x = (node.lo.x - p.x).max(p.x - node.hi.x).max(0.0);
            let y = (node.lo.y - p.y).max(p.y - node.hi.y).max(0.0);
            if x * x + y * y > r2 {
                i = node.skip as usize;
            } else if (node.to - node.from) as usize <= LEAF {
                for e in node.from..node.to {
                    let d2 = edges[e as usize].dist2(p);
                    if d2 <= r2 {
                        r2 = see(e, d2);
                    }
                }
                i = node.skip as usize;
            } else {
                i += 1;
            }
        }
    }

    /// The distance from the box around all of it; 0 inside.
    pub fn box_distance(&self, p: V) -> f64 {
        self.nodes.first().map_or(f64::INFINITY, |node| {
            let x = (node.lo.x - p.x).max(p.x - node.hi.x).max(0.0);
            let y = (node.lo.y - p.y).max(p.y - node.hi.y).max(0.0);
            v(x, y).norm()
        })
    }
}
