//! What a drawing has that its parts have not, and why.

use sheetloft_shapes::limits;

/// Something that was left out.
#[derive(Clone, PartialEq, Debug)]
pub struct LeftOut {
    /// What it is.
    pub what: What,
    /// How many of them, where alike things are counted together.
    pub count: u32,
    /// Where it is; of several, the first.
    pub place: Place,
    /// The reason.
    pub why: Why,
}

/// A place in a drawing.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Place {
    /// Its layer.
    pub layer: Option<String>,
    /// The block or group it stands in.
    pub block: Option<String>,
    /// The page, counted from 1, where the format has pages.
    pub page: Option<u32>,
    /// A point of it, mm.
    pub at_mm: Option<[f64; 2]>,
}

/// A kind of thing that can be left out.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub enum What {
    /// An entity; the name is the format's own, in lower case: `text`, `hatch`, …
    Entity(String),
    /// An inserted block, by its name.
    Block(String),
    /// A line or a curve.
    Line,
    /// Lines and curves joined end to end that do not close.
    OpenLine,
    /// A closed contour that would have been a part's outline.
    Outline,
    /// A closed contour that would have been a hole.
    Hole,
}

/// Why something was left out. `at` is a line of a text file, counted from 1, and a byte of a binary one.
#[derive(Clone, PartialEq, Debug)]
pub enum Why {
    /// A kind of thing that is no outline: text, dimensions, points, pictures.
    NoOutline,
    /// A kind of thing that may be an outline but is not read.
    KindNotRead,
    /// Its layer is frozen.
    LayerFrozen,
    /// Its layer is off.
    LayerOff,
    /// Its layer is one that is never cut.
    LayerNotCut,
    /// Its layer's name says that it is not cut, and there are others.
    LayerNamed,
    /// Its layer is not among those asked for, or was said not to be cut.
    LayerNotAsked,
    /// It has the colour of the paper.
    ColourOfPaper,
    /// It is an area that one can see through, without a line around it, beside others: a shadow or a tint.
    SeeThrough,
    /// It is the paper itself: an area as large as the page.
    Paper,
    /// It lies outside the page, or a clip hides all of it.
    Clipped,
    /// It is the rim of an area, and lines lie all along it.
    RimDrawn,
    /// It was drawn after the pen had been put away.
    NoPen,
    /// There is no typeface on this machine that has its letters.
    NoTypeface,
    /// It is marked as hidden.
    Hidden,
    /// It stands on a page of paper beside the drawing.
    OnPaper,
    /// A number of it is none.
    NotANumber {
        /// Where.
        at: usize,
    },
    /// It lacks a number without which it means nothing.
    Incomplete {
        /// Where.
        at: usize,
    },
    /// Its numbers make no curve.
    BadCurve {
        /// Where.
        at: usize,
    },
    /// It does not lie flat in the drawing's plane.
    Tilted,
    /// It has no length.
    NoLength,
    /// It reaches out of all bounds.
    TooFar,
    /// Its block is not in the file.
    NoSuchBlock,
    /// Its block is in another file.
    OtherFile,
    /// It lies on something that was drawn already.
    DrawnTwice,
    /// It does not close: this far from its end to the nearest other loose end, its own other one or another's.
    Open {
        /// The gap, mm.
        gap_mm: f64,
    },
    /// It crosses or touches itself at its place.
    CrossesItself,
    /// It crosses or touches another outline at its place.
    CrossesAnother,
    /// It encloses no area.
    NoArea,
    /// The outline that it is a hole of was left out.
    OutlineLeftOut,
    /// One of its holes was left out, so that it would not be what was meant.
    HoleLeftOut,
    /// It has more corners than are taken.
    TooManyCorners,
    /// It has more holes than are taken.
    TooManyHoles,
}

impl Why {
    /// A short word for the reason, the same whatever the numbers.
    pub fn key(&self) -> &'static str {
        match self {
            Self::NoOutline => "no-outline",
            Self::KindNotRead => "kind-not-read",
            Self::LayerFrozen => "layer-frozen",
            Self::LayerOff => "layer-off",
            Self::LayerNotCut => "layer-not-cut",
            Self::LayerNamed => "layer-named",
            Self::LayerNotAsked => "layer-not-asked",
            Self::ColourOfPaper => "colour-of-paper",
            Self::SeeThrough => "see-through",
            Self::Paper => "paper",
            Self::Clipped => "clipped",
            Self::RimDrawn => "rim-drawn",
            Self::NoPen => "no-pen",
            Self::NoTypeface => "no-typeface",
            Self::Hidden => "hidden",
            Self::OnPaper => "on-paper",
            Self::NotANumber { .. } => "not-a-number",
            Self::Incomplete { .. } => "incomplete",
            Self::BadCurve { .. } => "bad-curve",
            Self::Tilted => "tilted",
            Self::NoLength => "no-length",
            Self::TooFar => "too-far",
            Self::NoSuchBlock => "no-such-block",
            Self::OtherFile => "other-file",
            Self::DrawnTwice => "drawn-twice",
            Self::Open { .. } => "open",
            Self::CrossesItself => "crosses-itself",
            Self::CrossesAnother => "crosses-another",
            Self::NoArea => "no-area",
            Self::OutlineLeftOut => "outline-left-out",
            Self::HoleLeftOut => "hole-left-out",
            Self::TooManyCorners => "too-many-corners",
            Self::TooManyHoles => "too-many-holes",
        }
    }
}

impl std::fmt::Display for Why {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoOutline => f.write_str("it is no outline to cut"),
            Self::KindNotRead => f.write_str("this kind is not read; turn it into lines and arcs if it is to be cut"),
            Self::LayerFrozen => f.write_str("its layer is frozen"),
            Self::LayerOff => f.write_str("its layer is off"),
            Self::LayerNotCut => f.write_str("its layer is one that is never cut"),
            Self::LayerNamed => f.write_str("its layer's name says that it is not cut"),
            Self::LayerNotAsked => f.write_str("its layer was not asked for"),
            Self::ColourOfPaper => f.write_str("it has the colour of the paper"),
            Self::SeeThrough => f.write_str("it is an area that one can see through, without a line: a shadow"),
            Self::Paper => f.write_str("it is the paper itself, as large as the page"),
            Self::Clipped => f.write_str("it lies outside the page, or is hidden by a clip"),
            Self::RimDrawn => f.write_str("it is the rim of an area, and lines are drawn all along it"),
            Self::NoPen => f.write_str("the pen had been put away"),
            Self::NoTypeface => f.write_str("no typeface here has its letters; turn it into outlines"),
            Self::Hidden => f.write_str("it is marked as hidden"),
            Self::OnPaper => f.write_str("it stands on a page of paper, not in the drawing itself"),
            Self::NotANumber { at } => write!(f, "line {at} is not a number"),
            Self::Incomplete { at } => write!(f, "a coordinate is missing near line {at}"),
            Self::BadCurve { at } => write!(f, "the numbers from line {at} on make no curve"),
            Self::Tilted => f.write_str("it does not lie flat in the drawing's plane"),
            Self::NoLength => f.write_str("it has no length"),
            Self::TooFar => f.write_str("it reaches out of all bounds"),
            Self::NoSuchBlock => f.write_str("its block is not in the file"),
            Self::OtherFile => f.write_str("its block is in another file"),
            Self::DrawnTwice => f.write_str("it is drawn twice, one on the other"),
            Self::Open { gap_mm } => write!(f, "it does not close: there is a gap of {gap_mm:.3} mm"),
            Self::CrossesItself => f.write_str("it crosses or touches itself there"),
            Self::CrossesAnother => f.write_str("it crosses or touches another outline there"),
            Self::NoArea => f.write_str("it encloses no area"),
            Self::OutlineLeftOut => f.write_str("the outline around it was left out"),
            Self::HoleLeftOut => f.write_str("one of its holes crosses something and was left out"),
            Self::TooManyCorners => write!(f, "it has more than {} corners", limits::CORNERS_PER_RING),
            Self::TooManyHoles => write!(f, "it has more than {} holes or corners", limits::RINGS_PER_SHAPE - 1),
        }
    }
}

impl std::fmt::Display for What {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Entity(kind) => f.write_str(kind),
            Self::Block(name) => write!(f, "block '{name}'"),
            Self::Line => f.write_str("line or curve"),
            Self::OpenLine => f.write_str("open line"),
            Self::Outline => f.write_str("outline"),
            Self::Hole => f.write_str("hole"),
        }
    }
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mut words = Vec::new();
        if let Some([x, y]) = self.at_mm {
            words.push(format!("at {x:.3}, {y:.3}"));
        }
        if let Some(block) = &self.block {
            words.push(format!("in block '{block}'"));
        }
        if let Some(layer) = &self.layer {
            words.push(format!("on layer '{layer}'"));
        }
        if let Some(page) = self.page {
            words.push(format!("on page {page}"));
        }
        f.write_str(&words.join(" "))
    }
}

/// Something that is in the parts, but not quite as the file has it.
#[derive(Clone, PartialEq, Debug)]
pub struct Note {
    /// Where it is.
    pub place: Place,
    /// What it is.
    pub of: NoteOf,
}

/// The kinds of notes.
#[derive(Clone, PartialEq, Debug)]
pub enum NoteOf {
    /// Ends that did not meet were joined.
    Bridged {
        /// How far apart they were, mm.
        gap_mm: f64,
    },
    /// A curve of which the file has only points that it goes through; the curve between them is ours.
    ThroughPoints,
    /// A clip hides some of it in the drawing; it was taken whole.
    Clip,
    /// A line drawn wide, of which the middle is taken.
    Wide {
        /// How wide, mm.
        width_mm: f64,
    },
    /// Text was turned into outlines.
    Text {
        /// Some of the text.
        text: String,
        /// The typeface that drew it, where it is not the one that the file asks for.
        instead: Option<String>,
    },
    /// Its layer's name says that it is not cut, but there is nothing else.
    NamedButAlone,
}

impl Note {
    /// A short word for the kind of note.
    pub fn key(&self) -> &'static str {
        match self.of {
            NoteOf::Bridged { .. } => "bridged",
            NoteOf::ThroughPoints => "through-points",
            NoteOf::Clip => "clip",
            NoteOf::Wide { .. } => "wide",
            NoteOf::Text { instead: None, .. } => "text",
            NoteOf::Text { .. } => "text-instead",
            NoteOf::NamedButAlone => "named-but-alone",
        }
    }
}

impl std::fmt::Display for Note {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let place = &self.place;
        match &self.of {
            NoteOf::Bridged { gap_mm } => write!(f, "a gap of {gap_mm:.3} mm was bridged {place}"),
            NoteOf::ThroughPoints => {
                write!(f, "a curve {place} is given only by points it goes through; check its shape")
            }
            NoteOf::Clip => write!(f, "a clip hides some of what is {place}; it was taken whole"),
            NoteOf::Wide { width_mm } => write!(f, "a line {width_mm:.2} mm wide {place} is taken along its middle"),
            NoteOf::Text { text, instead: None } => write!(f, "the text '{text}' {place} was turned into outlines"),
            NoteOf::Text { text, instead: Some(name) } => {
                write!(f, "the text '{text}' {place} was turned into outlines of {name}, not of its own typeface")
            }
            NoteOf::NamedButAlone => {
                write!(
                    f,
                    "what is {place} is taken as cut lines, though its name says otherwise: there is nothing else"
                )
            }
        }
    }
}
