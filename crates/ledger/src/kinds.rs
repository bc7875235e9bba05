//! The table of kinds: what each kind of event touches, whether it is exclusive, whether it can be undone.

use crate::body;
use crate::event::ThingKind;

/// One row of the table.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Kind {
    /// The kind's name, as in the envelope.
    pub name: &'static str,
    /// Its version; the meaning of (name, version) never changes.
    pub version: u32,
    /// The kinds of thing it may touch.
    pub touches: &'static [ThingKind],
    /// Two concurrent exclusive events on one piece are a conflict.
    pub exclusive: bool,
    /// Whether an action of it can be taken back.
    pub undoable: bool,
}

/// Every kind that this program knows.
pub const KINDS: &[Kind] = body::ROWS;

/// The row of a kind and version.
pub fn find(name: &str, version: u32) -> Option<&'static Kind> {
    KINDS.iter().find(|k| k.name == name && k.version == version)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_row_twice_and_every_row_touches_something() {
        for (i, kind) in KINDS.iter().enumerate() {
            assert!(!kind.touches.is_empty(), "{}", kind.name);
            assert!(KINDS[i + 1..].iter().all(|k| (k.name, k.version) != (kind.name, kind.version)), "{}", kind.name);
        }
    }

    #[test]
    fn the_table_is_as_promised() {
        // A change here is a change of meaning: add a version instead.
        let table: String = KINDS
            .iter()
            .map(|k| {
                let touches: Vec<_> = k.touches.iter().map(|t| t.word()).collect();
                format!(
                    "{} v{} [{}] exclusive={} undoable={}\n",
                    k.name,
                    k.version,
                    touches.join(" "),
                    k.exclusive,
                    k.undoable
                )
            })
            .collect();
        insta::assert_snapshot!(table);
    }
}
