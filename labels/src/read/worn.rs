//! Codes that a plain look does not find: a corner square or two are under dirt, or torn off.
//!
//! Two squares, or one, and the width of a module leave few places where the code can lie. Each of them is held against what
//! is in every code (ISO/IEC 18004: corner squares, timing lines, the alignment square), moved until it agrees best, and read
//! there. That it was the code is proven by its own error correction.

use image::GrayImage;
use rqrr::{Grid, SimpleGrid};

use super::squares::Square;

/// Sides of the codes that are looked for, modules: versions 1 to 7; labels have 2 to 4.
const SIDES: [usize; 7] = [21, 25, 29, 33, 37, 41, 45];
/// Places of one view that are looked at closely, and squares that are taken by themselves.
const CLOSELY: usize = 32;
const SQUARES: usize = 80;
const ALONE: usize = 12;
/// How well a place has to agree with what is in every code, of 1, before and after it is moved.
const AGREES: f64 = 0.3;
const AGREES_WELL: f64 = 0.4;

type Point = [f64; 2];

/// A place where a code may lie: the middles of its corner squares, the fourth where one would be: clockwise from the upper
/// left as the code is meant to be seen.
#[derive(Clone, Copy, Debug)]
struct Guess {
    side: usize,
    corners: [Point; 4],
    agrees: f64,
}

/// A code: its outer corners clockwise from its upper left, and what it says.
pub(super) type Read = ([Point; 4], String);

/// Reads the codes of which `squares` are corner squares.
pub(super) fn worn(view: &GrayImage, squares: &[Square]) -> Vec<Read> {
    let squares = &squares[..squares.len().min(SQUARES)];
    let patterns: Vec<Pattern> = SIDES.map(Pattern::of).into();
    let pattern = |side: usize| &patterns[(side - SIDES[0]) / 4];
    let mut guesses = Vec::new();
    for (n, a) in squares.iter().enumerate() {
        for b in &squares[n + 1..] {
            pairs(*a, *b, &mut guesses);
        }
    }
    let mut found = read(view, guesses, pattern);
    let alone = squares.iter().filter(|s| !found.iter().any(|(c, _)| is_inside([s.x, s.y], c))).take(ALONE);
    let alone = alone.flat_map(|square| single(view, *square)).collect();
    found.extend(read(view, alone, pattern));
    found
}

/// The places that agree best, each looked at closely.
fn read<'a>(view: &GrayImage, mut guesses: Vec<Guess>, pattern: impl Fn(usize) -> &'a Pattern) -> Vec<Read> {
    for guess in &mut guesses {
        guess.agrees = pattern(guess.side).agrees(view, guess);
    }
    guesses.retain(|g| g.agrees >= AGREES);
    guesses.sort_by(|a, b| b.agrees.total_cmp(&a.agrees));
    let mut found: Vec<Read> = Vec::new();
    for guess in guesses.into_iter().take(CLOSELY) {
        let middle = [0, 1].map(|n| guess.corners.iter().map(|c| c[n]).sum::<f64>() / 4.0);
        if found.iter().any(|(corners, _)| is_inside(middle, corners)) {
            continue;
        }
        if let Some((moved, text)) = closely(view, guess, pattern(guess.side)) {
            let side = moved.side as f64;
            let lens = Lens::of(&moved);
            let rim = [[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]];
            found.push((rim.map(|[u, v]| lens.at(u, v)), text));
        }
    }
    found
}

/// What is read at a place as it was guessed, then moved as a flat code would lie, then as one seen from aside: dirt where the
/// alignment square is would draw the fourth corner away.
fn closely(view: &GrayImage, guess: Guess, pattern: &Pattern) -> Option<(Guess, String)> {
    let read = |guess: Guess| Some((guess, decoded(view, &guess)?));
    if let Some(found) = read(guess) {
        return Some(found);
    }
    let flat = settled(view, guess, pattern, Way::Flat);
    if flat.agrees < AGREES_WELL {
        return None;
    }
    read(flat).or_else(|| read(settled(view, flat, pattern, Way::Aside)))
}

/// Whether a point is inside a convex outline.
pub(super) fn is_inside([x, y]: Point, corners: &[Point; 4]) -> bool {
    let side = |n: usize| {
        let ([ax, ay], [bx, by]) = (corners[n], corners[(n + 1) % 4]);
        (bx - ax) * (y - ay) - (by - ay) * (x - ax)
    };
    let sides = [0, 1, 2, 3].map(side);
    sides.iter().all(|s| *s >= 0.0) || sides.iter().all(|s| *s <= 0.0)
}

/// Where a code can lie of which two squares are corner squares: both on one side, on either hand, or across.
fn pairs(a: Square, b: Square, guesses: &mut Vec<Guess>) {
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    let apart = dx.hypot(dy);
    let module = (a.module + b.module) / 2.0;
    if a.module > 1.5 * b.module || b.module > 1.5 * a.module || apart < 10.0 * module || apart > 60.0 * module {
        return;
    }
    let (p, q) = ([a.x, a.y], [b.x, b.y]);
    // A section along a row is longer than the module where the code is turned.
    let along = |x: f64, y: f64| module * x.abs().max(y.abs()) / x.hypot(y);
    for side in near_sides(apart / along(dx, dy)) {
        let hand = |s: f64| [[p[0] - s * dy, p[1] + s * dx], [q[0] - s * dy, q[1] + s * dx]];
        let [[left_p, left_q], [right_p, right_q]] = [hand(-1.0), hand(1.0)];
        // The corner without a square is one of the two that are not there.
        push(guesses, side, [p, q, right_q, right_p], &[2, 3]);
        push(guesses, side, [left_p, left_q, q, p], &[0, 1]);
    }
    let (mx, my) = ((p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0);
    let across = [[mx + dy / 2.0, my - dx / 2.0], [mx - dy / 2.0, my + dx / 2.0]];
    for side in near_sides(apart / along(dx - dy, dx + dy) / std::f64::consts::SQRT_2) {
        push(guesses, side, [p, across[0], q, across[1]], &[1, 3]);
    }
}

/// Sides of codes whose corner squares are about so many modules apart: the width of a module is only roughly known.
fn near_sides(apart: f64) -> impl Iterator<Item = usize> {
    SIDES.into_iter().filter(move |side| ((*side - 7) as f64 / apart - 1.0).abs() < 0.22)
}

/// The same place with each of `without` as the corner that has no square: the lower right one.
fn push(guesses: &mut Vec<Guess>, side: usize, corners: [Point; 4], without: &[usize]) {
    for missing in without {
        let mut corners = corners;
        corners.rotate_left((missing + 2) % 4);
        guesses.push(Guess { side, corners, agrees: 0.0 });
    }
}

/// Where a code can lie of which this is the only corner square that is left: turned as the square itself is.
fn single(view: &GrayImage, square: Square) -> Vec<Guess> {
    // The angle and the width of a module with which the square agrees best with itself.
    let mut best = (f64::MIN, 0.0_f64, 0.0);
    for degrees in (0..90).step_by(3) {
        let turn = f64::from(degrees).to_radians();
        for stretch in [1.0, 0.96, 1.04, 0.92, 1.08] {
            let module = square.module * turn.cos().max(turn.sin()) * stretch;
            let (ex, ey) = ([turn.cos() * module, turn.sin() * module], [-turn.sin() * module, turn.cos() * module]);
            let mut both = Agreement::default();
            for (i, j) in (-4..=4).flat_map(|j| (-4..=4).map(move |i| (i, j))) {
                let (u, v) = (f64::from(i), f64::from(j));
                let at = [square.x + u * ex[0] + v * ey[0], square.y + u * ex[1] + v * ey[1]];
                let ring = i32::abs(i).max(i32::abs(j));
                both.add(level(view, at), ring != 2 && ring != 4);
            }
            if both.of() > best.0 {
                best = (both.of(), turn, module);
            }
        }
    }
    let (agrees, turn, module) = best;
    let mut guesses = Vec::new();
    if agrees < AGREES_WELL {
        return guesses;
    }
    for side in SIDES {
        let length = (side - 7) as f64 * module;
        for quarter in 0..4 {
            let turn = turn + f64::from(quarter) * std::f64::consts::FRAC_PI_2;
            let (ex, ey) = ([turn.cos() * length, turn.sin() * length], [-turn.sin() * length, turn.cos() * length]);
            let at = |s: f64, t: f64| [square.x + s * ex[0] + t * ey[0], square.y + s * ex[1] + t * ey[1]];
            push(&mut guesses, side, [at(0.0, 0.0), at(1.0, 0.0), at(1.0, 1.0), at(0.0, 1.0)], &[1, 2, 3]);
        }
    }
    guesses
}

/// How the modules of a flat code lie in the view: the projection that takes the middles of its corner squares to `corners`
/// (Heckbert, "Fundamentals of Texture Mapping and Image Warping", 1989, 2.2.3: square to quadrilateral).
struct Lens {
    a: [f64; 8],
    side: f64,
}

impl Lens {
    fn of(guess: &Guess) -> Self {
        let [[x0, y0], [x1, y1], [x2, y2], [x3, y3]] = guess.corners;
        let (sx, sy) = (x0 - x1 + x2 - x3, y0 - y1 + y2 - y3);
        let (dx1, dx2, dy1, dy2) = (x1 - x2, x3 - x2, y1 - y2, y3 - y2);
        let whole = dx1 * dy2 - dx2 * dy1;
        let (g, h) = match whole.abs() > f64::EPSILON {
            true => ((sx * dy2 - dx2 * sy) / whole, (dx1 * sy - sx * dy1) / whole),
            false => (0.0, 0.0),
        };
        let a = [x1 - x0 + g * x1, x3 - x0 + h * x3, x0, y1 - y0 + g * y1, y3 - y0 + h * y3, y0, g, h];
        Self { a, side: guess.side as f64 }
    }

    /// A point of the code in modules from its upper left corner, in the view.
    fn at(&self, u: f64, v: f64) -> Point {
        let (u, v) = ((u - 3.5) / (self.side - 7.0), (v - 3.5) / (self.side - 7.0));
        let [a, b, c, d, e, f, g, h] = self.a;
        let w = g * u + h * v + 1.0;
        [(a * u + b * v + c) / w, (d * u + e * v + f) / w]
    }
}

/// The level of the view at a point, between its dots; light outside.
fn level(view: &GrayImage, [x, y]: Point) -> f64 {
    let (x, y) = (x - 0.5, y - 0.5);
    let (w, h) = (f64::from(view.width()), f64::from(view.height()));
    if !(x >= 0.0 && y >= 0.0 && x < w - 1.0 && y < h - 1.0) {
        return 255.0;
    }
    let (left, top) = (x as u32, y as u32);
    let (u, v) = (x - f64::from(left), y - f64::from(top));
    let dot = |x: u32, y: u32| f64::from(view.get_pixel(x, y).0[0]);
    let upper = dot(left, top) * (1.0 - u) + dot(left + 1, top) * u;
    let lower = dot(left, top + 1) * (1.0 - u) + dot(left + 1, top + 1) * u;
    upper * (1.0 - v) + lower * v
}

/// How levels agree with what should be dark and light: their correlation.
#[derive(Default)]
struct Agreement {
    n: f64,
    levels: f64,
    squares: f64,
    light: f64,
    light_levels: f64,
}

impl Agreement {
    fn add(&mut self, level: f64, dark: bool) {
        self.n += 1.0;
        self.levels += level;
        self.squares += level * level;
        if !dark {
            self.light += 1.0;
            self.light_levels += level;
        }
    }

    fn of(&self) -> f64 {
        let along = self.light_levels - self.light * self.levels / self.n;
        let spread =
            (self.squares - self.levels * self.levels / self.n) * (self.light - self.light * self.light / self.n);
        if spread > 0.0 { along / spread.sqrt() } else { 0.0 }
    }
}

/// What is in every code of a side: `(column, row, dark)`.
struct Pattern(Vec<(f64, f64, bool)>);

impl Pattern {
    fn of(side: usize) -> Self {
        let mut modules = Vec::new();
        let mut add = |i: usize, j: usize, dark: bool| modules.push((i as f64 + 0.5, j as f64 + 0.5, dark));
        // Corner squares with the light line along them.
        for (left, top) in [(0, 0), (side - 7, 0), (0, side - 7)] {
            let columns = left.saturating_sub(1)..(left + 8).min(side);
            for (i, j) in columns.flat_map(|i| (top.saturating_sub(1)..(top + 8).min(side)).map(move |j| (i, j))) {
                let ring = i.abs_diff(left + 3).max(j.abs_diff(top + 3));
                add(i, j, ring != 2 && ring != 4);
            }
        }
        for n in 8..side - 8 {
            add(n, 6, n % 2 == 0);
            add(6, n, n % 2 == 0);
        }
        if side > SIDES[0] {
            for (i, j) in (side - 9..side - 4).flat_map(|i| (side - 9..side - 4).map(move |j| (i, j))) {
                add(i, j, i.abs_diff(side - 7).max(j.abs_diff(side - 7)) != 1);
            }
        }
        Self(modules)
    }

    /// How well a place agrees in the middles of the modules.
    fn agrees(&self, view: &GrayImage, guess: &Guess) -> f64 {
        let lens = Lens::of(guess);
        let mut both = Agreement::default();
        self.0.iter().for_each(|(u, v, dark)| both.add(level(view, lens.at(*u, *v)), *dark));
        both.of()
    }

    /// The same all over the modules, so that it is best where they lie exactly.
    fn agrees_all_over(&self, view: &GrayImage, guess: &Guess) -> f64 {
        let lens = Lens::of(guess);
        let mut both = Agreement::default();
        for (u, v, dark) in &self.0 {
            for (du, dv) in [(-0.35, -0.35), (0.35, -0.35), (-0.35, 0.35), (0.35, 0.35)] {
                both.add(level(view, lens.at(u + du, v + dv)), *dark);
            }
        }
        both.of()
    }
}

/// How a code lies before the camera: straight before it, so that opposite sides are equal, or not.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Way {
    Flat,
    Aside,
}

/// Moves the corners, one at a time and ever less, until the place agrees best.
fn settled(view: &GrayImage, mut guess: Guess, pattern: &Pattern, way: Way) -> Guess {
    let [[ax, ay], [bx, by], ..] = guess.corners;
    let module = (bx - ax).hypot(by - ay) / (guess.side - 7) as f64;
    guess.agrees = pattern.agrees_all_over(view, &guess);
    for part in [0.8, 0.4, 0.2] {
        for _ in 0..3 {
            let before = guess.agrees;
            for (corner, axis, sign) in (0..16).map(|n| (n / 4, n / 2 % 2, if n % 2 == 0 { 1.0 } else { -1.0 })) {
                let mut moved = guess;
                moved.corners[corner][axis] += sign * part * module;
                if way == Way::Flat {
                    let [a, b, _, d] = moved.corners;
                    moved.corners[2] = [b[0] + d[0] - a[0], b[1] + d[1] - a[1]];
                }
                moved.agrees = pattern.agrees_all_over(view, &moved);
                if moved.agrees > guess.agrees {
                    guess = moved;
                }
            }
            if guess.agrees <= before {
                break;
            }
        }
    }
    guess
}

/// What the code at a place says, where its error correction agrees.
fn decoded(view: &GrayImage, guess: &Guess) -> Option<String> {
    let lens = Lens::of(guess);
    let side = guess.side;
    // A module's level in its middle part.
    let mut levels = vec![0.0; side * side];
    for (n, mean) in levels.iter_mut().enumerate() {
        let (i, j) = ((n % side) as f64 + 0.5, (n / side) as f64 + 0.5);
        let around = [-0.25, 0.0, 0.25];
        let sum: f64 = around.iter().flat_map(|v| around.map(|u| level(view, lens.at(i + u, j + v)))).sum();
        *mean = sum / 9.0;
    }
    // About as many modules are dark as are light, here and everywhere.
    let mean_of = |reach: usize, n: usize| {
        let (i, j) = (n % side, n / side);
        let rows = j.saturating_sub(reach)..(j + reach + 1).min(side);
        let columns = || i.saturating_sub(reach)..(i + reach + 1).min(side);
        let (mut sum, mut count) = (0.0, 0.0);
        for n in rows.flat_map(|j| columns().map(move |i| j * side + i)) {
            sum += levels[n];
            count += 1.0;
        }
        sum / count
    };
    [side, 6, 3].into_iter().find_map(|reach| {
        let bounds: Vec<f64> = match reach == side {
            true => vec![mean_of(side, 0); side * side],
            false => (0..side * side).map(|n| mean_of(reach, n)).collect(),
        };
        let grid = SimpleGrid::from_func(side, |i, j| levels[j * side + i] < bounds[j * side + i]);
        Grid::new(grid).decode().ok().map(|(_, text)| text)
    })
}
