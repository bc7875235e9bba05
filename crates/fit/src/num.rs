//! Vectors in double precision for the search; deterministic, for only exactly rounded operations are used.

use std::ops::{Add, Mul, Neg, Sub};

use sheetloft_shapes::Point;

/// A point or vector, µm.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(crate) struct V {
    pub x: f64,
    pub y: f64,
}

/// Shorthand for a [`V`].
pub(crate) const fn v(x: f64, y: f64) -> V {
    V { x, y }
}

impl V {
    pub fn dot(self, o: V) -> f64 {
        self.x * o.x + self.y * o.y
    }

    /// Above zero where `o` lies to the left of `self`.
    pub fn cross(self, o: V) -> f64 {
        self.x * o.y - self.y * o.x
    }

    pub fn norm2(self) -> f64 {
        self.dot(self)
    }

    // `f64::hypot` is the system's and differs between machines; `sqrt` is exactly rounded everywhere.
    pub fn norm(self) -> f64 {
        self.norm2().sqrt()
    }

    /// A quarter turn counter-clockwise.
    pub fn left(self) -> V {
        v(-self.y, self.x)
    }

    /// Turned counter-clockwise.
    pub fn turned(self, r: Rot) -> V {
        v(self.x * r.cos - self.y * r.sin, self.x * r.sin + self.y * r.cos)
    }

    /// Turned clockwise.
    pub fn turned_back(self, r: Rot) -> V {
        v(self.x * r.cos + self.y * r.sin, self.y * r.cos - self.x * r.sin)
    }
}

impl From<Point> for V {
    fn from(p: Point) -> V {
        v(f64::from(p.x), f64::from(p.y))
    }
}

impl Add for V {
    type Output = V;
    fn add(self, o: V) -> V {
        v(self.x + o.x, self.y + o.y)
    }
}

impl Sub for V {
    type Output = V;
    fn sub(self, o: V) -> V {
        v(self.x - o.x, self.y - o.y)
    }
}

impl Neg for V {
    type Output = V;
    fn neg(self) -> V {
        v(-self.x, -self.y)
    }
}

impl Mul<f64> for V {
    type Output = V;
    fn mul(self, k: f64) -> V {
        v(self.x * k, self.y * k)
    }
}

/// A rotation by its sine and cosine.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Rot {
    pub sin: f64,
    pub cos: f64,
}

impl Rot {
    pub fn of(angle: f64) -> Rot {
        Rot { sin: libm::sin(angle), cos: libm::cos(angle) }
    }
}
