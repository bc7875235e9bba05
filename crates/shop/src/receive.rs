//! `receive`: a delivery arrives, of one line or several; its sheets become stock, each with its own code and cost.

use std::collections::BTreeSet;

use chrono::DateTime;
use sheetloft_ledger::body::{Body, Born, Delivered, FreightBy, Grain, Known, Received};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::landing::{self, Line};
use sheetloft_ledger::state::{Delivery, Material, Rack};
use sheetloft_ledger::{tolerance, units};
use sheetloft_shapes::Shape;
use sheetloft_store::Tx;
use uuid::Uuid;

use crate::action::{DeliveryLine, Receive, ReceiveDelivery, Upload};
use crate::answer::{Changed, DeliveryAnswer, LotReceived, NewPiece, ReceiveAnswer};
use crate::cautions;
use crate::error::{Error, Sort};
use crate::given;
use crate::host::Host;
use crate::limits;
use crate::on_order;
use crate::say;
use crate::say::Say;
use crate::shop::{Lookup, Shop, filled, shown, text, whole, word};
use crate::stock::owned;
use crate::view::weight_g;

/// Weights of one pallet that differ by more than this part are worth a look; common practice, no source.
const WEIGHT_OFF_PERCENT: i64 = 2;

/// Direction of the grain of a sheet of this size, microdegrees.
pub fn sheet_grain(material: &Material, w_um: i64, h_um: i64) -> Option<i64> {
    let along_x = match material.data.grain {
        Grain::None => return None,
        Grain::Long => w_um >= h_um,
        Grain::Short => w_um < h_um,
    };
    Some(if along_x { 0 } else { 90_000_000 })
}

/// What is off about a measured thickness, if anything: past the published tolerance; where there is none, by more than
/// a tenth.
pub fn thickness_warning(material: &Material, measured_um: Option<i64>) -> Option<Say> {
    let measured = measured_um?;
    let data = &material.data;
    match tolerance::thickness(data.sort, data.made, data.thickness_um) {
        Some(t) if (t.low_um..=t.high_um).contains(&measured) => None,
        Some(t) => Some(say!(
            "warning-thickness-published",
            material = &data.name,
            measured = units::format_mm(measured),
            low = units::format_mm(t.low_um),
            high = units::format_mm(t.high_um),
            source = t.source,
        )),
        None if (measured - data.thickness_um).abs() * 10 > data.thickness_um => Some(say!("warning-thickness")),
        None => None,
    }
}

/// A name that no lot has yet: the day and a number.
pub fn free_name(tx: &mut Tx<'_>, taken: &BTreeSet<String>) -> String {
    let today = i64::try_from(tx.ids.wall_ms()).ok().and_then(DateTime::from_timestamp_millis);
    let today = today.map_or_else(String::new, |t| t.format("%Y-%m-%d").to_string());
    (1..).map(|n| format!("{today}/{n}")).find(|name| !taken.contains(name)).unwrap_or(today)
}

/// A line of a delivery as it was read.
struct Arrived {
    material: Material,
    w_um: i64,
    h_um: i64,
    shape: Shape,
    sheets: u32,
    damaged: u32,
    total: i64,
    lot: Option<String>,
    rack: Option<Rack>,
    thickness_um: Option<i64>,
    owner: Option<String>,
    on_order: Option<Uuid>,
}

impl Arrived {
    fn read(shop: &Shop, given: &DeliveryLine, booked: Option<&Delivery>) -> Result<Self, Error> {
        let material = shop.read().find_material(&given.material)?;
        shop.read().not_frozen(Thing::new(ThingKind::Material, material.id), &material.data.name)?;
        if material.retired {
            return Err(Error::refused(say!("refused-retired", name = &material.data.name)).at("material"));
        }
        let sheets = whole(&given.sheets, 1, limits::SHEETS_PER_LINE, "sheets")?;
        let damaged =
            filled(given.damaged.as_deref()).map(|t| whole(t, 0, sheets, "damaged")).transpose()?.unwrap_or(0);
        let (w_um, h_um) = shop.size(&given.size, "size")?;
        let less = material.data.size_tolerance_um;
        let shape = Shape::rectangle(w_um - less, h_um - less).map_err(|e| Error::from(e).at("size"))?;
        let ordered = booked.and_then(|d| on_order::line_for(d, material.id, w_um, h_um));
        let owner = text(given.owner.as_deref(), "owner")?;
        let unit_cost = match (filled(given.unit_cost.as_deref()), ordered.and_then(|o| o.line.unit_cost), &owner) {
            (Some(text), _, _) => shop.sum(text, "unit_cost")?,
            (None, Some(cost), _) => cost,
            // A customer's own material costs nothing.
            (None, None, Some(_)) => 0,
            (None, None, None) => return Err(Error::bad(say!("error-needed")).at("unit_cost")),
        };
        let total = unit_cost.checked_mul(i64::from(sheets)).filter(|t| *t <= limits::MONEY_MINOR);
        let cost_text = given.unit_cost.clone().unwrap_or_default();
        let total = total.ok_or_else(|| Error::bad(say!("error-money-large", text = cost_text)).at("unit_cost"))?;
        owned(owner.as_deref(), total).map_err(|e| Error { field: Some("unit_cost"), ..e })?;
        Ok(Self {
            sheets,
            damaged,
            total,
            lot: text(given.lot.as_deref(), "lot")?,
            rack: filled(given.rack.as_deref()).map(|name| shop.read().find_rack(name)).transpose()?,
            thickness_um: filled(given.thickness.as_deref()).map(|t| shop.extent(t, "thickness")).transpose()?,
            on_order: ordered.map(|o| o.line.line),
            material,
            w_um,
            h_um,
            shape,
            owner,
        })
    }

    fn weight_g(&self, sheets: usize) -> Option<i64> {
        let data = &self.material.data;
        let one = weight_g(self.shape.area2(), data.thickness_um, data.density_g_m3)?;
        one.checked_mul(i64::try_from(sheets).ok()?)
    }
}

/// What is said of a delivery as a whole.
#[derive(Default)]
struct Whole {
    name: Option<String>,
    supplier: Option<String>,
    freight: i64,
    freight_by: FreightBy,
    duty: i64,
    note_weight_g: Option<i64>,
    weighed_g: Option<i64>,
    booked: Option<Delivery>,
    /// Of one line, with nothing to be said of the delivery itself.
    plain: bool,
}

/// What was written of a delivery.
struct Written {
    delivery: Uuid,
    name: String,
    freight_by: FreightBy,
    lots: Vec<Received>,
}

/// Books a delivery in: one event a line, and one for the delivery where more is to be said of it than one line does.
fn book(shop: &mut Shop, host: &mut dyn Host, lines: &[Arrived], of: &Whole) -> Result<(Written, Vec<Changed>), Error> {
    shop.write(host, |tx| {
        let mut taken: BTreeSet<String> = tx.read().lots()?.into_iter().map(|l| l.name).collect();
        let mut numbered = Vec::with_capacity(lines.len());
        for line in lines {
            let codes = (line.damaged..line.sheets).map(|_| tx.next_code(Noun::Piece)).collect::<Result<_, _>>()?;
            numbered.push(Line {
                codes,
                damaged: line.damaged,
                total: line.total,
                area2: line.shape.area2(),
                thickness_um: line.material.data.thickness_um,
                density_g_m3: line.material.data.density_g_m3,
            });
        }
        let freight_by = landing::freight_by(of.freight_by, &numbered);
        let landed = landing::landed(&numbered, of.freight, freight_by, of.duty);
        let delivery = of.booked.as_ref().map_or_else(|| tx.ids.uuid(), |d| d.id);
        let thing = Thing::new(ThingKind::Delivery, delivery);
        let simple = of.plain && of.duty == 0;
        let name = match (&of.booked, &of.name) {
            (_, Some(name)) => name.clone(),
            (Some(booked), None) => booked.name.clone(),
            (None, None) if simple => String::new(),
            (None, None) => {
                let taken = tx.read().deliveries()?.into_iter().map(|d| d.name).collect();
                free_name(tx, &taken)
            }
        };
        if !simple {
            let delivered = Delivered {
                delivery,
                name: name.clone(),
                supplier: of.supplier.clone(),
                freight: of.freight,
                freight_by,
                duty: of.duty,
                note_weight_g: of.note_weight_g,
                weighed_g: of.weighed_g,
            };
            tx.draft(Body::Delivered(delivered), [thing]);
        }
        let mut lots = Vec::with_capacity(lines.len());
        for ((line, numbered), landed) in lines.iter().zip(numbered).zip(landed) {
            let lot_name = match &line.lot {
                Some(name) => name.clone(),
                None => free_name(tx, &taken),
            };
            taken.insert(lot_name.clone());
            let lot = tx.ids.uuid();
            let pieces: Vec<Born> = numbered
                .codes
                .into_iter()
                .zip(landed.good)
                .map(|(code, cost)| Born {
                    id: tx.ids.uuid(),
                    code,
                    shape: line.shape.clone(),
                    flaws: Vec::new(),
                    grain_udeg: sheet_grain(&line.material, line.w_um, line.h_um),
                    known: Known::Machine,
                    known_within_um: Known::Machine.within_um(),
                    rack: line.rack.as_ref().map(|r| r.id),
                    cost,
                })
                .collect();
            let mut touches = vec![thing, Thing::new(ThingKind::Lot, lot)];
            touches.extend(pieces.iter().map(|p| Thing::new(ThingKind::Piece, p.id)));
            let received = Received {
                delivery,
                lot,
                lot_name,
                material: line.material.id,
                supplier: of.supplier.clone(),
                thickness_um: line.thickness_um,
                sheets: line.sheets,
                damaged: line.damaged,
                line_total: line.total,
                freight: landed.freight,
                written_off: landed.written_off,
                pieces,
                duty: landed.duty,
                on_order: line.on_order,
                owner: line.owner.clone(),
            };
            tx.draft(Body::Received(received.clone()), touches);
            lots.push(received);
        }
        Ok(Written { delivery, name, freight_by, lots })
    })
}

/// What is worth a look about what arrived: thickness, what is on order, owners of other customers.
fn line_warnings(line: &Arrived, of: &Whole, on_order: &[Delivery]) -> Vec<String> {
    let mut warnings: Vec<String> =
        thickness_warning(&line.material, line.thickness_um).iter().map(Say::text).collect();
    match &of.booked {
        Some(booked) => match on_order::line_for(booked, line.material.id, line.w_um, line.h_um) {
            None => warnings
                .push(say!("warning-not-on-order", material = &line.material.data.name, name = &booked.name).text()),
            Some(o) if line.sheets > o.line.sheets.saturating_sub(o.came) => warnings.push(
                say!(
                    "warning-more-than-ordered",
                    material = &line.material.data.name,
                    open = o.line.sheets.saturating_sub(o.came),
                    came = line.sheets,
                )
                .text(),
            ),
            Some(_) => {}
        },
        None => {
            for delivery in on_order {
                let open = delivery.open().find(|(o, _)| {
                    o.line.material == line.material.id && (o.line.w_um, o.line.h_um) == (line.w_um, line.h_um)
                });
                if let Some((_, open)) = open {
                    let said = say!(
                        "warning-on-order",
                        count = open,
                        material = &line.material.data.name,
                        name = &delivery.name,
                    );
                    warnings.push(said.text());
                }
            }
        }
    }
    warnings
}

fn new_pieces(shop: &Shop, received: &Received) -> Vec<NewPiece> {
    let new = |p: &Born| NewPiece { piece: p.code.clone(), uuid: p.id.to_string(), cost: shop.money(p.cost) };
    received.pieces.iter().map(new).collect()
}

fn kg(grams: i64) -> f64 {
    grams as f64 / 1_000.0
}

/// Receives a delivery of one line.
pub fn receive(shop: &mut Shop, host: &mut dyn Host, with: &Receive) -> Result<(ReceiveAnswer, Vec<Changed>), Error> {
    let line = DeliveryLine {
        material: with.material.clone(),
        size: with.size.clone(),
        sheets: with.sheets.clone(),
        unit_cost: filled(Some(&with.unit_cost)).map(str::to_owned),
        lot: with.lot.clone(),
        rack: with.rack.clone(),
        thickness: with.thickness.clone(),
        damaged: with.damaged.clone(),
        owner: with.owner.clone(),
    };
    let booked = filled(with.on_order.as_deref()).map(|name| on_order::find(shop, name)).transpose()?;
    let line = Arrived::read(shop, &line, booked.as_ref())?;
    let supplier = text(with.supplier.as_deref(), "supplier")?;
    let of = Whole {
        supplier: supplier.or_else(|| booked.as_ref().and_then(|b| b.supplier.clone())),
        freight: filled(with.freight.as_deref()).map(|t| shop.sum(t, "freight")).transpose()?.unwrap_or(0),
        duty: filled(with.duty.as_deref()).map(|t| shop.sum(t, "duty")).transpose()?.unwrap_or(0),
        booked,
        plain: true,
        ..Whole::default()
    };
    owned(line.owner.as_deref(), of.freight + of.duty).map_err(|e| Error { field: Some("freight"), ..e })?;
    let warnings = line_warnings(&line, &of, &shop.read().deliveries()?);
    let lines = [line];
    let (written, changed) = book(shop, host, &lines, &of)?;
    let (received, line) = (&written.lots[0], &lines[0]);
    let one = line.weight_g(1).map(kg);
    Ok((
        ReceiveAnswer {
            lot: received.lot_name.clone(),
            weight_kg: line.weight_g(received.pieces.len()).map(kg),
            pieces: new_pieces(shop, received),
            written_off: shop.money(received.written_off),
            warnings,
            cautions: cautions::handling(&line.material, one, cautions::longest_um(&line.shape)),
        },
        changed,
    ))
}

/// Receives a delivery of several lines; with none, everything that is still to come of what is on order.
pub fn delivery(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &ReceiveDelivery,
) -> Result<(DeliveryAnswer, Vec<Changed>), Error> {
    let booked = filled(with.on_order.as_deref()).map(|name| on_order::find(shop, name)).transpose()?;
    let open = match &booked {
        Some(booked) if with.lines.is_empty() && with.file.is_none() => open_lines(booked)?,
        _ => Vec::new(),
    };
    let given = if open.is_empty() { &with.lines } else { &open };
    let lines = read_lines(given, with.file.as_ref(), |line| Arrived::read(shop, line, booked.as_ref()))?;
    let by = [FreightBy::Weight, FreightBy::Area, FreightBy::Value].map(|b| (b.word(), b));
    let supplier = text(with.supplier.as_deref(), "supplier")?;
    let of = Whole {
        name: text(with.name.as_deref(), "name")?,
        supplier: supplier.or_else(|| booked.as_ref().and_then(|b| b.supplier.clone())),
        freight: filled(with.freight.as_deref()).map(|t| shop.sum(t, "freight")).transpose()?.unwrap_or(0),
        freight_by: word(with.freight_by.as_deref(), &by, FreightBy::Weight, "freight_by")?,
        duty: filled(with.duty.as_deref()).map(|t| shop.sum(t, "duty")).transpose()?.unwrap_or(0),
        note_weight_g: filled(with.note_weight.as_deref()).map(|t| grams(t, "note_weight")).transpose()?,
        weighed_g: filled(with.weighed.as_deref()).map(|t| grams(t, "weighed")).transpose()?,
        booked,
        plain: false,
    };
    if lines.iter().any(|l| l.owner.is_some()) && of.freight + of.duty > 0 {
        return Err(Error::bad(say!("error-owned-with-freight")).at("freight"));
    }
    let sum = lines.iter().map(|l| l.total).try_fold(of.freight + of.duty, i64::checked_add);
    if sum.is_none_or(|sum| sum > limits::MONEY_MINOR) {
        return Err(Error::bad(say!("error-delivery-large")).at("lines"));
    }
    let on_order = shop.read().deliveries()?;
    let mut warnings: Vec<String> = lines.iter().flat_map(|line| line_warnings(line, &of, &on_order)).collect();
    let weights: Option<Vec<i64>> = lines.iter().map(|l| l.weight_g(l.sheets as usize)).collect();
    let weight_g = weights.map(|all| all.iter().sum::<i64>());
    warnings.extend(weight_warning(&of, weight_g).iter().map(Say::text));
    let asked = of.freight_by;
    let (written, changed) = book(shop, host, &lines, &of)?;
    if of.freight > 0 && written.freight_by != asked {
        warnings.push(say!("warning-freight-by-area").text());
    }
    let mut said: Vec<String> = Vec::new();
    for line in &lines {
        let one = line.weight_g(1).map(kg);
        cautions::once(&mut said, cautions::handling(&line.material, one, cautions::longest_um(&line.shape)));
    }
    let lots = written
        .lots
        .iter()
        .zip(&lines)
        .map(|(lot, line)| LotReceived {
            lot: lot.lot_name.clone(),
            uuid: lot.lot.to_string(),
            material: line.material.data.name.clone(),
            pieces: new_pieces(shop, lot),
            written_off: shop.money(lot.written_off),
            freight: shop.money(lot.freight),
            duty: shop.money(lot.duty),
            weight_kg: line.weight_g(lot.pieces.len()).map(kg),
        })
        .collect();
    Ok((
        DeliveryAnswer {
            delivery: written.name,
            uuid: written.delivery.to_string(),
            freight_by: written.freight_by.word().to_owned(),
            lots,
            written_off: shop.money(written.lots.iter().map(|l| l.written_off).sum()),
            weight_kg: weight_g.map(kg),
            warnings,
            cautions: said,
        },
        changed,
    ))
}

/// What is off about a pallet's weight, if anything. The pallet itself weighs something too: sheets alone may be
/// lighter than the note says, not heavier.
fn weight_warning(of: &Whole, sheets_g: Option<i64>) -> Option<Say> {
    let off = |a: i64, b: i64| (a - b).abs() * 100 > WEIGHT_OFF_PERCENT * a.max(b);
    let spoken = |g: i64| format!("{:.1}", kg(g));
    match (of.note_weight_g, of.weighed_g, sheets_g) {
        (Some(note), Some(weighed), _) if off(note, weighed) => {
            Some(say!("warning-weight", note = spoken(note), weighed = spoken(weighed)))
        }
        (note, weighed, Some(sheets)) => {
            let pallet = weighed.or(note)?;
            let heavier = sheets > pallet && off(sheets, pallet);
            heavier.then(|| say!("warning-weight-sheets", pallet = spoken(pallet), sheets = spoken(sheets)))
        }
        _ => None,
    }
}

/// A weight in kg with at most three decimals, as grams.
fn grams(given: &str, field: &'static str) -> Result<i64, Error> {
    let wrong = || Error::bad(say!("error-weight", text = shown(given))).at(field);
    let plain = given.trim().trim_end_matches("kg").trim_end().replace(',', ".");
    let (whole, part) = plain.split_once('.').unwrap_or((&plain, ""));
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || !digits(whole) || !digits(part) || part.len() > 3 || whole.len() > 6 {
        return Err(wrong());
    }
    let grams: i64 = format!("{whole}{part:0<3}").parse().map_err(|_| wrong())?;
    if grams > 0 { Ok(grams) } else { Err(wrong()) }
}

/// Reads lines, given one by one or as a file; what is wrong is said with the line's number.
pub fn read_lines<T>(
    lines: &[DeliveryLine],
    file: Option<&Upload>,
    read: impl Fn(&DeliveryLine) -> Result<T, Error>,
) -> Result<Vec<T>, Error> {
    let (numbered, name) = match (lines.is_empty(), file) {
        (true, Some(upload)) => (lines_of(upload)?, Some(upload.name.clone())),
        (false, None) => (lines.iter().cloned().enumerate().map(|(i, l)| (i + 1, l)).collect(), None),
        _ => return Err(Error::bad(say!("error-delivery-lines")).at("lines")),
    };
    if numbered.len() > limits::DELIVERY_LINES {
        return Err(Error::bad(say!("error-many-lines", most = limits::DELIVERY_LINES)).at("lines"));
    }
    let one = |(number, line): &(usize, DeliveryLine)| {
        read(line).map_err(|e| match (e.sort, &name) {
            (Sort::BadInput, Some(file)) => {
                let field = e.field.map_or_else(String::new, |f| format!("{f}: "));
                given::in_line(*number, file, &format!("{field}{e}")).at("lines")
            }
            (Sort::BadInput, None) if numbered.len() > 1 => {
                let said = say!("error-delivery-line", line = *number, why = e.to_string());
                Error { field: e.field, ..Error::bad(said) }
            }
            _ => e,
        })
    };
    numbered.iter().map(one).collect()
}

/// Everything that is still to come of what is on order.
fn open_lines(booked: &Delivery) -> Result<Vec<DeliveryLine>, Error> {
    let lines: Vec<DeliveryLine> = booked
        .open()
        .map(|(o, open)| DeliveryLine {
            material: o.line.material.to_string(),
            size: format!("{}mmx{}mm", units::format_mm(o.line.w_um), units::format_mm(o.line.h_um)),
            sheets: open.to_string(),
            ..DeliveryLine::default()
        })
        .collect();
    match lines.is_empty() {
        false => Ok(lines),
        true => Err(Error::refused(say!("refused-nothing-on-order", name = &booked.name)).at("on_order")),
    }
}

/// The lines of a CSV file: the first row names the columns.
fn lines_of(upload: &Upload) -> Result<Vec<(usize, DeliveryLine)>, Error> {
    let text = given::utf8(upload, "lines")?;
    let separator = if text.lines().next().is_some_and(|l| l.contains(';')) { b';' } else { b',' };
    let mut csv =
        csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).delimiter(separator).from_reader(text.as_bytes());
    let wrong = |number: usize, why: String| given::in_line(number, &upload.name, &why).at("lines");
    let heads: Vec<String> = csv
        .headers()
        .map_err(|e| wrong(1, e.to_string()))?
        .iter()
        .map(|h| h.to_lowercase().replace([' ', '-'], "_"))
        .collect();
    const KNOWN: [&str; 9] =
        ["material", "size", "sheets", "unit_cost", "lot", "rack", "thickness", "damaged", "owner"];
    if let Some(unknown) = heads.iter().find(|h| !KNOWN.contains(&h.as_str())) {
        return Err(wrong(1, say!("error-word", text = shown(unknown), words = KNOWN.join(", ")).text()));
    }
    if let Some(missing) = KNOWN[..3].iter().find(|k| !heads.iter().any(|h| h == *k)) {
        return Err(wrong(1, say!("error-column", column = *missing).text()));
    }
    let mut lines = Vec::new();
    for row in csv.records() {
        let row = row.map_err(|e| wrong(lines.len() + 2, e.to_string()))?;
        let number = row.position().map_or(lines.len() + 2, |p| usize::try_from(p.line()).unwrap_or(0));
        if row.iter().all(str::is_empty) {
            continue;
        }
        let cell = |name: &str| {
            let at = heads.iter().position(|h| h == name)?;
            row.get(at).map(str::to_owned).filter(|t| !t.is_empty())
        };
        lines.push((
            number,
            DeliveryLine {
                material: cell("material").unwrap_or_default(),
                size: cell("size").unwrap_or_default(),
                sheets: cell("sheets").unwrap_or_default(),
                unit_cost: cell("unit_cost"),
                lot: cell("lot"),
                rack: cell("rack"),
                thickness: cell("thickness"),
                damaged: cell("damaged"),
                owner: cell("owner"),
            },
        ));
        if lines.len() > limits::DELIVERY_LINES {
            return Err(wrong(number, say!("error-many-lines", most = limits::DELIVERY_LINES).text()));
        }
    }
    if lines.is_empty() {
        return Err(Error::bad(say!("error-no-lines", file = shown(&upload.name))).at("lines"));
    }
    Ok(lines)
}
