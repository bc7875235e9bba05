//! Chance that follows from a seed: the same on every machine.

/// SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
#[derive(Clone, Debug)]
pub(crate) struct Rng(u64);

impl Rng {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A generator for a part of the work, independent of how much others have drawn.
    pub fn for_part(seed: u64, part: u64) -> Self {
        let mut rng = Self(seed ^ part.wrapping_mul(0xd1b5_4a32_d192_ed03));
        rng.next();
        Self(rng.next())
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// In 0 .. 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// In `lo` .. `hi`; `lo` where the range is empty.
    pub fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo).max(0.0) * self.unit()
    }

    /// In 0 .. `n`; `n` above 0.
    pub fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.next()) * n as u128) >> 64) as usize
    }

    pub fn shuffle<T>(&mut self, of: &mut [T]) {
        for i in (1..of.len()).rev() {
            of.swap(i, self.below(i + 1));
        }
    }
}
