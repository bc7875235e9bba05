//! Trees of discs: one disc vouches for those below it, so that most need no look.

use crate::discs::Disc;

/// A disc that must keep clear, and how much its followers may lack where it lacks nothing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Knot {
    pub disc: Disc,
    /// No knot below this one has a slack that is smaller by more than this.
    pub cover: f64,
    /// No knot below this one lies further away.
    pub spread: f64,
    /// Its followers, as a range of [`Knots::kids`].
    pub kids: (u32, u32),
}

/// A forest of knots.
#[derive(Clone, Debug, Default)]
pub(crate) struct Knots {
    pub all: Vec<Knot>,
    pub kids: Vec<u32>,
    pub roots: Vec<u32>,
}

impl Knots {
    /// How much the slack of `follower` may be below that of `leader`, wherever they lie.
    fn lack(leader: &Disc, follower: &Disc) -> f64 {
        ((follower.c - leader.c).norm() + follower.r - leader.r).max(0.0)
    }

    /// Adds discs of which each is best vouched for by one before it (the first ones stand for the most).
    pub fn add_chosen(&mut self, discs: &[Disc]) {
        let base = self.all.len() as u32;
        let mut followers: Vec<Vec<u32>> = vec![Vec::new(); discs.len()];
        let mut leader = vec![0usize; discs.len()];
        for i in 1..discs.len() {
            let best = (0..i)
                .min_by(|&a, &b| Self::lack(&discs[a], &discs[i]).total_cmp(&Self::lack(&discs[b], &discs[i])))
                .unwrap_or(0);
            leader[i] = best;
            followers[best].push(base + i as u32);
        }
        let mut cover = vec![(0.0f64, 0.0f64); discs.len()];
        for i in (1..discs.len()).rev() {
            let (lack, apart) = (Self::lack(&discs[leader[i]], &discs[i]), (discs[i].c - discs[leader[i]].c).norm());
            let up = (lack + cover[i].0, apart + cover[i].1);
            let own = &mut cover[leader[i]];
            *own = (own.0.max(up.0), own.1.max(up.1));
        }
        for (i, disc) in discs.iter().enumerate() {
            let from = self.kids.len() as u32;
            self.kids.extend(&followers[i]);
            self.all.push(Knot {
                disc: *disc,
                cover: cover[i].0,
                spread: cover[i].1,
                kids: (from, self.kids.len() as u32),
            });
        }
        if !discs.is_empty() {
            self.roots.push(base);
        }
    }

    /// Adds discs that follow each other along a line: the middle one vouches for the halves on either side.
    pub fn add_along(&mut self, discs: &[Disc]) {
        if let Some(root) = self.halves(discs) {
            self.roots.push(root);
        }
    }

    fn halves(&mut self, discs: &[Disc]) -> Option<u32> {
        if discs.is_empty() {
            return None;
        }
        let at = discs.len() / 2;
        let disc = discs[at];
        let (mut cover, mut spread) = (0.0f64, 0.0f64);
        for d in discs {
            cover = cover.max(Self::lack(&disc, d));
            spread = spread.max((d.c - disc.c).norm());
        }
        let halves = [self.halves(&discs[..at]), self.halves(&discs[at + 1..])];
        let from = self.kids.len() as u32;
        self.kids.extend(halves.into_iter().flatten());
        self.all.push(Knot { disc, cover, spread, kids: (from, self.kids.len() as u32) });
        Some(self.all.len() as u32 - 1)
    }
}
