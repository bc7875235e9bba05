//! Everything random comes from here.

#![allow(dead_code)]

use uuid::Uuid;

/// A small seeded generator (xorshift64*, Vigna 2016).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed | 1)
    }

    pub fn roll(&mut self, n: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) as usize % n
    }

    pub fn uuid(&mut self) -> Uuid {
        let mut bits = 0_u128;
        for _ in 0..4 {
            bits = bits << 32 | self.roll(1 << 31) as u128;
        }
        Uuid::from_u128(bits)
    }

    /// Sums of any size, up to 10^12 minor units.
    pub fn sum(&mut self) -> i64 {
        let most = [100, 10_000, 1_000_000, 1_000_000_000_000][self.roll(4)];
        (self.roll(1 << 31) as i64).wrapping_mul(499) % (most + 1)
    }
}
