//! Joins loose strokes end to end into closed contours.
//!
//! The strokes are the edges of a plane graph. Ends that lie on each other are one node; an end that is left alone
//! is joined to the nearest other within the tolerance, smallest gaps first. Whatever then still hangs loose is
//! open. The faces of the rest are the contours: two outlines that share a line are two, as the saw would have it.

use std::collections::HashMap;
use std::rc::Rc;

use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{RTree, RTreeObject};
use sheetloft_shapes::Contour;

use crate::curve::{P, Path, Piece, Seg, add, area2, bulged, distance, lerp, sub};
use crate::lies_on::Lines;
use crate::nest::{Budget, crossing};
use crate::source::{contour_of_path, path_nm};
use crate::{Colour, DrawingError, overlap};

/// Ends this near are the same point, nm.
pub(crate) const SAME_NM: f64 = 1000.0;

/// A stroke in nm.
pub(crate) struct Loose {
    pub(crate) contour: Contour,
    pub(crate) closed: bool,
    pub(crate) layer: Rc<str>,
    pub(crate) colour: Option<Colour>,
    pub(crate) block: Option<Rc<str>>,
}

/// A closed contour, counter-clockwise.
#[derive(Clone)]
pub(crate) struct Closed {
    pub(crate) contour: Contour,
    pub(crate) layer: Rc<str>,
    pub(crate) block: Option<Rc<str>>,
    /// The stroke that it starts with, as counted in the drawing.
    pub(crate) order: usize,
}

/// Strokes that hang together and do not close, or did not have to be there.
pub(crate) struct Remainder {
    pub(crate) layer: Rc<str>,
    pub(crate) block: Option<Rc<str>>,
    /// A loose end, nm.
    pub(crate) at: P,
    /// How far it is to the nearest other loose end, nm; none where no end is loose.
    pub(crate) gap: Option<f64>,
}

/// What became of the strokes.
#[derive(Default)]
pub(crate) struct Joined {
    pub(crate) closed: Vec<Closed>,
    pub(crate) open: Vec<Remainder>,
    pub(crate) twice: Vec<Remainder>,
    /// Lines that cross others, so that nobody can tell what they enclose.
    pub(crate) crossing: Vec<Remainder>,
    /// Gaps in contours that were bridged.
    pub(crate) bridged: Vec<Remainder>,
}

/// Joins strokes whose ends are at most `join_nm` apart, first those of each layer and colour, then what is left.
///
/// # Errors
/// Where there are too many pairs to look at.
pub(crate) fn join(strokes: Vec<Loose>, join_nm: f64) -> Result<Joined, DrawingError> {
    let budget = Budget::new();
    let mut joined = Joined::default();
    let mut layers: Vec<(Rc<str>, Option<Colour>)> = Vec::new();
    let mut by_layer: HashMap<(Rc<str>, Option<Colour>), Vec<Edge>> = HashMap::new();
    for (order, stroke) in strokes.into_iter().enumerate() {
        let path = path_nm(&stroke.contour);
        let gap = distance(path.start, path.end());
        // A closed polyline through two corners is a line there and back.
        let line = path.segs.len() <= 2 && path.segs.iter().all(|s| matches!(s, Seg::Line { .. }));
        let meets = stroke.closed || gap <= SAME_NM && path.pieces().map(|p| p.length()).sum::<f64>() > 4.0 * SAME_NM;
        if meets && !line {
            let path = closed_up(path, stroke.closed);
            joined.closed.push(Closed::new(&path, stroke.layer, stroke.block, order));
            continue;
        }
        let edges = by_layer.entry((stroke.layer.clone(), stroke.colour)).or_insert_with_key(|layer| {
            layers.push(layer.clone());
            Vec::new()
        });
        edges.extend(path.pieces().map(|piece| Edge {
            piece,
            layer: stroke.layer.clone(),
            block: stroke.block.clone(),
            order,
        }));
    }
    let one_layer = layers.len() <= 1;
    let mut left = Vec::new();
    for layer in &layers {
        let edges = by_layer.remove(layer).unwrap_or_default();
        left.extend(Graph::new(edges, join_nm, &mut joined, &budget)?.faces(&mut joined, &budget)?);
    }
    if !one_layer {
        left = Graph::new(left, join_nm, &mut joined, &budget)?.faces(&mut joined, &budget)?;
    }
    if !left.is_empty() && !joined.closed.is_empty() {
        // Loose lines on outlines that close without them are doubles of these.
        let closed: Vec<Path> = joined.closed.iter().map(|c| path_nm(&c.contour)).collect();
        let lines = Lines::new(closed.iter());
        let mut open = Vec::with_capacity(left.len());
        for edge in left {
            let path = Path { start: edge.piece.from, segs: vec![edge.piece.seg] };
            if lines.hold(&path, &budget)? {
                joined.twice.push(edge.remainder(edge.piece.point(0.5), None));
            } else {
                open.push(edge);
            }
        }
        left = open;
    }
    remainders(&left, &mut joined.open);
    joined.closed.sort_by_key(|c| c.order);
    Ok(joined)
}

/// A path whose end is brought to its start: by a line where the file says that it closes, else by moving the end.
fn closed_up(mut path: Path, by_line: bool) -> Path {
    let gap = distance(path.start, path.end());
    if gap > SAME_NM && by_line {
        path.segs.push(Seg::Line { to: path.start });
    } else if gap > 0.0
        && let Some(last) = path.pieces().last()
    {
        path.segs.pop();
        path.segs.push(with_ends(&last, last.from, path.start).seg);
    }
    path
}

impl Closed {
    fn new(path: &Path, layer: Rc<str>, block: Option<Rc<str>>, order: usize) -> Self {
        let contour = if area2(path) < 0.0 { reversed(path) } else { path.clone() };
        Self { contour: contour_of_path(&contour), layer, block, order }
    }
}

/// The same path drawn the other way round.
pub(crate) fn reversed(path: &Path) -> Path {
    let pieces: Vec<Piece> = path.pieces().collect();
    Path { start: path.end(), segs: pieces.iter().rev().map(|p| p.reversed().seg).collect() }
}

#[derive(Clone)]
struct Edge {
    piece: Piece,
    layer: Rc<str>,
    block: Option<Rc<str>>,
    order: usize,
}

impl Edge {
    fn remainder(&self, at: P, gap: Option<f64>) -> Remainder {
        Remainder { layer: self.layer.clone(), block: self.block.clone(), at, gap }
    }
}

/// A stroke with its ends moved. Arcs keep their sweep, curves the directions at their ends, so that nothing moves
/// further than the ends do.
fn with_ends(piece: &Piece, from: P, to: P) -> Piece {
    if piece.from == from && piece.to() == to {
        return *piece;
    }
    let seg = match piece.seg {
        Seg::Line { .. } => Seg::Line { to },
        Seg::Cubic { c1, c2, .. } => {
            Seg::Cubic { c1: add(c1, sub(from, piece.from)), c2: add(c2, sub(to, piece.to())), to }
        }
        Seg::Arc { centre, ccw, .. } => {
            let (_, sweep, _) = piece.arc(centre, ccw);
            let mut segs = Vec::new();
            bulged(from, to, libm::tan(sweep / 4.0), &mut segs);
            match segs.as_slice() {
                [seg] => *seg,
                // More than half a circle, which readers do not hand on.
                _ => Seg::Arc { to, centre, ccw },
            }
        }
    };
    Piece { from, seg }
}

/// The one that stands for the set of `n`; the way there is shortened.
fn root(into: &mut [usize], mut n: usize) -> usize {
    while into[n] != n {
        into[n] = into[into[n]];
        n = into[n];
    }
    n
}

/// Points within reach of each other, by squares of a grid.
struct Grid {
    cell: f64,
    squares: HashMap<(i64, i64), Vec<usize>>,
}

impl Grid {
    fn new(cell: f64) -> Self {
        Self { cell, squares: HashMap::new() }
    }

    fn square(&self, p: P) -> (i64, i64) {
        (libm::floor(p[0] / self.cell) as i64, libm::floor(p[1] / self.cell) as i64)
    }

    fn add(&mut self, p: P, id: usize) {
        self.squares.entry(self.square(p)).or_default().push(id);
    }

    fn near(&self, p: P) -> impl Iterator<Item = usize> {
        let (x, y) = self.square(p);
        (x - 1..=x + 1)
            .flat_map(move |x| (y - 1..=y + 1).map(move |y| (x, y)))
            .filter_map(|square| self.squares.get(&square))
            .flatten()
            .copied()
    }
}

/// Points that are told apart where they are further from each other than rounding.
#[derive(Default)]
struct Nodes {
    places: Vec<P>,
    squares: Option<Grid>,
}

impl Nodes {
    /// The node at a point: the nearest there is, else a new one.
    fn at(&mut self, p: P) -> usize {
        let grid = self.squares.get_or_insert_with(|| Grid::new(SAME_NM));
        let found = grid
            .near(p)
            .map(|n| (distance(self.places[n], p), n))
            .filter(|(d, _)| *d <= SAME_NM)
            .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        if let Some((_, node)) = found {
            return node;
        }
        self.places.push(p);
        grid.add(p, self.places.len() - 1);
        self.places.len() - 1
    }
}

/// The strokes, those that lie on one another in part cut at each other's ends.
fn parted(edges: Vec<Edge>, budget: &Budget) -> Result<Vec<Edge>, DrawingError> {
    let pieces: Vec<Piece> = edges.iter().map(|e| e.piece).collect();
    let cuts = overlap::cuts(&pieces, budget)?;
    let mut out = Vec::with_capacity(edges.len());
    for (edge, cuts) in edges.into_iter().zip(cuts) {
        if cuts.is_empty() {
            out.push(edge);
        } else {
            out.extend(overlap::cut(&edge.piece, &cuts).into_iter().map(|piece| Edge { piece, ..edge.clone() }));
        }
    }
    Ok(out)
}

struct Graph {
    edges: Vec<Edge>,
    /// Nodes at the ends of each edge.
    ends: Vec<[usize; 2]>,
    places: Vec<P>,
    /// Gaps that were bridged, by the node that stands there now.
    bridged: HashMap<usize, Remainder>,
}

impl Graph {
    fn new(edges: Vec<Edge>, join_nm: f64, joined: &mut Joined, budget: &Budget) -> Result<Self, DrawingError> {
        let mut nodes = Nodes::default();
        let mut graph = Self { edges: Vec::new(), ends: Vec::new(), places: Vec::new(), bridged: HashMap::new() };
        for edge in parted(edges, budget)? {
            let ends = [edge.piece.from, edge.piece.to()].map(|p| nodes.at(p));
            if ends[0] != ends[1] || edge.piece.length() > 4.0 * SAME_NM {
                graph.edges.push(edge);
                graph.ends.push(ends);
            }
        }
        graph.places = nodes.places;
        graph.drop_twins(joined, budget)?;
        if graph.bridge(join_nm, budget)? {
            // Lines side by side, nearer than the tolerance, have become one.
            graph.drop_twins(joined, budget)?;
        }
        Ok(graph)
    }

    /// Of strokes between the same nodes that run through the same middle, keeps the first.
    fn drop_twins(&mut self, joined: &mut Joined, budget: &Budget) -> Result<(), DrawingError> {
        let mut middles: HashMap<[usize; 2], Vec<P>> = HashMap::new();
        let edges = std::mem::take(&mut self.edges);
        let ends = std::mem::take(&mut self.ends);
        for (edge, ends) in edges.into_iter().zip(ends) {
            let [from, to] = ends.map(|n| self.places[n]);
            let middle = with_ends(&edge.piece, from, to).point(0.5);
            let before = middles.entry([ends[0].min(ends[1]), ends[0].max(ends[1])]).or_default();
            budget.spend(before.len())?;
            if before.iter().any(|m| distance(*m, middle) <= SAME_NM) {
                joined.twice.push(edge.remainder(middle, None));
                continue;
            }
            before.push(middle);
            self.edges.push(edge);
            self.ends.push(ends);
        }
        Ok(())
    }

    fn degrees(&self) -> Vec<usize> {
        let mut degrees = vec![0; self.places.len()];
        self.ends.iter().flatten().for_each(|&n| degrees[n] += 1);
        degrees
    }

    /// Joins ends that are alone to the nearest other, smallest gaps first. Says whether there were any.
    fn bridge(&mut self, join_nm: f64, budget: &Budget) -> Result<bool, DrawingError> {
        if join_nm <= SAME_NM {
            return Ok(false);
        }
        let mut degrees = self.degrees();
        let mut grid = Grid::new(join_nm);
        (0..self.places.len()).filter(|&n| degrees[n] > 0).for_each(|n| grid.add(self.places[n], n));
        let mut edge_at: Vec<usize> = vec![0; self.places.len()];
        for (e, ends) in self.ends.iter().enumerate() {
            ends.iter().for_each(|&n| edge_at[n] = e);
        }
        let mut gaps = Vec::new();
        for a in (0..self.places.len()).filter(|&n| degrees[n] == 1) {
            for b in grid.near(self.places[a]) {
                budget.spend(1)?;
                let gap = distance(self.places[a], self.places[b]);
                let once = degrees[b] != 1 || a < b;
                // A stroke no longer than the gap it would close is no contour.
                let own = self.ends[edge_at[a]].contains(&b) && self.edges[edge_at[a]].piece.length() <= 4.0 * join_nm;
                if a != b && gap <= join_nm && once && !own {
                    gaps.push((gap, a, b));
                }
            }
        }
        gaps.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)).then(x.2.cmp(&y.2)));
        let mut into: Vec<usize> = (0..self.places.len()).collect();
        for (gap, a, b) in gaps {
            let (a, b) = (root(&mut into, a), root(&mut into, b));
            let (from, to) = if degrees[a] == 1 { (a, b) } else { (b, a) };
            // A node that has moved may be out of reach by now: else a row of lines would fall into one.
            let reach = distance(self.places[from], self.places[to]) <= join_nm;
            if a == b || degrees[from] != 1 || !reach {
                continue;
            }
            if degrees[to] == 1 {
                let middle = lerp(self.places[from], self.places[to], 0.5);
                self.places[to] = [libm::round(middle[0]), libm::round(middle[1])];
            }
            let note = self.edges[edge_at[from]].remainder(self.places[to], Some(gap));
            self.bridged.insert(to, note);
            into[from] = to;
            degrees[to] += 1;
            degrees[from] = 0;
        }
        for ends in &mut self.ends {
            *ends = ends.map(|n| root(&mut into, n));
        }
        Ok(!self.bridged.is_empty())
    }

    /// Takes the contours out; hands back the edges that are part of none.
    fn faces(mut self, joined: &mut Joined, budget: &Budget) -> Result<Vec<Edge>, DrawingError> {
        let mut bridged = std::mem::take(&mut self.bridged);
        let mut alive = self.core(vec![true; self.edges.len()]);
        let crossing = self.crossings(&alive, budget)?;
        for &(edge, at) in &crossing {
            alive[edge] = false;
            joined.crossing.push(self.edges[edge].remainder(at, None));
        }
        if !crossing.is_empty() {
            alive = self.core(alive);
        }
        let around = self.around(&alive);
        let mut used = vec![false; self.edges.len()];
        // A half edge is twice the edge, plus 1 where it runs backwards.
        let mut seen = vec![false; 2 * self.edges.len()];
        for first in 0..2 * self.edges.len() {
            if !alive[first / 2] || seen[first] {
                continue;
            }
            let mut walk = Vec::new();
            let mut half = first;
            while !seen[half] {
                seen[half] = true;
                walk.push(half);
                half = around[&half];
            }
            for ring in self.rings(&walk) {
                let path = self.path(&ring);
                if ring.len() == 2 && ring[0] / 2 == ring[1] / 2 || !self.is_inside(&ring, &path) {
                    continue;
                }
                for h in &ring {
                    used[h / 2] = true;
                    if let Some(note) = bridged.remove(&self.origin(*h)) {
                        joined.bridged.push(note);
                    }
                }
                let edge = &self.edges[ring.iter().map(|h| h / 2).min_by_key(|&e| self.edges[e].order).unwrap_or(0)];
                joined.closed.push(Closed::new(&path, edge.layer.clone(), edge.block.clone(), edge.order));
            }
        }
        crossing.iter().for_each(|(edge, _)| used[*edge] = true);
        let mut left = Vec::new();
        for (e, mut edge) in self.edges.into_iter().enumerate().filter(|(e, _)| !used[*e]) {
            let [from, to] = self.ends[e].map(|n| self.places[n]);
            edge.piece = with_ends(&edge.piece, from, to);
            left.push(edge);
        }
        Ok(left)
    }

    /// Whether a walk has its face inside, not all around. Each contour is walked both ways; one that encloses no
    /// area, such as an even figure of eight, counts once too, to be told of.
    fn is_inside(&self, ring: &[usize], path: &Path) -> bool {
        let length: f64 = path.pieces().map(|p| p.length()).sum();
        match area2(path) {
            area if area.abs() > 2.0 * SAME_NM * length => area > 0.0,
            _ => ring.len() > 2 && ring.iter().min().is_some_and(|h| h.is_multiple_of(2)),
        }
    }

    /// Strokes that cross others between their ends, with the place, where more than two meet at some node of theirs:
    /// faces would then depend on which of them one believes. A single line that crosses itself stays, to be told
    /// of as a whole.
    fn crossings(&self, alive: &[bool], budget: &Budget) -> Result<Vec<(usize, P)>, DrawingError> {
        let mut degrees = vec![0; self.places.len()];
        let mut lots: Vec<usize> = (0..self.places.len()).collect();
        let live = || (0..self.edges.len()).filter(|&e| alive[e]);
        for e in live() {
            let [a, b] = self.ends[e];
            degrees[a] += 1;
            degrees[b] += 1;
            let (a, b) = (root(&mut lots, a), root(&mut lots, b));
            lots[a.max(b)] = a.min(b);
        }
        let mut branched = vec![false; self.places.len()];
        for n in (0..self.places.len()).filter(|&n| degrees[n] > 2) {
            branched[root(&mut lots, n)] = true;
        }
        let mut chords = Vec::new();
        for e in live() {
            let lot = root(&mut lots, self.ends[e][0]);
            if branched[lot] {
                let [from, to] = self.ends[e].map(|n| self.places[n]);
                let piece = with_ends(&self.edges[e].piece, from, to);
                let mut last = from;
                piece.chords(10.0 * SAME_NM, &mut |p| {
                    chords.push(GeomWithData::new(Rectangle::from_corners(last, p), (e, lot, last, p)));
                    last = p;
                });
            }
        }
        let tree = RTree::bulk_load(chords);
        let mut found: Vec<(usize, P)> = Vec::new();
        for one in tree.iter() {
            let (e, lot, a, b) = one.data;
            for other in tree.locate_in_envelope_intersecting(&one.envelope()) {
                budget.spend(1)?;
                let (f, other_lot, c, d) = other.data;
                if f <= e || lot != other_lot {
                    continue;
                }
                let Some(at) = crossing(a, b, c, d) else { continue };
                let away = |e: usize| self.ends[e].iter().all(|&n| distance(self.places[n], at) > 20.0 * SAME_NM);
                if away(e) || away(f) {
                    found.extend([(e, at), (f, at)]);
                }
            }
        }
        found.sort_by_key(|f| f.0);
        found.dedup_by_key(|f| f.0);
        Ok(found)
    }

    /// Which edges are left when all that hang loose at one end are taken away, again and again.
    fn core(&self, mut alive: Vec<bool>) -> Vec<bool> {
        let mut degrees = vec![0; self.places.len()];
        let mut at: Vec<Vec<usize>> = vec![Vec::new(); self.places.len()];
        for (e, ends) in self.ends.iter().enumerate().filter(|(e, _)| alive[*e]) {
            for &n in ends {
                degrees[n] += 1;
                at[n].push(e);
            }
        }
        let mut loose: Vec<usize> = (0..self.places.len()).filter(|&n| degrees[n] == 1).collect();
        while let Some(node) = loose.pop() {
            let Some(&edge) = at[node].iter().find(|&&e| alive[e]) else { continue };
            alive[edge] = false;
            for n in self.ends[edge] {
                degrees[n] -= 1;
                if degrees[n] == 1 {
                    loose.push(n);
                }
            }
        }
        alive
    }

    fn origin(&self, half: usize) -> usize {
        self.ends[half / 2][half % 2]
    }

    /// The half edge that follows each one along the face on its left.
    fn around(&self, alive: &[bool]) -> HashMap<usize, usize> {
        let mut out: HashMap<usize, Vec<usize>> = HashMap::new();
        for half in (0..2 * self.edges.len()).filter(|h| alive[h / 2]) {
            out.entry(self.origin(half)).or_default().push(half);
        }
        let mut next = HashMap::with_capacity(2 * self.edges.len());
        for mut halves in out.into_values() {
            if halves.len() > 2 {
                self.sort_around(&mut halves);
            }
            // Coming in along the twin of one, the face on the left goes out by the one before it, clockwise.
            for i in 0..halves.len() {
                next.insert(halves[i] ^ 1, halves[if i == 0 { halves.len() - 1 } else { i - 1 }]);
            }
        }
        next
    }

    fn oriented(&self, half: usize) -> Piece {
        let piece = &self.edges[half / 2].piece;
        if half.is_multiple_of(2) { *piece } else { piece.reversed() }
    }

    /// Sorts the half edges that leave a node by direction, as seen a short way out, where arcs have parted.
    fn sort_around(&self, halves: &mut Vec<usize>) {
        let lengths: Vec<f64> = halves.iter().map(|&h| self.edges[h / 2].piece.length()).collect();
        let out = 0.05 * lengths.iter().copied().fold(f64::MAX, f64::min);
        let mut keyed: Vec<(f64, usize)> = halves
            .iter()
            .zip(&lengths)
            .map(|(&half, length)| {
                let piece = self.oriented(half);
                let away = sub(piece.point((out / length).min(0.5)), piece.from);
                (libm::atan2(away[1], away[0]), half)
            })
            .collect();
        keyed.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        *halves = keyed.into_iter().map(|(_, half)| half).collect();
    }

    /// A walk around a face, cut where it comes to a node a second time.
    fn rings(&self, walk: &[usize]) -> Vec<Vec<usize>> {
        let mut rings = Vec::new();
        let mut stack: Vec<usize> = Vec::new();
        let mut place: HashMap<usize, usize> = HashMap::new();
        for &half in walk {
            let origin = self.origin(half);
            if let Some(&i) = place.get(&origin) {
                let ring = stack.split_off(i);
                ring.iter().for_each(|&h| {
                    place.remove(&self.origin(h));
                });
                rings.push(ring);
            }
            place.insert(origin, stack.len());
            stack.push(half);
        }
        if !stack.is_empty() {
            rings.push(stack);
        }
        rings
    }

    fn path(&self, ring: &[usize]) -> Path {
        let start = self.places[self.origin(ring[0])];
        let segs = ring
            .iter()
            .map(|&half| {
                let (from, to) = (self.places[self.origin(half)], self.places[self.origin(half ^ 1)]);
                with_ends(&self.oriented(half), from, to).seg
            })
            .collect();
        Path { start, segs }
    }
}

/// One entry for each lot of open strokes that hang together: a loose end of it and the gap there.
fn remainders(left: &[Edge], open: &mut Vec<Remainder>) {
    let mut nodes = Nodes::default();
    let ends: Vec<[usize; 2]> =
        left.iter().map(|edge| [edge.piece.from, edge.piece.to()].map(|p| nodes.at(p))).collect();
    let places = nodes.places;
    let mut at: Vec<Vec<usize>> = vec![Vec::new(); places.len()];
    for (e, ends) in ends.iter().enumerate() {
        ends.iter().for_each(|&n| at[n].push(e));
    }
    let loose_ends = (0..places.len()).filter(|&n| at[n].len() == 1);
    let tree = RTree::bulk_load(loose_ends.map(|n| GeomWithData::new(places[n], n)).collect());
    let mut seen = vec![false; left.len()];
    for first in 0..left.len() {
        if std::mem::replace(&mut seen[first], true) {
            continue;
        }
        let (mut todo, mut loose) = (vec![first], Vec::new());
        while let Some(e) = todo.pop() {
            for n in ends[e] {
                if at[n].len() == 1 {
                    loose.push(n);
                }
                todo.extend(at[n].iter().copied().filter(|&other| !std::mem::replace(&mut seen[other], true)));
            }
        }
        let gap = |n: usize| {
            let mut others = tree.nearest_neighbor_iter(&places[n]).filter(|other| other.data != n);
            others.next().map_or(0.0, |other| distance(places[n], *other.geom()))
        };
        let found = loose.iter().map(|&n| (gap(n), n)).min_by(|a, b| a.0.total_cmp(&b.0));
        let place = found.map_or(left[first].piece.from, |(_, n)| places[n]);
        open.push(left[first].remainder(place, found.map(|f| f.0)));
    }
}
