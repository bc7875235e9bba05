//! Looks through an SVG before it is made into paths: how much will come of it, what is hidden, what its groups are
//! called, and which unit it is in.

use std::collections::HashMap;

use sheetloft_shapes::limits;
use usvg::roxmltree::{Document, Node, NodeId};

use crate::{DrawingError, Unit};

/// Most letters of text that are turned into outlines.
const LETTERS: usize = limits::DRAWING_WORDS;
/// Most pairs of a rule of a style sheet and an element that it may be for.
const RULES: usize = 50_000_000;

/// What was seen.
#[derive(Default)]
pub(super) struct Seen {
    /// What groups and shapes are called, by their `id`, where it says something.
    pub(super) names: HashMap<String, Name>,
    /// Whether groups are marked as layers.
    pub(super) has_layers: bool,
    pub(super) has_text: bool,
    /// How many texts there are to be seen.
    pub(super) texts: usize,
    /// Elements that are hidden, and pictures, with what they are.
    pub(super) hidden: Vec<String>,
    pub(super) pictures: usize,
    /// The unit that width or height are in, where it is one of length.
    pub(super) unit: Option<Unit>,
    /// `viewBox`: x, y, width, height.
    pub(super) view: Option<[f64; 4]>,
}

/// What a group or shape is called.
pub(super) struct Name {
    pub(super) name: String,
    pub(super) is_layer: bool,
}

/// Looks through a document.
///
/// # Errors
/// Where too much would come of it.
pub(super) fn look(document: &Document<'_>) -> Result<Seen, DrawingError> {
    let root = document.root_element();
    if root.tag_name().name() != "svg" {
        return Err(DrawingError::Unreadable {
            why: format!("its first element is <{}>, not <svg>", shown(root.tag_name().name())),
        });
    }
    let mut seen = Seen { view: view(root), unit: unit(root), ..Seen::default() };
    let mut ids: HashMap<&str, Node<'_, '_>> = HashMap::new();
    let mut styles = Vec::new();
    for node in root.descendants().filter(Node::is_element) {
        if let Some(id) = node.attribute("id") {
            ids.entry(id).or_insert(node);
            note_name(node, id, &mut seen);
        }
        match node.tag_name().name() {
            "style" => styles.push(node.text().unwrap_or_default()),
            "text" => {
                seen.has_text = true;
                let said =
                    node.descendants().filter(Node::is_text).any(|t| t.text().is_some_and(|t| !t.trim().is_empty()));
                seen.texts += usize::from(said && !is_hidden_somewhere(node));
            }
            "image" => seen.pictures += 1,
            _ => {}
        }
        if is_hidden(node) && seen.hidden.len() < limits::DRAWING_LISTED {
            seen.hidden.push(shown(node.tag_name().name()));
        }
    }
    let style: String = styles.concat();
    let mut counter = Counter { ids: &ids, known: HashMap::new(), style: references(&style, "") };
    let all = counter.count(root, 0)?;
    if all.nodes > limits::DRAWING_ENTITIES as u64 {
        return Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
    }
    if all.letters > LETTERS as u64 || all.data > limits::FILE_BYTES as u64 {
        return Err(DrawingError::TooManyCorners { most: limits::DRAWING_SEGMENTS });
    }
    if style.matches('{').count() as u64 * all.nodes > RULES as u64 {
        return Err(DrawingError::TooInvolved);
    }
    Ok(seen)
}

fn shown(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

fn view(root: Node<'_, '_>) -> Option<[f64; 4]> {
    let numbers: Vec<f64> = root
        .attribute("viewBox")?
        .split(|c: char| c == ',' || c.is_whitespace())
        .filter(|t| !t.is_empty())
        .map_while(|t| t.parse().ok().filter(|v: &f64| v.is_finite()))
        .collect();
    let [x, y, w, h] = *numbers.as_slice() else { return None };
    (w > 0.0 && h > 0.0).then_some([x, y, w, h])
}

/// The unit of the root's width or height: one of length, not of the screen.
fn unit(root: Node<'_, '_>) -> Option<Unit> {
    ["width", "height"].into_iter().find_map(|name| {
        let text = root.attribute(name)?.trim();
        let unit = text.trim_start_matches(|c: char| c.is_ascii_digit() || ".+-".contains(c)).trim();
        // An exponent before the unit.
        let unit = unit
            .strip_prefix(['e', 'E'])
            .filter(|r| r.starts_with(|c: char| c.is_ascii_digit() || c == '-'))
            .map_or(unit, |rest| rest.trim_start_matches(|c: char| c.is_ascii_digit() || c == '-'));
        match unit {
            "mm" | "q" | "Q" => Some(Unit::Mm),
            "cm" => Some(Unit::Cm),
            "in" => Some(Unit::In),
            "pt" | "pc" => Some(Unit::Pt),
            _ => None,
        }
    })
}

/// A property, as attribute or in `style`.
fn property<'a>(node: Node<'a, '_>, name: &str) -> Option<&'a str> {
    let styled = node.attribute("style").and_then(|style| {
        style.split(';').find_map(|d| d.split_once(':').filter(|(n, _)| n.trim() == name).map(|(_, v)| v.trim()))
    });
    styled.or_else(|| node.attribute(name))
}

fn is_hidden(node: Node<'_, '_>) -> bool {
    property(node, "display") == Some("none")
        || property(node, "visibility").is_some_and(|v| v == "hidden" || v == "collapse")
}

fn is_hidden_somewhere(node: Node<'_, '_>) -> bool {
    let defined = ["defs", "symbol", "clipPath", "mask", "pattern", "marker"];
    node.ancestors().any(|n| is_hidden(n) || defined.contains(&n.tag_name().name()))
}

/// Keeps what an element is called: its label, where a drawing program has given it one, else its `id`, unless that is
/// one that a program made up.
fn note_name(node: Node<'_, '_>, id: &str, seen: &mut Seen) {
    let attribute =
        |name: &str| node.attributes().find(|a| a.name() == name && a.namespace().is_some()).map(|a| a.value());
    let label = attribute("label").map(str::trim).filter(|l| !l.is_empty());
    let is_layer = attribute("groupmode") == Some("layer");
    let made_up = || {
        let letters = id.trim_end_matches(|c: char| c.is_ascii_digit() || "-_.".contains(c)).to_lowercase();
        let kinds = [
            "", "g", "group", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "text", "tspan",
            "svg", "use", "layer", "shape", "image", "surface", "p", "a", "id", "flowroot",
        ];
        letters.len() == id.len()
            && id.len() > 12
            && !id.contains(['-', '_', ' '])
            && id.chars().any(|c| c.is_ascii_digit())
            || kinds.contains(&letters.as_str())
    };
    let name = match label {
        Some(label) => Some(label),
        None if is_layer || !made_up() => Some(id),
        None => None,
    };
    seen.has_layers |= is_layer;
    if let Some(name) = name {
        seen.names.entry(id.to_owned()).or_insert_with(|| Name { name: name.to_owned(), is_layer });
    }
}

/// What comes of an element and all in it, with all that it refers to.
#[derive(Clone, Copy, Default)]
struct Amount {
    nodes: u64,
    /// Bytes of path data.
    data: u64,
    /// Letters of text.
    letters: u64,
}

impl Amount {
    fn add(&mut self, other: Self, times: u64) {
        self.nodes = self.nodes.saturating_add(other.nodes.saturating_mul(times));
        self.data = self.data.saturating_add(other.data.saturating_mul(times));
        self.letters = self.letters.saturating_add(other.letters.saturating_mul(times));
    }
}

/// A reference to something by its `id`: whether a marker is meant, which stands at every corner.
struct Reference {
    id: String,
    is_marker: bool,
}

/// The references `url(#…)` in a text of declarations, or in the value of an attribute of that name.
fn references(text: &str, name: &str) -> Vec<Reference> {
    let mut found = Vec::new();
    for declaration in text.split([';', '{', '}']) {
        let is_marker = name.starts_with("marker") || name.is_empty() && declaration.contains("marker");
        for part in declaration.split("url(").skip(1) {
            let id = part.split(')').next().unwrap_or_default().trim().trim_matches(['"', '\'']).trim();
            if let Some(id) = id.strip_prefix('#') {
                found.push(Reference { id: id.to_owned(), is_marker });
            }
        }
    }
    found
}

struct Counter<'a, 'input> {
    ids: &'a HashMap<&'a str, Node<'a, 'input>>,
    /// What is known of elements; nothing for those that are being looked at.
    known: HashMap<NodeId, Option<Amount>>,
    /// References in style sheets, which any element may have.
    style: Vec<Reference>,
}

impl<'a, 'input> Counter<'a, 'input> {
    fn count(&mut self, node: Node<'a, 'input>, depth: usize) -> Result<Amount, DrawingError> {
        if depth > limits::DRAWING_ELEMENT_DEPTH {
            let block = shown(node.tag_name().name());
            return Err(DrawingError::TooDeep { block, most: limits::DRAWING_ELEMENT_DEPTH });
        }
        match self.known.get(&node.id()) {
            Some(Some(amount)) => return Ok(*amount),
            // It stands in itself: usvg drops it.
            Some(None) => return Ok(Amount::default()),
            None => {}
        }
        self.known.insert(node.id(), None);
        let data = ["d", "points"].into_iter().filter_map(|a| node.attribute(a)).map(str::len).sum::<usize>();
        let mut amount = Amount { nodes: 1, data: data as u64, letters: 0 };
        for child in node.children() {
            if child.is_element() {
                amount.add(self.count(child, depth + 1)?, 1);
            } else if child.is_text()
                && !matches!(node.tag_name().name(), "style" | "script" | "title" | "desc" | "metadata")
            {
                amount.letters += child.text().map_or(0, |t| t.trim().len()) as u64;
            }
        }
        let own = amount;
        let mut referred: Vec<(&str, u64)> = Vec::new();
        let mut found: Vec<Reference> = Vec::new();
        for attribute in node.attributes() {
            let value = attribute.value();
            match attribute.name() {
                "href" => referred.extend(value.strip_prefix('#').map(|id| (id, 1))),
                "style" => found.extend(references(value, "")),
                name => found.extend(references(value, name)),
            }
        }
        // What is inherited is used by each element within, and a marker at each corner of each.
        let times = |r: &Reference| if r.is_marker { own.nodes + own.data } else { own.nodes };
        let mut total = own;
        for (id, times) in referred.drain(..) {
            if let Some(&target) = self.ids.get(id) {
                total.add(self.count(target, depth + 1)?, times);
            }
        }
        for reference in &found {
            if let Some(&target) = self.ids.get(reference.id.as_str()) {
                total.add(self.count(target, depth + 1)?, times(reference));
            }
        }
        let is_shape = matches!(
            node.tag_name().name(),
            "path" | "rect" | "circle" | "ellipse" | "line" | "polyline" | "polygon" | "text"
        );
        if is_shape && !self.style.is_empty() {
            for reference in std::mem::take(&mut self.style) {
                if let Some(&target) = self.ids.get(reference.id.as_str()) {
                    let amount = self.count(target, depth + 1)?;
                    total.add(amount, times(&reference));
                }
                self.style.push(reference);
            }
        }
        self.known.insert(node.id(), Some(total));
        Ok(total)
    }
}
