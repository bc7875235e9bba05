//! `drawing`, and drawings for other use-cases: read as the person, the file and what is remembered say.

use sheetloft_drawings::{
    Drawing as Read, DrawingError, Format, JOIN_MOST_UM, LayerChoice, LayerSaidBy, Note, NoteOf, Options, Place, Role,
    Unit, UnitSaidBy, What, Why,
};
use sheetloft_ledger::body::{DrawingRead, LayerSaid, Sides};
use sheetloft_ledger::state::Order;
use sheetloft_ledger::units;
use uuid::Uuid;

use crate::action::{Drawing, Upload};
use crate::answer::{DrawingAnswer, DrawingLayer, DrawingPart, DrawingUnit, LeftOut, ShapeMm};
use crate::error::Error;
use crate::given;
use crate::limits;
use crate::say;
use crate::say::Say;
use crate::shop::{Lookup, Shop, filled, shown};
use crate::view::{mm, shape_mm};

/// What a person says of a drawing, as typed.
pub struct Said<'a> {
    /// Its unit, whatever it says.
    pub unit: Option<&'a str>,
    /// Ends this far apart still meet.
    pub join: Option<&'a str>,
    /// Only these layers are cut, where there are any.
    pub layers: &'a [String],
    /// These are not.
    pub skip: &'a [String],
}

/// So many layers are named where a person asks for one that is not there.
const LAYERS_NAMED: usize = 10;

/// What a drawing is read for.
pub struct Reading<'a> {
    /// What it is of.
    pub role: Role,
    /// The material's faces are alike, so that mirrored parts are the same.
    pub mirrored_alike: bool,
    /// Whose drawing it is.
    pub customer: Option<&'a str>,
}

/// What a person said of a drawing and the file did not, to be remembered.
pub struct Told {
    format: &'static str,
    unit: Option<Unit>,
    layers: Vec<LayerSaid>,
}

impl Told {
    /// As an event of an order.
    pub fn of(self, order: Uuid) -> DrawingRead {
        let unit = self.unit.map(|u| u.name().to_owned());
        DrawingRead { order, format: self.format.to_owned(), unit, layers: self.layers }
    }
}

/// The word for a format.
fn word(format: Format) -> &'static str {
    match format {
        Format::Dxf => "dxf",
        Format::Svg => "svg",
        Format::Pdf => "pdf",
        Format::Plt => "plt",
        Format::Dwg | Format::PostScript | Format::Picture | Format::Unknown => "",
    }
}

/// What the program reads in a drawing.
pub fn drawing(shop: &Shop, with: &Drawing) -> Result<DrawingAnswer, Error> {
    let reader = shop.read();
    let order = filled(with.order.as_deref());
    let order = order.map(|o| reader.find_order(o)).transpose().map_err(|e| e.at("order"))?;
    let material = filled(with.material.as_deref());
    let material = material.map(|m| reader.find_material(m)).transpose()?;
    let said = Said { unit: with.unit.as_deref(), join: with.join.as_deref(), layers: &with.layers, skip: &with.skip };
    let reading = Reading {
        role: Role::Part,
        mirrored_alike: material.is_some_and(|m| m.data.sides == Sides::Same),
        customer: order.as_ref().and_then(|o| o.customer.as_deref()),
    };
    let drawing = read(shop, &with.file, &said, &reading)?;
    let parts = drawing.parts.iter().map(|p| {
        let (low, high) = p.shape.bounds();
        let ShapeMm { outline, holes } = shape_mm(&p.shape);
        DrawingPart {
            id: p.id.clone(),
            name: p.name.clone(),
            outline,
            holes,
            area_mm2: p.area_mm2,
            quantity: p.quantity,
            size_mm: [mm(i64::from(high.x) - i64::from(low.x)), mm(i64::from(high.y) - i64::from(low.y))],
            cut_mm: thousandths(p.cut_mm),
            contours: p.source.len(),
            layer: p.layer.clone(),
            page: p.page,
        }
    });
    let choices = drawing
        .choices
        .iter()
        .map(|c| DrawingUnit { unit: c.unit.name().to_owned(), size_mm: c.size_mm.map(thousandths) });
    let layers = drawing.layers.iter().map(|l| DrawingLayer {
        layer: l.key(),
        name: l.name.clone(),
        colour: l.colour.map(|c| c.to_string()),
        lines: l.lines,
        cut: l.cut,
        said_by: match l.said_by {
            LayerSaidBy::Nobody => "nobody",
            LayerSaidBy::Name => "name",
            LayerSaidBy::Colour => "colour",
            LayerSaidBy::File => "file",
            LayerSaidBy::Person => "person",
            LayerSaidBy::Remembered => "remembered",
        }
        .to_owned(),
    });
    Ok(DrawingAnswer {
        format: word(drawing.format).to_owned(),
        unit: drawing.unit.name().to_owned(),
        unit_said_by: match drawing.unit_said_by {
            UnitSaidBy::File => "file",
            UnitSaidBy::Option => "option",
            UnitSaidBy::Remembered => "remembered",
            UnitSaidBy::Assumed => "assumed",
        }
        .to_owned(),
        choices: choices.collect(),
        layers: layers.collect(),
        parts: parts.collect(),
        left_out: left_out(&drawing),
        notes: drawing.notes.iter().map(note_text).collect(),
    })
}

fn thousandths(mm: f64) -> f64 {
    (mm * 1e3).round() / 1e3
}

/// Reads a drawing's file.
pub fn read(shop: &Shop, upload: &Upload, said: &Said<'_>, reading: &Reading<'_>) -> Result<Read, Error> {
    let bytes = given::bytes(upload, "drawing")?;
    let word = |text: Option<&str>| text.map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned);
    let unit = word(said.unit).map(|text| {
        let known = Unit::ALL.into_iter().find(|u| u.name().eq_ignore_ascii_case(&text));
        known.ok_or_else(|| Error::bad(say!("error-drawing-unit", text = shown(&text))).at("unit"))
    });
    let join_um = word(said.join).map(|text| {
        let um = units::parse_length(&text, shop.unit()).map_err(|e| Error::from(e).at("join"))?;
        u32::try_from(um)
            .ok()
            .filter(|um| *um <= JOIN_MOST_UM)
            .ok_or_else(|| Error::bad(say!("error-join", text = shown(&text), most = JOIN_MOST_UM / 1000)).at("join"))
    });
    let named = |layers: &[String]| -> Vec<String> { layers.iter().filter_map(|l| word(Some(l))).collect() };
    let defaults = Options::default();
    let mut options = Options {
        unit: unit.transpose()?,
        join_um: join_um.transpose()?.unwrap_or(defaults.join_um),
        role: reading.role,
        only: Some(named(said.layers)).filter(|l| !l.is_empty()),
        skip: named(said.skip),
        mirrored_alike: reading.mirrored_alike,
        typeface: Some(sheetloft_labels::typeface()),
        ..defaults
    };
    if let Some(customer) = reading.customer {
        options.remembered = remembered_layers(&orders(shop)?, customer);
    }
    let read = |options: &Options| {
        sheetloft_drawings::read(&upload.name, &bytes, options).map_err(|e| {
            Error::bad(say!("error-in-file", file = shown(&upload.name), why = error_text(&e).text())).at("drawing")
        })
    };
    let drawing = read(&options)?;
    if let Some(only) = &options.only
        && !drawing.layers.iter().any(|l| only.iter().any(|word| l.is_meant_by(word)))
    {
        return Err(no_such_layer(&drawing, upload, only));
    }
    if drawing.unit_said_by == UnitSaidBy::Assumed {
        // Nobody has said it: perhaps somebody did for the last one.
        options.remembered_unit = remembered_unit(&orders(shop)?, drawing.format);
        if options.remembered_unit.is_some() {
            return read(&options);
        }
    }
    Ok(drawing)
}

/// None of the layers that a person asks for is in the drawing: most likely they are called something else.
fn no_such_layer(drawing: &Read, upload: &Upload, only: &[String]) -> Error {
    let file = shown(&upload.name);
    let list = |names: &mut dyn Iterator<Item = String>| -> String {
        names.take(LAYERS_NAMED).map(|name| format!("'{}'", shown(&name))).collect::<Vec<_>>().join(", ")
    };
    if drawing.layers.is_empty() {
        return Error::bad(say!("error-no-layers", file = file)).at("layers");
    }
    let asked = list(&mut only.iter().cloned());
    let has = list(&mut drawing.layers.iter().map(|l| l.key()));
    Error::bad(say!("error-no-such-layer", file = file, asked = asked, has = has)).at("layers")
}

/// The orders, oldest first.
fn orders(shop: &Shop) -> Result<Vec<Order>, Error> {
    let mut orders = shop.read().orders()?;
    orders.sort_by_key(|o| (o.at_ms, o.id));
    Ok(orders)
}

/// The unit that was said last of a file of this kind.
fn remembered_unit(orders: &[Order], format: Format) -> Option<Unit> {
    let told = orders.iter().flat_map(|o| &o.drawings).filter(|d| d.format == word(format));
    told.filter_map(|d| d.unit.as_deref()?.parse().ok()).next_back()
}

/// What was said of layers of this customer's drawings.
fn remembered_layers(orders: &[Order], customer: &str) -> Vec<LayerChoice> {
    let who = |name: &str| name.trim().to_lowercase();
    let of_customer = orders.iter().filter(|o| o.customer.as_deref().is_some_and(|c| who(c) == who(customer)));
    let layers = of_customer.flat_map(|o| &o.drawings).flat_map(|d| &d.layers);
    layers.map(|l| LayerChoice { layer: l.layer.clone(), cut: l.cut }).collect()
}

/// What is to be remembered of how a drawing was read, where there is something.
pub fn told(drawing: &Read, said: &Said<'_>) -> Option<Told> {
    let unit = (drawing.unit_said_by == UnitSaidBy::Option && !drawing.choices.is_empty()).then_some(drawing.unit);
    let chosen = !said.layers.is_empty() || !said.skip.is_empty();
    let layers: Vec<LayerSaid> = match chosen {
        true => drawing.layers.iter().map(|l| LayerSaid { layer: l.key(), cut: l.cut }).collect(),
        false => Vec::new(),
    };
    let layers = layers.into_iter().take(limits::DRAWING_LISTED).collect::<Vec<_>>();
    (unit.is_some() || !layers.is_empty()).then_some(Told { format: word(drawing.format), unit, layers })
}

fn error_text(error: &DrawingError) -> Say {
    match error {
        DrawingError::Empty => say!("drawing-empty"),
        DrawingError::TooLarge { .. } => say!("drawing-too-large", most = limits::FILE_BYTES >> 20),
        DrawingError::NotRead { format } => say!("drawing-not-read", format = format.to_string()),
        DrawingError::Truncated { at } => say!("drawing-truncated", at = *at),
        DrawingError::NotAGroupCode { at } => say!("drawing-no-group-code", at = *at),
        DrawingError::NotANumber { at } => say!("drawing-not-a-number", at = *at),
        DrawingError::BadEntity { at } => say!("drawing-bad-entity", at = *at),
        DrawingError::BadXml { line, why } => say!("drawing-bad-xml", line = *line, why = why),
        DrawingError::Locked => say!("drawing-locked"),
        DrawingError::NoPdfInside => say!("drawing-no-pdf-inside"),
        DrawingError::Unreadable { why } => say!("drawing-unreadable", why = why),
        DrawingError::TooManyEntities { most } => say!("drawing-many-entities", most = *most),
        DrawingError::TooManyPages { most } => say!("drawing-many-pages", most = *most),
        DrawingError::TooMuchUnpacked { most } => say!("drawing-much-unpacked", most = *most >> 20),
        DrawingError::TooDeep { block, most } => say!("drawing-too-deep", block = block, most = *most),
        DrawingError::TooManyCorners { most } => say!("drawing-many-corners", most = *most),
        DrawingError::TooInvolved => say!("drawing-too-involved"),
        DrawingError::UnitNotTaken { code } => say!("drawing-unit-not-taken", code = code.to_string()),
        DrawingError::TooFar { mm, unit, .. } => say!("drawing-too-far", mm = format!("{mm:.0}"), unit = unit.name()),
    }
}

/// What a drawing left out, for people.
pub fn left_out(drawing: &Read) -> Vec<LeftOut> {
    drawing
        .left_out
        .iter()
        .map(|l| {
            let what = match &l.what {
                What::Entity(kind) => kind.clone(),
                What::Block(name) => say!("left-out-block", name = name).text(),
                What::Line => say!("left-out-line").text(),
                What::OpenLine => say!("left-out-open-line").text(),
                What::Outline => say!("left-out-outline").text(),
                What::Hole => say!("left-out-hole").text(),
            };
            let what = if l.count > 1 { say!("left-out-many", count = l.count, what = what).text() } else { what };
            LeftOut { what, r#where: place_text(&l.place), why: why_text(&l.why) }
        })
        .collect()
}

fn why_text(why: &Why) -> String {
    let say = Say::new(format!("left-out-why-{}", why.key()));
    match why {
        Why::NotANumber { at } | Why::Incomplete { at } | Why::BadCurve { at } => say.with("at", *at),
        Why::Open { gap_mm } => say.with("gap", format!("{gap_mm:.3}")),
        _ => say,
    }
    .text()
}

fn place_text(place: &Place) -> String {
    let mut words = Vec::new();
    if let Some([x, y]) = place.at_mm {
        words.push(say!("place-at", x = format!("{x:.3}"), y = format!("{y:.3}")).text());
    }
    if let Some(block) = &place.block {
        words.push(say!("place-block", name = block).text());
    }
    if let Some(layer) = &place.layer {
        words.push(say!("place-layer", name = layer).text());
    }
    if let Some(page) = place.page {
        words.push(say!("place-page", page = page).text());
    }
    words.join(", ")
}

/// What is in the parts, but not quite as the file has it.
fn note_text(note: &Note) -> String {
    let say = Say::new(format!("drawing-note-{}", note.key())).with("place", place_text(&note.place));
    match &note.of {
        NoteOf::Bridged { gap_mm } => say.with("gap", format!("{gap_mm:.3}")),
        NoteOf::Wide { width_mm } => say.with("width", format!("{width_mm:.1}")),
        NoteOf::Text { text, instead: None } => say.with("text", text.clone()),
        NoteOf::Text { text, instead: Some(name) } => say.with("text", text.clone()).with("name", name.clone()),
        NoteOf::ThroughPoints | NoteOf::Clip | NoteOf::NamedButAlone => say,
    }
    .text()
    // Where no place is known.
    .replace("  ", " ")
}
