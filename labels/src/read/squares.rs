//! Where the corner squares of codes may be (finder patterns: dark, light, three dark, light, dark): ISO/IEC 18004.

use image::GrayImage;

/// Most squares of one view; a stranger's picture may be full of stripes.
const MOST: usize = 300;
/// A dot is dark where it is darker than what is around it by a twentieth and so much, of 255.
const DARKER: i64 = 3;
/// Least width of what counts as "around", dots.
const AROUND: u32 = 24;

/// A corner square: its middle, and about how wide a module is along the picture's rows and columns, dots.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Square {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) module: f64,
}

/// Which dots are dark against their surroundings.
struct Dark {
    width: usize,
    height: usize,
    dots: Vec<bool>,
}

impl Dark {
    /// Against the mean of a square window around each dot, by a table of sums.
    fn of(view: &GrayImage) -> Self {
        let (width, height) = (view.width() as usize, view.height() as usize);
        let mut sums = vec![0_i64; (width + 1) * (height + 1)];
        for (y, row) in view.as_raw().chunks(width.max(1)).enumerate() {
            let mut along = 0;
            for (x, level) in row.iter().enumerate() {
                along += i64::from(*level);
                sums[(y + 1) * (width + 1) + x + 1] = sums[y * (width + 1) + x + 1] + along;
            }
        }
        let half = (view.width().min(view.height()) / 8).max(AROUND) as usize / 2;
        let mut dots = vec![false; width * height];
        for y in 0..height {
            let (top, bottom) = (y.saturating_sub(half), (y + half + 1).min(height));
            for x in 0..width {
                let (left, right) = (x.saturating_sub(half), (x + half + 1).min(width));
                let at = |x: usize, y: usize| sums[y * (width + 1) + x];
                let sum = at(right, bottom) - at(left, bottom) - at(right, top) + at(left, top);
                let count = ((right - left) * (bottom - top)) as i64;
                let level = i64::from(view.as_raw()[y * width + x]);
                dots[y * width + x] = 20 * (level + DARKER) * count < 19 * sum;
            }
        }
        Self { width, height, dots }
    }

    fn at(&self, x: i64, y: i64) -> Option<bool> {
        let (x, y) = (usize::try_from(x).ok()?, usize::try_from(y).ok()?);
        (x < self.width && y < self.height).then(|| self.dots[y * self.width + x])
    }

    /// The middle and the whole length of a square's section through a dark dot, along a row or a column; none where it is
    /// not 1 : 1 : 3 : 1 : 1, or longer than `most`.
    fn section(&self, x: i64, y: i64, down: bool, most: i64) -> Option<(f64, f64)> {
        let dot = |n: i64| if down { self.at(x, y + n) } else { self.at(x + n, y) };
        // How far the dots are dark, then light, then dark again, to one side.
        let runs = |sign: i64| {
            let mut ends = [0_i64; 3];
            let mut n = 0;
            for (dark, end) in [true, false, true].into_iter().zip(&mut ends) {
                while n <= most && dot(sign * n) == Some(dark) {
                    n += 1;
                }
                *end = n;
            }
            ends
        };
        if dot(0) != Some(true) {
            return None;
        }
        let (there, back) = (runs(1), runs(-1));
        let lengths =
            [back[2] - back[1], back[1] - back[0], back[0] + there[0] - 1, there[1] - there[0], there[2] - there[1]];
        let middle = (if down { y } else { x }) as f64 + (there[0] - back[0]) as f64 / 2.0 + 0.5;
        is_section(lengths).then(|| (middle, lengths.iter().sum::<i64>() as f64))
    }
}

/// Whether runs are about 1 : 1 : 3 : 1 : 1.
fn is_section(lengths: [i64; 5]) -> bool {
    let module = lengths.iter().sum::<i64>() as f64 / 7.0;
    let near = |length: i64, modules: f64| {
        let length = length as f64;
        length >= 1.0 && (length - modules * module).abs() <= (0.3 + 0.25 * modules) * module
    };
    module >= 1.0 && lengths.iter().zip([1.0, 1.0, 3.0, 1.0, 1.0]).all(|(length, modules)| near(*length, modules))
}

/// What is seen in a view.
pub(super) struct Seen {
    /// The corner squares, those first that most rows show.
    pub(super) squares: Vec<Square>,
    /// How many places in its rows are like a section through a square.
    pub(super) sections: usize,
}

/// The corner squares in a view.
pub(super) fn squares(view: &GrayImage) -> Seen {
    let mut sections = 0;
    let dark = Dark::of(view);
    // Each with how many rows showed it.
    let mut found: Vec<(Square, f64)> = Vec::new();
    for (y, row) in dark.dots.chunks(dark.width.max(1)).enumerate() {
        // Where the runs of the row end.
        let mut ends = Vec::new();
        let mut x = 0;
        for run in row.chunk_by(|a, b| a == b) {
            x += run.len();
            ends.push((x as i64, run[0]));
        }
        for five in ends.windows(6) {
            let lengths = [0, 1, 2, 3, 4].map(|n| five[n + 1].0 - five[n].0);
            if !five[1].1 || !is_section(lengths) {
                continue;
            }
            let middle = (five[2].0 + five[3].0) / 2;
            sections += 1;
            let most = 3 * lengths.iter().sum::<i64>();
            let Some((y, high)) = dark.section(middle, y as i64, true, most) else { continue };
            let Some((x, wide)) = dark.section(middle, y as i64, false, most) else { continue };
            if high > 2.5 * wide || wide > 2.5 * high {
                continue;
            }
            let square = Square { x, y, module: (high + wide) / 14.0 };
            let same = |(s, _): &&mut (Square, f64)| (s.x - x).hypot(s.y - y) < 2.0 * s.module.max(square.module);
            let room = found.len() < 4 * MOST;
            match found.iter_mut().find(same) {
                Some((known, rows)) => {
                    let mean = |a: f64, b: f64| (a * *rows + b) / (*rows + 1.0);
                    *known =
                        Square { x: mean(known.x, x), y: mean(known.y, y), module: mean(known.module, square.module) };
                    *rows += 1.0;
                }
                None if room => found.push((square, 1.0)),
                None => {}
            }
        }
    }
    // A square's middle is three modules high; of one that is turned fewer rows are through and through right.
    found.retain(|(square, rows)| *rows >= (0.7 * square.module).min(2.0));
    found.sort_by(|(a, m), (b, n)| (n / b.module).total_cmp(&(m / a.module)));
    Seen { squares: found.into_iter().take(MOST).map(|(square, _)| square).collect(), sections }
}
