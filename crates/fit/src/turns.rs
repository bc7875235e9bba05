//! Which turns a part may take on a piece: spans of angles, in whole microdegrees.

use serde::{Deserialize, Serialize};
use sheetloft_shapes::Turn;
use sheetloft_shapes::place::FULL_TURN_UDEG;

/// The angles a part may be turned by, counter-clockwise, as closed spans.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Turns {
    spans: Vec<Span>,
}

/// A closed span of turns, in microdegrees: it begins at `from` (0 ..= 359 999 999) and is `width` wide; a span
/// of width 0 is one fixed turn, one of 360 000 000 the full circle.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub struct Span {
    /// Where it begins, microdegrees.
    pub from: i64,
    /// How wide it is, microdegrees.
    pub width: i64,
}

impl Span {
    /// Whether the turn lies in the span.
    pub fn holds(&self, turn: Turn) -> bool {
        (turn.0 - self.from).rem_euclid(FULL_TURN_UDEG) <= self.width
    }
}

impl Turns {
    /// Every turn.
    pub fn any() -> Self {
        Self { spans: vec![Span { from: 0, width: FULL_TURN_UDEG }] }
    }

    /// 0°, 90°, 180° and 270°.
    pub fn quarter() -> Self {
        Self::fixed(&[0, 90_000_000, 180_000_000, 270_000_000].map(Turn))
    }

    /// 0° and 180°.
    pub fn half() -> Self {
        Self::fixed(&[0, 180_000_000].map(Turn))
    }

    /// As drawn.
    pub fn none() -> Self {
        Self::fixed(&[Turn(0)])
    }

    /// Only these turns.
    pub fn fixed(turns: &[Turn]) -> Self {
        Self::spans(turns.iter().map(|t| Span { from: t.0, width: 0 }))
    }

    /// Spans as given; widths are kept within 0 ..= 360°.
    pub fn spans(spans: impl IntoIterator<Item = Span>) -> Self {
        let mut spans: Vec<Span> = spans
            .into_iter()
            .map(|s| Span { from: s.from.rem_euclid(FULL_TURN_UDEG), width: s.width.clamp(0, FULL_TURN_UDEG) })
            .collect();
        spans.sort_unstable();
        spans.dedup();
        if let Some(full) = spans.iter().find(|s| s.width == FULL_TURN_UDEG) {
            spans = vec![*full];
        }
        Self { spans }
    }

    /// These turns on a piece whose grain lies at `base` from the x axis, known to within ± `tolerance_udeg`.
    pub fn about(&self, base: Turn, tolerance_udeg: i64) -> Self {
        Self::spans(self.spans.iter().map(|s| {
            if s.width == FULL_TURN_UDEG {
                *s
            } else {
                Span { from: s.from + base.0 - tolerance_udeg.max(0), width: s.width + 2 * tolerance_udeg.max(0) }
            }
        }))
    }

    /// Those of the turns that lie in one of the spans given.
    pub fn within(&self, spans: &[Span]) -> Self {
        let mut common = Vec::new();
        for own in &self.spans {
            if own.width == FULL_TURN_UDEG {
                return Self::spans(spans.iter().copied());
            }
            for other in spans {
                let offset = (other.from - own.from).rem_euclid(FULL_TURN_UDEG);
                if offset <= own.width {
                    common.push(Span { from: other.from, width: other.width.min(own.width - offset) });
                }
                // The other may come around to the beginning of this one.
                let past = offset + other.width - FULL_TURN_UDEG;
                if past >= 0 && offset > 0 {
                    common.push(Span { from: own.from, width: past.min(own.width) });
                }
            }
        }
        Self::spans(common)
    }

    /// The spans, in order of where they begin.
    pub fn as_spans(&self) -> &[Span] {
        &self.spans
    }

    /// Whether every turn is allowed.
    pub fn is_any(&self) -> bool {
        self.spans.iter().any(|s| s.width == FULL_TURN_UDEG)
    }

    /// Whether the turn is allowed.
    pub fn allow(&self, turn: Turn) -> bool {
        self.spans.iter().any(|s| s.holds(turn))
    }
}
