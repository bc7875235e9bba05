//! What is on a label, as plain data. Every text arrives ready-made in the reader's language.

use sheetloft_shapes::{Point, Shape, Turn};

/// One label.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Label {
    /// For a sheet or an offcut; and, with words of their own, for an order or a cut part.
    Piece(PieceLabel),
    /// The same twice, to be folded in the middle: its blank ends go on both faces of a piece of which only the side
    /// shows, and the rest stands out like a flag, to be read from either side.
    Flag(PieceLabel),
    /// For a rack.
    Rack(RackLabel),
}

impl Label {
    /// The content of its code.
    pub fn payload(&self) -> &str {
        match self {
            Self::Piece(piece) | Self::Flag(piece) => &piece.payload,
            Self::Rack(rack) => &rack.payload,
        }
    }

    /// What a person calls the thing that it is for.
    pub fn title(&self) -> &str {
        match self {
            Self::Piece(piece) | Self::Flag(piece) => &piece.code,
            Self::Rack(rack) => &rack.name,
        }
    }
}

/// The label of a sheet, a stack of sheets or an offcut; of an order or a cut part too. Empty texts and those that are `None` take no room.
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
    /// The side that goes to the machine's stop, from the corner that does, in the piece's coordinates: in the picture
    /// it lies below, with an arrow along it, so that a label stuck into that corner the right way up says where the
    /// piece belongs.
    pub datum: Option<[Point; 2]>,
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
