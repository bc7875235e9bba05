//! The layers and colours of a drawing: which of them hold cut lines.
//!
//! A person's word beats what was remembered, that beats what a name says, and what is off or frozen is only taken
//! where a person asks for it.

use std::collections::HashMap;
use std::rc::Rc;

use crate::sketch::{Spot, Stroke};
use crate::{LayerChoice, Options, Why, layout};

/// A colour of a drawing: red, green, blue.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Colour(pub [u8; 3]);

impl std::fmt::Display for Colour {
    /// As in SVG: `#rrggbb`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let [r, g, b] = self.0;
        write!(f, "#{r:02x}{g:02x}{b:02x}")
    }
}

impl Colour {
    /// Whether it cannot be told from white paper.
    pub(crate) fn is_paper(self) -> bool {
        self.0.iter().all(|v| *v >= 250)
    }
}

/// The lines of one layer and colour.
#[derive(Clone, PartialEq, Debug)]
pub struct Layer {
    /// The layer's name: a layer of DXF, a layer or group of SVG and PDF, a pen of HP-GL.
    pub name: String,
    /// Its colour, where the format has colours.
    pub colour: Option<Colour>,
    /// How many lines and curves there are on it, as drawn.
    pub lines: u32,
    /// Whether they are taken as cut lines.
    pub cut: bool,
    /// How that was decided.
    pub said_by: LayerSaidBy,
}

/// How it was decided whether a layer is cut.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LayerSaidBy {
    /// Nothing speaks against it: it is cut.
    Nobody,
    /// Its name says that it is not cut.
    Name,
    /// Its colour is that of the paper, or one can see through it: it is not cut.
    Colour,
    /// The file says that it is off, frozen or hidden: it is not cut.
    File,
    /// The person said so.
    Person,
    /// The person said so of an earlier drawing.
    Remembered,
}

impl Layer {
    /// What a person calls it: the name, with the colour where there is one.
    pub fn key(&self) -> String {
        key(&self.name, self.colour)
    }

    /// Whether a person's word means this layer: its name, its colour, or both.
    pub fn is_meant_by(&self, word: &str) -> bool {
        means(word, &self.name, self.colour)
    }
}

fn key(name: &str, colour: Option<Colour>) -> String {
    match colour {
        Some(colour) if name.is_empty() => colour.to_string(),
        Some(colour) => format!("{name} {colour}"),
        None => name.to_owned(),
    }
}

/// Whether a person's word means this layer: its name, its colour, or both with a space between.
fn means(word: &str, name: &str, colour: Option<Colour>) -> bool {
    let word = word.trim().to_lowercase();
    let (name, colour) = (name.to_lowercase(), colour.map(|c| c.to_string()));
    word == name
        || colour.as_ref() == Some(&word)
        || colour.is_some_and(|c| word.strip_suffix(c.as_str()).is_some_and(|w| w.trim_end() == name))
}

/// Layers that are never cut: where CAD programs put the points of their dimensions, and what our own layouts hold
/// beside the cut lines.
fn is_never_cut(name: &str) -> bool {
    ["DEFPOINTS", layout::RIM_LAYER, layout::KEPT_LAYER, layout::STRAIGHT_LAYER, layout::NOTES_LAYER]
        .iter()
        .any(|n| name.eq_ignore_ascii_case(n))
}

/// Words of a layer's name that say it is cut, whatever else the name says (common practice, no source).
const CUT: &[&str] = &[
    "cut",
    "cuts",
    "cutting",
    "cutline",
    "cutlines",
    "outline",
    "outlines",
    "contour",
    "contours",
    "profile",
    "through",
    "schnitt",
    "schneiden",
    "kontur",
    "konturen",
    "ausschnitt",
    "coupe",
    "decoupe",
    "découpe",
    "corte",
    "cortar",
    "taglio",
    "snij",
    "snijden",
    "snijlijn",
];

/// Words of a layer's name that say it is not cut (common practice, no source).
const NOT_CUT: &[&str] = &[
    // dimensions
    "dim",
    "dims",
    "dimension",
    "dimensions",
    "dimensioning",
    "measure",
    "measures",
    "bemassung",
    "bemaßung",
    "masse",
    "maße",
    "cote",
    "cotes",
    "cotation",
    "cota",
    "cotas",
    "quota",
    "quote",
    "maat",
    "maten",
    "maatvoering",
    // writing
    "text",
    "texts",
    "txt",
    "note",
    "notes",
    "annotation",
    "annotations",
    "label",
    "labels",
    "beschriftung",
    "texte",
    "texto",
    "testo",
    "tekst",
    // frame and title
    "frame",
    "frames",
    "border",
    "borders",
    "title",
    "titleblock",
    "legend",
    "rahmen",
    "schriftfeld",
    "cadre",
    "cartouche",
    "marco",
    "cornice",
    "kader",
    "background",
    // engraving, scoring, folding
    "engrave",
    "engraved",
    "engraving",
    "etch",
    "etched",
    "etching",
    "mark",
    "marks",
    "marking",
    "score",
    "scored",
    "scoring",
    "crease",
    "creases",
    "fold",
    "folds",
    "bend",
    "bends",
    "bendline",
    "bendlines",
    "gravur",
    "gravieren",
    "falz",
    "biegelinie",
    "biegelinien",
    "gravure",
    "graver",
    "gravage",
    "pli",
    "plis",
    "grabado",
    "pliegue",
    "incisione",
    "graveren",
    // lines that help to draw
    "centre",
    "centres",
    "center",
    "centers",
    "centerline",
    "centerlines",
    "centreline",
    "centrelines",
    "axis",
    "axes",
    "construction",
    "guide",
    "guides",
    "guideline",
    "guidelines",
    "hidden",
    "reference",
    "viewport",
    "viewports",
    "mittellinie",
    "mittellinien",
    "hilfslinie",
    "hilfslinien",
    "axe",
    "eje",
    "ejes",
    "asse",
    "assi",
    "hartlijn",
    "hartlijnen",
    // fillings and pictures
    "hatch",
    "hatches",
    "hatching",
    "schraffur",
    "hachure",
    "hachures",
    "sombreado",
    "arcering",
    "image",
    "images",
    "picture",
    "pictures",
    "photo",
];

/// Whether a name says that what it names is not cut.
fn is_named_not_cut(name: &str) -> bool {
    let mut words: Vec<String> = Vec::new();
    let mut last = ' ';
    for c in name.chars() {
        // A new word after anything but a letter, and at a capital after a small letter.
        if !last.is_alphabetic() || c.is_uppercase() && last.is_lowercase() {
            words.push(String::new());
        }
        if c.is_alphabetic()
            && let Some(word) = words.last_mut()
        {
            word.extend(c.to_lowercase());
        }
        last = c;
    }
    let any = |list: &[&str]| words.iter().any(|w| list.contains(&w.as_str()));
    !any(CUT) && any(NOT_CUT)
}

/// What was decided of each layer, and the strokes that are cut.
pub(crate) struct Sorted {
    pub(crate) layers: Vec<Layer>,
    pub(crate) cut: Vec<Stroke>,
    /// The others, each with the reason.
    pub(crate) not_cut: Vec<(Stroke, Why)>,
    /// Layers that are cut although their name says otherwise, since there is nothing else: where some of each is.
    pub(crate) named_but_alone: Vec<Spot>,
}

/// Sorts strokes into those that are cut and those that are not.
pub(crate) fn sort(strokes: Vec<Stroke>, options: &Options) -> Sorted {
    let mut verdicts: HashMap<(Rc<str>, Option<Colour>), Verdict> = HashMap::new();
    for stroke in &strokes {
        let name = (stroke.layer.clone(), stroke.colour);
        verdicts.entry(name).or_insert_with_key(|(name, colour)| verdict(name, *colour, options));
    }
    let verdict_of = |s: &Stroke| verdicts[&(s.layer.clone(), s.colour)];
    let is_plain = |s: &Stroke| s.unseen.is_none() && verdict_of(s).cut() && verdict_of(s) != Verdict::Named;
    // Where all that is to be seen is on layers whose names say that it is not cut, names say nothing; nor does it
    // where all is see-through.
    let alone = !strokes.iter().any(is_plain) && options.only.is_none();
    let mut sorted = Sorted { layers: Vec::new(), cut: Vec::new(), not_cut: Vec::new(), named_but_alone: Vec::new() };
    let mut rows: HashMap<(Rc<str>, Option<Colour>), usize> = HashMap::new();
    for stroke in strokes {
        let verdict = verdict_of(&stroke);
        let why = match (&stroke.unseen, verdict) {
            (_, Verdict::Never) => Some(Why::LayerNotCut),
            (_, Verdict::Not(_)) => Some(Why::LayerNotAsked),
            (_, Verdict::Asked(_)) => None,
            (Some(Why::SeeThrough), _) if alone => None,
            (Some(why), _) => Some(why.clone()),
            (None, Verdict::Named) if !alone => Some(Why::LayerNamed),
            (None, _) => None,
        };
        let row = *rows.entry((stroke.layer.clone(), stroke.colour)).or_insert_with(|| {
            sorted.layers.push(Layer {
                name: stroke.layer.to_string(),
                colour: stroke.colour,
                lines: 0,
                cut: false,
                said_by: match verdict {
                    Verdict::Never | Verdict::Named => LayerSaidBy::Name,
                    Verdict::Not(by) | Verdict::Asked(by) => by,
                    Verdict::Plain if matches!(stroke.unseen, Some(Why::ColourOfPaper | Why::SeeThrough)) => {
                        LayerSaidBy::Colour
                    }
                    Verdict::Plain if stroke.unseen.is_some() => LayerSaidBy::File,
                    Verdict::Plain => LayerSaidBy::Nobody,
                },
            });
            sorted.layers.len() - 1
        });
        let layer = &mut sorted.layers[row];
        layer.lines += 1;
        match why {
            Some(why) => sorted.not_cut.push((stroke, why)),
            None => {
                if !layer.cut && verdict == Verdict::Named {
                    sorted.named_but_alone.push(stroke.spot(Some(stroke.path.start)));
                }
                layer.cut = true;
                sorted.cut.push(stroke);
            }
        }
    }
    for layer in sorted.layers.iter_mut().filter(|l| l.cut) {
        // Some of it is seen.
        if matches!(layer.said_by, LayerSaidBy::Colour | LayerSaidBy::File | LayerSaidBy::Name) {
            layer.said_by = LayerSaidBy::Nobody;
        }
    }
    sorted
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Verdict {
    /// Never cut, unless a person asks for it.
    Never,
    /// Not cut by its name.
    Named,
    /// Said not to be cut.
    Not(LayerSaidBy),
    /// Said to be cut.
    Asked(LayerSaidBy),
    Plain,
}

impl Verdict {
    fn cut(self) -> bool {
        !matches!(self, Self::Never | Self::Not(_))
    }
}

fn verdict(name: &str, colour: Option<Colour>, options: &Options) -> Verdict {
    let is = |words: &[String]| words.iter().any(|w| means(w, name, colour));
    if is(&options.skip) {
        return Verdict::Not(LayerSaidBy::Person);
    }
    if let Some(only) = &options.only {
        return if is(only) { Verdict::Asked(LayerSaidBy::Person) } else { Verdict::Not(LayerSaidBy::Person) };
    }
    if let Some(cut) = remembered(name, colour, &options.remembered) {
        let by = LayerSaidBy::Remembered;
        return if cut { Verdict::Asked(by) } else { Verdict::Not(by) };
    }
    if is_never_cut(name) {
        Verdict::Never
    } else if is_named_not_cut(name) {
        Verdict::Named
    } else {
        Verdict::Plain
    }
}

/// What was said of the same layer and colour; else what was said of the layer's name in all its colours.
fn remembered(name: &str, colour: Option<Colour>, choices: &[LayerChoice]) -> Option<bool> {
    let whole = key(name, colour).to_lowercase();
    if let Some(choice) = choices.iter().rev().find(|c| c.layer.to_lowercase() == whole) {
        return Some(choice.cut);
    }
    if name.is_empty() {
        return None;
    }
    let name = name.to_lowercase();
    let bare = |c: &LayerChoice| {
        let layer = c.layer.to_lowercase();
        // A colour is a hash and six digits behind a space.
        let cut = layer.len().checked_sub(8).filter(|&at| layer.is_char_boundary(at) && layer[at..].starts_with(" #"));
        cut.map_or(layer.clone(), |at| layer[..at].to_owned())
    };
    let mut of_name = choices.iter().filter(|c| bare(c) == name).map(|c| c.cut);
    let first = of_name.next()?;
    of_name.all(|cut| cut == first).then_some(first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_say_what_is_not_cut() {
        for name in
            ["Dimensions", "DIM_25", "EngraveLines", "Bemaßung", "text", "A-ANNO-NOTES", "Frame 2", "fold lines"]
        {
            assert!(is_named_not_cut(name), "{name}");
        }
        for name in ["0", "CUT", "cut frame", "Layer 1", "Plates", "framework", "Konturen Gravur", "pen 1", ""] {
            assert!(!is_named_not_cut(name), "{name}");
        }
    }

    #[test]
    fn words_mean_a_layer_by_name_or_colour_or_both() {
        let red = Some(Colour([255, 0, 0]));
        for word in ["Plates", "plates", "#FF0000", "plates #ff0000", " PLATES "] {
            assert!(means(word, "Plates", red), "{word}");
        }
        for word in ["plate", "#ff0001", "#ff0000 plates", "x #ff0000", ""] {
            assert!(!means(word, "Plates", red), "{word}");
        }
    }

    #[test]
    fn what_was_said_of_one_colour_holds_for_others_unless_it_differed() {
        let choice = |layer: &str, cut| LayerChoice { layer: layer.to_owned(), cut };
        let said = [choice("A #ff0000", false), choice("B #ff0000", false), choice("B #0000ff", true)];
        assert_eq!(remembered("a", Some(Colour([255, 0, 0])), &said), Some(false));
        assert_eq!(remembered("A", Some(Colour([0, 0, 0])), &said), Some(false));
        assert_eq!(remembered("B", Some(Colour([0, 0, 255])), &said), Some(true));
        assert_eq!(remembered("B", None, &said), None);
        assert_eq!(remembered("C", None, &said), None);
    }
}
