//! What is on a label, as plain data. Every text arrives ready-made in the reader's language.

use sheetloft_shapes::{Shape, Turn};

/// One label.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Label {
    /// For a sheet or an offcut.
    Piece(PieceLabel),
    /// For a rack.
    Rack(RackLabel),
}

impl Label {
    /// The content of its code.
    pub fn payload(&self) -> &str {
        match self {
            Self::Piece(piece) => &piece.payload,
            Self::Rack(rack) => &rack.payload,
        }
    }

    /// What a person calls the thing that it is for.
    pub fn title(&self) -> &str {
        match self {
            Self::Piece(piece) => &piece.code,
            Self::Rack(rack) => &rack.name,
        }
    }
}

/// The label of a sheet, a stack of sheets or an offcut. Empty texts and those that are `None` take no room.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct PieceLabel {
    /// The code that a person reads and types, `7K-004TK`.
    pub code: String,
    /// What a scanner reads: digits, capital letters, space and `$%*+-./:` only.
    pub payload: String,
    /// Material with its thickness, "acrylic clear 3 mm".
    pub material: String,
    /// The sizes that a person would say, the one that matters most first, "610 × 403 mm".
    pub sizes: Vec<String>,
    /// The true outline, in the piece's own coordinates; `None` where a picture says nothing, as with a sheet.
    pub outline: Option<Shape>,
    /// Direction of the grain in the piece's coordinates, counter-clockwise from x; `None` where it has none.
    /// It is shown on the picture, so it wants an outline.
    pub grain: Option<Turn>,
    /// The order that holds it, "for O-7K-00716".
    pub order: Option<String>,
    /// The lot that it came with: colour varies between lots.
    pub lot: Option<String>,
    /// When it came into being.
    pub date: Option<String>,
}

/// The label of a rack.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct RackLabel {
    /// The rack's name.
    pub name: String,
    /// What a scanner reads: digits, capital letters, space and `$%*+-./:` only.
    pub payload: String,
}
