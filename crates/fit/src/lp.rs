//! Linear programs in four variables within a box, by the dual simplex method.
//!
//! Meant for bounds, not for exactness: what a caller concludes from the multipliers it must check itself.

/// Number of variables.
pub(crate) const N: usize = 4;
/// Most exchanges of the basis.
const EXCHANGES: usize = 60;

/// `a · x ≤ b`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row {
    pub a: [f64; N],
    pub b: f64,
}

/// Where the objective is greatest, and which rows make it so.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Optimum {
    pub x: [f64; N],
    /// Rows of the last basis with their multipliers; bounds of the box are left out.
    pub rows: [(usize, f64); N],
    pub row_count: usize,
}

/// Greatest `c · x` subject to `rows` and `|x_j| ≤ h_j`; the point is feasible to rounding unless the exchanges
/// ran out. `None` where the rows contradict each other within the box or the numbers break down. On the way the
/// bound falls; where `enough` says so of what is there already, that is returned.
pub(crate) fn maximize(c: [f64; N], rows: &[Row], h: [f64; N], enough: impl Fn(&Optimum) -> bool) -> Option<Optimum> {
    // Constraint 2j is x_j ≤ h_j, 2j+1 is −x_j ≤ h_j, 2N+i is row i.
    let constraint = |k: usize| -> Row {
        if k < 2 * N {
            let mut a = [0.0; N];
            a[k / 2] = if k.is_multiple_of(2) { 1.0 } else { -1.0 };
            Row { a, b: h[k / 2] }
        } else {
            rows[k - 2 * N]
        }
    };
    // The basis M starts as bounds of the box, its own inverse.
    let mut basis = [0usize; N];
    let mut inverse = [[0.0; N]; N];
    let mut b = h;
    for j in 0..N {
        let negative = c[j] < 0.0;
        basis[j] = 2 * j + usize::from(negative);
        inverse[j][j] = if negative { -1.0 } else { 1.0 };
    }
    let mut last = None;
    for _ in 0..EXCHANGES {
        // x = M⁻¹ b; multipliers y = M⁻ᵀ c.
        let mut x = [0.0; N];
        let mut y = [0.0; N];
        for i in 0..N {
            for j in 0..N {
                x[i] += inverse[i][j] * b[j];
                y[j] += inverse[i][j] * c[i];
            }
        }
        let mut optimum = Optimum { x, rows: [(0, 0.0); N], row_count: 0 };
        for i in 0..N {
            if basis[i] >= 2 * N && y[i] > 0.0 {
                optimum.rows[optimum.row_count] = (basis[i] - 2 * N, y[i]);
                optimum.row_count += 1;
            }
        }
        if enough(&optimum) {
            return Some(optimum);
        }
        last = Some(optimum);
        let mut worst = (1e-7, usize::MAX);
        for j in 0..N {
            for (k, excess) in [(2 * j, x[j] - h[j]), (2 * j + 1, -x[j] - h[j])] {
                if excess > worst.0 {
                    worst = (excess, k);
                }
            }
        }
        for (i, row) in rows.iter().enumerate() {
            let excess = row.a[0] * x[0] + row.a[1] * x[1] + row.a[2] * x[2] + row.a[3] * x[3] - row.b;
            if excess > worst.0 {
                worst = (excess, 2 * N + i);
            }
        }
        if worst.1 == usize::MAX {
            return last;
        }
        // The entering row as a combination w of the basis; the first multiplier to vanish leaves.
        let entering = constraint(worst.1);
        let mut w = [0.0; N];
        let mut leaving: Option<(f64, usize)> = None;
        for j in 0..N {
            for (row, a) in inverse.iter().zip(entering.a) {
                w[j] += row[j] * a;
            }
            if w[j] > 1e-12 {
                let ratio = y[j].max(0.0) / w[j];
                if leaving.is_none_or(|(r, _)| ratio < r) {
                    leaving = Some((ratio, j));
                }
            }
        }
        let out = leaving?.1;
        basis[out] = worst.1;
        b[out] = entering.b;
        for row in &mut inverse {
            row[out] /= w[out];
            for j in 0..N {
                if j != out {
                    row[j] -= w[j] * row[out];
                }
            }
        }
    }
    last
}

#[cfg(test)]
fn invert(mut m: [[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut inverse = [[0.0; N]; N];
    for (i, row) in inverse.iter_mut().enumerate() {
        row[i] = 1.0;
    }
    for column in 0..N {
        let mut pivot = column;
        for row in column + 1..N {
            if m[row][column].abs() > m[pivot][column].abs() {
                pivot = row;
            }
        }
        if m[pivot][column].abs() < 1e-13 {
            return None;
        }
        m.swap(column, pivot);
        inverse.swap(column, pivot);
        let scale = 1.0 / m[column][column];
        for j in 0..N {
            m[column][j] *= scale;
            inverse[column][j] *= scale;
        }
        for row in 0..N {
            if row != column {
                let factor = m[row][column];
                if factor != 0.0 {
                    for j in 0..N {
                        m[row][j] -= factor * m[column][j];
                        inverse[row][j] -= factor * inverse[column][j];
                    }
                }
            }
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The best corner of the feasible region, by trying every choice of four constraints.
    fn by_brute_force(c: [f64; N], rows: &[Row], h: [f64; N]) -> Option<f64> {
        let mut all: Vec<Row> = rows.to_vec();
        for j in 0..N {
            for sign in [1.0, -1.0] {
                let mut a = [0.0; N];
                a[j] = sign;
                all.push(Row { a, b: h[j] });
            }
        }
        let n = all.len();
        let mut best: Option<f64> = None;
        for i in 0..n {
            for j in i + 1..n {
                for k in j + 1..n {
                    for l in k + 1..n {
                        let pick = [all[i], all[j], all[k], all[l]];
                        let Some(inverse) = invert(pick.map(|r| r.a)) else {
                            continue;
                        };
                        let mut x = [0.0; N];
                        for (a, out) in x.iter_mut().enumerate() {
                            for (b, row) in pick.iter().enumerate() {
                                *out += inverse[a][b] * row.b;
                            }
                        }
                        let dot = |a: &[f64; N]| (0..N).map(|i| a[i] * x[i]).sum::<f64>();
                        if all.iter().all(|r| dot(&r.a) <= r.b + 1e-6) {
                            let value = dot(&c);
                            best = Some(best.map_or(value, |b| b.max(value)));
                        }
                    }
                }
            }
        }
        best
    }

    proptest! {
        #[test]
        fn the_optimum_is_that_of_trying_every_corner(
            rows in prop::collection::vec((prop::array::uniform3(-1.0f64..1.0), -3.0f64..5.0), 1..7),
        ) {
            let rows: Vec<Row> = rows
                .into_iter()
                .map(|(a, b)| Row { a: [a[0], a[1], a[2], 1.0], b })
                .collect();
            let (c, h) = ([0.0, 0.0, 0.0, 1.0], [4.0, 3.0, 2.0, 100.0]);
            let ours = maximize(c, &rows, h, |_| false).expect("bounded and feasible");
            let theirs = by_brute_force(c, &rows, h).expect("bounded and feasible");
            prop_assert!((ours.x[3] - theirs).abs() < 1e-5, "{} {}", ours.x[3], theirs);
            let sum: f64 = ours.rows[..ours.row_count].iter().map(|r| r.1).sum();
            prop_assert!((sum - 1.0).abs() < 1e-6);
        }
    }
}
