//! Everything random comes from here.

use sheetloft_store::Ids;
use uuid::Uuid;

/// A small seeded generator (xorshift64*, Vigna 2016).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        // Neighbouring seeds start far apart (constant of splitmix64, Steele and others 2014, from memory).
        Self((seed.wrapping_add(1)).wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// A number below `n`.
    pub fn roll(&mut self, n: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) as usize % n
    }

    /// Once in `n`.
    pub fn once_in(&mut self, n: usize) -> bool {
        self.roll(n) == 0
    }

    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> Option<&'a T> {
        if from.is_empty() { None } else { Some(&from[self.roll(from.len())]) }
    }

    pub fn bytes(&mut self) -> [u8; 32] {
        std::array::from_fn(|_| self.roll(256) as u8)
    }

    pub fn uuid(&mut self) -> Uuid {
        let bytes = self.bytes();
        Uuid::from_bytes(std::array::from_fn(|i| bytes[i]))
    }
}

/// Ids and clock of one device: wrong by up to a year, and sometimes it runs backwards.
pub struct Rim<'a> {
    pub dice: &'a mut Dice,
    pub now_ms: u64,
}

impl Ids for Rim<'_> {
    fn uuid(&mut self) -> Uuid {
        self.dice.uuid()
    }

    fn wall_ms(&mut self) -> u64 {
        self.now_ms
    }
}
