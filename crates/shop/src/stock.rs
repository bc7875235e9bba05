//! `stock list`, `stock show`, `stock export`, `stock import`, `offcut add`: what stands in the racks.

use std::collections::{BTreeMap, HashMap};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use sheetloft_ledger::body::{Body, Born, Flaw, FlawSide, Grain, Known, PieceKind, Recorded};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::state::{How, Material, Piece, Status};
use sheetloft_shapes::Shape;
use sheetloft_store::{PieceFilter, Reader};
use uuid::Uuid;

use crate::action::{OffcutAdd, StockImport, StockList, StockShow};
use crate::answer::{
    Changed, ChargeRow, FileAnswer, ImportAnswer, ImportedPiece, OffcutAnswer, PieceAnswer, Relative, StockAnswer,
};
use crate::cautions;
use crate::error::Error;
use crate::given::{self, ShapeJson};
use crate::history;
use crate::host::Host;
use crate::limits;
use crate::receive::sheet_grain;
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, shown, text, word};
use crate::view::{self, Names, mm, mm2, piece_row, ring_mm, shape_mm, size_text, spoken_size, weight_kg};
use crate::worth;

/// The pieces that a filter asks for, smallest first.
pub fn list(shop: &Shop, with: &StockList) -> Result<StockAnswer, Error> {
    let reader = shop.read();
    let statuses = match filled(with.status.as_deref()) {
        None => vec!["free", "held", "conflict"],
        Some(word) => {
            let known = Status::from_word(word.trim());
            let list = "free, held, used, written_off, conflict";
            let wrong = || Error::bad(say!("error-word", text = shown(word), words = list)).at("status");
            vec![known.ok_or_else(wrong)?.word()]
        }
    };
    let kind = word(with.kind.as_deref(), &[("sheet", Some("sheet")), ("offcut", Some("offcut"))], None, "kind")?;
    let filter = PieceFilter {
        material: filled(with.material.as_deref()).map(|m| reader.find_material(m)).transpose()?.map(|m| m.id),
        rack: filled(with.rack.as_deref()).map(|r| reader.find_rack(r)).transpose()?.map(|r| r.id),
        kind,
        statuses,
        ..PieceFilter::default()
    };
    let pieces = reader.pieces(&filter)?;
    let names = Names::read(&reader)?;
    let stacks = stacks(&pieces);
    let rows = pieces.iter().map(|p| piece_row(p, &names, shop, stacks.get(&p.id).cloned(), with.shapes)).collect();
    Ok(StockAnswer { pieces: rows, stacks: with.stacks })
}

/// Equal free sheets of one lot in one rack stand in a stack: the lowest code names it.
pub fn stacks(pieces: &[Piece]) -> HashMap<Uuid, String> {
    type Equal<'a> = (Uuid, Option<Uuid>, Option<Uuid>, &'a Shape);
    let mut groups: HashMap<Equal<'_>, Vec<&Piece>> = HashMap::new();
    for piece in
        pieces.iter().filter(|p| p.kind == PieceKind::Sheet && p.status() == Status::Free && p.flaws.is_empty())
    {
        groups.entry((piece.material, piece.lot, piece.rack, &piece.shape)).or_default().push(piece);
    }
    let mut stacks = HashMap::new();
    for group in groups.into_values().filter(|g| g.len() > 1) {
        if let Some(lowest) = group.iter().map(|p| &p.code).min() {
            stacks.extend(group.iter().map(|p| (p.id, lowest.clone())));
        }
    }
    stacks
}

/// One piece, whole.
pub fn show(shop: &Shop, with: &StockShow, now_ms: u64) -> Result<PieceAnswer, Error> {
    let reader = shop.read();
    let piece = reader.find_piece(&with.piece).map_err(|e| e.at("piece"))?;
    let names = Names::read(&reader)?;
    let material = reader.material(piece.material)?;
    let in_lot = reader.pieces(&PieceFilter {
        material: Some(piece.material),
        kind: Some("sheet"),
        statuses: vec!["free"],
        ..PieceFilter::default()
    })?;
    let row = piece_row(&piece, &names, shop, stacks(&in_lot).get(&piece.id).cloned(), false);
    let (low, high) = piece.shape.bounds();
    let (w, h) = spoken_size(&piece.shape);
    let weight = weight_kg(piece.shape.area2(), &material);
    let became = match &piece.used {
        Some(used) => used.returned.iter().map(|r| r.code.clone()).collect(),
        None => Vec::new(),
    };
    let from = piece.from.map(|id| reader.piece(id)).transpose()?.flatten();
    let film = worth::film_of(&reader, &piece)?;
    let charges = piece.used.iter().flat_map(|u| &u.charges);
    Ok(PieceAnswer {
        piece: row.piece,
        uuid: row.uuid,
        kind: row.kind,
        material: row.material,
        status: row.status,
        rack: row.rack,
        lot: row.lot,
        cost: row.cost,
        area_mm2: row.area_mm2,
        stack: row.stack,
        size: row.size,
        label_due: row.label_due,
        held_for: row.held_for,
        outline: ring_mm(piece.shape.outline()),
        holes: view::holes_mm(&piece.shape),
        flaws: view::flaw_rows(&piece, shop.unit()),
        from: from.as_ref().map(|p| p.code.clone()),
        became,
        largest_rectangle_mm: [mm(w), mm(h)],
        rectangle: rectangle_corners(&piece.shape),
        overall_mm: [mm(i64::from(high.x) - i64::from(low.x)), mm(i64::from(high.y) - i64::from(low.y))],
        weight_kg: weight,
        grain_deg: piece.grain_udeg.map(|g| g as f64 / 1_000_000.0),
        known: view::known_word(piece.known).to_owned(),
        known_within_mm: mm(piece.known_within_um),
        note: piece.note.clone(),
        owner: piece.owner.clone(),
        written_down: (piece.written_down > 0).then(|| shop.money(piece.written_down)),
        film_warning: worth::film_warning(film.as_ref(), now_ms).map(|s| s.text()),
        film: film.as_ref().map(worth::film_text),
        born: view::when(piece.born_ms),
        fate: fate(&piece, &names, &reader)?,
        charges: charges
            .map(|c| ChargeRow { order: names.order(c.order), charged: shop.money(c.charge.total()) })
            .collect(),
        family: family(shop, &reader, &piece)?,
        history: history::rows(shop, reader.history(Some(piece.id), history::MOST)?)?,
        cautions: cautions::handling(&material, weight, cautions::longest_um(&piece.shape)),
    })
}

/// The corners of the largest rectangle in a shape, mm.
fn rectangle_corners(shape: &Shape) -> Vec<[f64; 2]> {
    sheetloft_shapes::rectangle::largest_rectangle(shape).map_or_else(Vec::new, |best| ring_mm(&best.corners))
}

fn fate(piece: &Piece, names: &Names, reader: &Reader<'_>) -> Result<Option<String>, Error> {
    if piece.conflict {
        return Ok(Some(say!("fate-conflict").text()));
    }
    if piece.gone.is_some() {
        return Ok(Some(say!("fate-gone").text()));
    }
    let Some(used) = &piece.used else { return Ok(None) };
    let orders: Vec<String> = used.charges.iter().map(|c| names.order(c.order)).collect();
    let when = view::when(used.at_ms);
    Ok(Some(match used.how {
        How::Cut { plan } => {
            let state = reader.folded(Thing::new(ThingKind::Plan, plan))?.state;
            let code = state.and_then(sheetloft_ledger::state::State::plan).map_or_else(String::new, |p| p.code);
            say!("fate-cut", when = when, plan = code, orders = orders.join(", ")).text()
        }
        How::Taken if orders.is_empty() => {
            say!("fate-taken-shop", when = when, why = used.why.clone().unwrap_or_default()).text()
        }
        How::Taken => say!("fate-taken", when = when, orders = orders.join(", ")).text(),
        How::Withdrawn => say!("fate-withdrawn", when = when, why = used.why.clone().unwrap_or_default()).text(),
        How::HandedBack => {
            say!("fate-handed-back", when = when, owner = piece.owner.clone().unwrap_or_default()).text()
        }
        How::Scrapped => say!("fate-scrapped", when = when, why = used.why.clone().unwrap_or_default()).text(),
    }))
}

/// The piece it all came from and everything cut from it, depth first.
fn family(shop: &Shop, reader: &Reader<'_>, piece: &Piece) -> Result<Vec<Relative>, Error> {
    /// More relatives than anyone reads on a screen.
    const MOST: usize = 200;
    let mut root = piece.clone();
    let mut seen = vec![root.id];
    while let Some(parent) = root.from.map(|id| reader.piece(id)).transpose()?.flatten() {
        if seen.contains(&parent.id) {
            break;
        }
        seen.push(parent.id);
        root = parent;
    }
    let mut relatives = Vec::new();
    let mut queue = vec![(root, 0)];
    while let Some((piece, depth)) = queue.pop() {
        if relatives.len() == MOST {
            break;
        }
        let mut children = reader.children(piece.id)?;
        children.reverse();
        queue.extend(children.into_iter().map(|c| (c, depth + 1)));
        relatives.push(Relative {
            status: piece.status().word().to_owned(),
            size: size_text(&piece.shape, shop),
            shape: shape_mm(&piece.shape),
            cost: shop.money(piece.cost.max(0)),
            piece: piece.code,
            depth,
        });
    }
    Ok(relatives)
}

/// One line of `stock import` and `stock export`.
#[derive(Serialize, Deserialize)]
struct PieceLine {
    #[serde(default, skip_deserializing, skip_serializing_if = "Option::is_none")]
    piece: Option<String>,
    material: String,
    #[serde(default)]
    kind: Option<String>,
    #[serde(default)]
    rack: Option<String>,
    #[serde(default)]
    cost: Option<serde_json::Value>,
    #[serde(default)]
    lot: Option<String>,
    #[serde(default)]
    note: Option<String>,
    #[serde(default)]
    owner: Option<String>,
    #[serde(default)]
    grain_deg: Option<f64>,
    #[serde(default)]
    known: Option<serde_json::Value>,
    outline: Vec<[f64; 2]>,
    #[serde(default)]
    holes: Vec<Vec<[f64; 2]>>,
    #[serde(default)]
    flaws: Vec<FlawLine>,
}

#[derive(Serialize, Deserialize)]
struct FlawLine {
    outline: Vec<[f64; 2]>,
    #[serde(default)]
    holes: Vec<Vec<[f64; 2]>>,
    #[serde(default)]
    side: Option<String>,
    #[serde(default)]
    why: Option<String>,
}

/// What is on hand as JSON lines, one piece a line.
pub fn export(shop: &Shop) -> Result<FileAnswer, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let filter = PieceFilter::on_hand();
    let mut out = String::new();
    for p in reader.pieces(&filter)? {
        let line = PieceLine {
            piece: Some(p.code.clone()),
            material: names.material(p.material),
            kind: Some(view::kind_word(p.kind).to_owned()),
            rack: names.rack(p.rack),
            cost: Some(shop.money(p.carried()).into()),
            lot: names.lot(p.lot),
            note: p.note.clone(),
            owner: p.owner.clone(),
            grain_deg: p.grain_udeg.map(|g| g as f64 / 1_000_000.0),
            known: Some(match p.known_within_um == p.known.within_um() {
                true => view::known_word(p.known).into(),
                false => mm(p.known_within_um).into(),
            }),
            outline: ring_mm(p.shape.outline()),
            holes: view::holes_mm(&p.shape),
            flaws: p
                .flaws
                .iter()
                .map(|f| FlawLine {
                    outline: ring_mm(f.shape.outline()),
                    holes: view::holes_mm(&f.shape),
                    side: Some(view::side_word(f.side).to_owned()),
                    why: Some(f.why.clone()),
                })
                .collect(),
        };
        let fault = |e: serde_json::Error| Error::fault(say!("error-database", what = e.to_string()));
        out.push_str(&serde_json::to_string(&line).map_err(fault)?);
        out.push('\n');
    }
    Ok(FileAnswer {
        name: "stock.jsonl".to_owned(),
        media_type: "application/x-ndjson".to_owned(),
        data: STANDARD.encode(out),
        warnings: Vec::new(),
    })
}

/// A piece that is about to be recorded.
struct New {
    material: Material,
    kind: PieceKind,
    shape: Shape,
    flaws: Vec<(Shape, FlawSide, String)>,
    grain_udeg: Option<i64>,
    known: Known,
    known_within_um: i64,
    rack: Option<Uuid>,
    cost: i64,
    lot: Option<String>,
    note: Option<String>,
    from: Option<Uuid>,
    owner: Option<String>,
}

/// Pieces from JSON lines: all lines or none.
pub fn import(shop: &mut Shop, host: &mut dyn Host, with: &StockImport) -> Result<(ImportAnswer, Vec<Changed>), Error> {
    let file = &with.file;
    let text = given::utf8(file, "file")?;
    let mut news = Vec::new();
    let mut materials: BTreeMap<String, Material> = BTreeMap::new();
    let mut racks: BTreeMap<String, Uuid> = BTreeMap::new();
    for (number, line) in given::lines(&text) {
        let wrong = |why: String| given::in_line(number, &file.name, &why).at("file");
        if news.len() == limits::IMPORT_LINES {
            return Err(wrong(say!("error-many-lines", most = limits::IMPORT_LINES).text()));
        }
        let line: PieceLine = serde_json::from_str(line).map_err(|e| wrong(given::in_json(&e)))?;
        news.push(new_piece(shop, line, &mut materials, &mut racks).map_err(|e| match e.sort {
            crate::error::Sort::BadInput => wrong(e.to_string()),
            _ => e,
        })?);
    }
    if news.is_empty() {
        return Err(Error::bad(say!("error-no-lines", file = shown(&file.name))).at("file"));
    }
    let (pieces, changed) = record(shop, host, news)?;
    let pieces = pieces.into_iter().map(|b| ImportedPiece { piece: b.code, uuid: b.id.to_string() }).collect();
    Ok((ImportAnswer { pieces }, changed))
}

fn new_piece(
    shop: &Shop,
    line: PieceLine,
    materials: &mut BTreeMap<String, Material>,
    racks: &mut BTreeMap<String, Uuid>,
) -> Result<New, Error> {
    let reader = shop.read();
    let material = match materials.get(&line.material) {
        Some(material) => material.clone(),
        None => {
            let found = reader.find_material(&line.material)?;
            materials.insert(line.material.clone(), found.clone());
            found
        }
    };
    let rack = match filled(line.rack.as_deref()) {
        None => None,
        Some(name) => Some(match racks.get(name) {
            Some(id) => *id,
            None => {
                let id = reader.find_rack(name)?.id;
                racks.insert(name.to_owned(), id);
                id
            }
        }),
    };
    let kinds = [("sheet", PieceKind::Sheet), ("offcut", PieceKind::Offcut)];
    let kind = word(line.kind.as_deref(), &kinds, PieceKind::Offcut, "kind")?;
    let shape = ShapeJson { outline: line.outline, holes: line.holes }.shape()?;
    let cost = match line.cost {
        None | Some(serde_json::Value::Null) => 0,
        Some(serde_json::Value::String(text)) => shop.sum(&text, "cost")?,
        Some(serde_json::Value::Number(number)) => shop.sum(&number.to_string(), "cost")?,
        Some(other) => return Err(Error::bad(say!("error-money", text = shown(&other.to_string())))),
    };
    let (known, known_within_um) = match line.known {
        None | Some(serde_json::Value::Null) => (Known::Tape, Known::Tape.within_um()),
        Some(serde_json::Value::String(word)) => known(shop, Some(&word))?,
        Some(serde_json::Value::Number(number)) => known(shop, Some(&format!("{number}mm")))?,
        Some(other) => return Err(Error::bad(say!("error-known", text = shown(&other.to_string())))),
    };
    let flaws = line
        .flaws
        .into_iter()
        .map(|f| {
            let side = side(f.side.as_deref())?;
            let why = text(f.why.as_deref(), "why")?.unwrap_or_default();
            Ok((ShapeJson { outline: f.outline, holes: f.holes }.shape()?, side, why))
        })
        .collect::<Result<_, Error>>()?;
    Ok(New {
        grain_udeg: grain(&material, kind, &shape, line.grain_deg)?,
        kind,
        flaws,
        known,
        known_within_um,
        rack,
        cost,
        lot: text(line.lot.as_deref(), "lot")?,
        note: text(line.note.as_deref(), "note")?,
        from: None,
        owner: owned(line.owner.as_deref(), cost)?,
        shape,
        material,
    })
}

/// Direction of the grain: as said; else that of a sheet of this size, or along x. None where the material has none.
fn grain(material: &Material, kind: PieceKind, shape: &Shape, said_deg: Option<f64>) -> Result<Option<i64>, Error> {
    if material.data.grain == Grain::None {
        return Ok(None);
    }
    match said_deg {
        Some(deg) if (-360.0..=360.0).contains(&deg) => {
            Ok(Some(((deg * 1_000_000.0).round() as i64).rem_euclid(180_000_000)))
        }
        Some(deg) => Err(Error::bad(say!("error-grain", text = deg.to_string())).at("grain_deg")),
        None if kind == PieceKind::Sheet => {
            let (low, high) = shape.bounds();
            Ok(sheet_grain(material, i64::from(high.x - low.x), i64::from(high.y - low.y)))
        }
        None => Ok(Some(0)),
    }
}

/// How well an outline is known: `machine`, `tape`, `guess`, or a length.
fn known(shop: &Shop, given: Option<&str>) -> Result<(Known, i64), Error> {
    let Some(given) = given.map(str::trim).filter(|t| !t.is_empty()) else {
        return Ok((Known::Tape, Known::Tape.within_um()));
    };
    for known in [Known::Machine, Known::Tape, Known::Guess] {
        if given.eq_ignore_ascii_case(view::known_word(known)) {
            return Ok((known, known.within_um()));
        }
    }
    let wrong = |_| Error::bad(say!("error-known", text = shown(given))).at("known");
    let within = shop.allowance(given, "known").map_err(wrong)?;
    let closest = match within {
        0..=999 => Known::Machine,
        1_000..=3_499 => Known::Tape,
        _ => Known::Guess,
    };
    Ok((closest, within))
}

/// On which side a flaw lies.
pub fn side(given: Option<&str>) -> Result<FlawSide, Error> {
    let words = [("face", FlawSide::Face), ("back", FlawSide::Back), ("through", FlawSide::Through)];
    word(given, &words, FlawSide::Through, "side")
}

/// Whose material it is, where it is a customer's own: that has no cost.
pub fn owned(owner: Option<&str>, cost: i64) -> Result<Option<String>, Error> {
    let owner = text(owner, "owner")?;
    match owner.is_some() && cost != 0 {
        true => Err(Error::bad(say!("error-owned-cost")).at("cost")),
        false => Ok(owner),
    }
}

/// A leftover that nobody recorded. It costs 0.00 unless said.
pub fn offcut_add(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &OffcutAdd,
) -> Result<(OffcutAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let material = reader.find_material(&needed(&with.material, "material")?)?;
    let shape = given::piece(shop, &with.given)?;
    let from = filled(with.from.as_deref());
    let from = from.map(|code| reader.find_piece(code).map_err(|e| e.at("from"))).transpose()?;
    if let Some(from) = &from {
        if from.material != material.id {
            return Err(Error::bad(say!("error-from-material", piece = &from.code)).at("from"));
        }
        // Its area would count twice: what is cut off a piece on hand is recorded by `take`.
        if matches!(from.status(), Status::Free | Status::Held) {
            return Err(Error::refused(say!("refused-from-on-hand", piece = &from.code)).at("from"));
        }
    }
    let (known, known_within_um) = known(shop, with.known.as_deref())?;
    let said = with.grain_deg.as_deref().map(str::trim).filter(|t| !t.is_empty());
    let wrong = |t: &str| Error::bad(say!("error-grain", text = shown(t))).at("grain_deg");
    let said = said.map(|t| t.parse::<f64>().map_err(|_| wrong(t))).transpose()?;
    let rack = filled(with.rack.as_deref());
    let cost = filled(with.cost.as_deref());
    let given_cost = cost.map(|text| shop.sum(text, "cost")).transpose()?.unwrap_or(0);
    let new = New {
        grain_udeg: grain(&material, PieceKind::Offcut, &shape, said)?,
        kind: PieceKind::Offcut,
        flaws: Vec::new(),
        known,
        known_within_um,
        rack: rack.map(|name| reader.find_rack(name)).transpose()?.map(|r| r.id),
        cost: given_cost,
        lot: None,
        note: text(with.note.as_deref(), "note")?,
        owner: match from.as_ref().and_then(|p| p.owner.clone()) {
            Some(owner) => owned(Some(&owner), given_cost)?,
            None => owned(with.owner.as_deref(), given_cost)?,
        },
        from: from.map(|p| p.id),
        shape,
        material,
    };
    let (born, changed) = record(shop, host, vec![new])?;
    let born = &born[0];
    let answer = OffcutAnswer {
        piece: born.code.clone(),
        uuid: born.id.to_string(),
        cost: shop.money(born.cost),
        area_mm2: mm2(born.shape.area2()),
        size: size_text(&born.shape, shop),
    };
    Ok((answer, changed))
}

/// Records pieces that nobody recorded before, in one action.
fn record(shop: &mut Shop, host: &mut dyn Host, news: Vec<New>) -> Result<(Vec<Born>, Vec<Changed>), Error> {
    shop.write(host, |tx| {
        let mut lots: HashMap<(Uuid, String), Uuid> = HashMap::new();
        let mut all = Vec::with_capacity(news.len());
        for new in news {
            let id = tx.ids.uuid();
            let mut touches = vec![Thing::new(ThingKind::Piece, id)];
            let mut new_lot = None;
            let lot = match new.lot {
                None => None,
                Some(name) => {
                    let key = (new.material.id, name.to_lowercase());
                    let known = match lots.get(&key) {
                        Some(lot) => Some(*lot),
                        None => tx.read().lot_named(&name, new.material.id)?.map(|l| l.id),
                    };
                    let lot = known.unwrap_or_else(|| tx.ids.uuid());
                    if known.is_none() {
                        touches.push(Thing::new(ThingKind::Lot, lot));
                        new_lot = Some(name);
                    }
                    lots.insert(key, lot);
                    Some(lot)
                }
            };
            let born = Born {
                id,
                code: tx.next_code(Noun::Piece)?,
                shape: new.shape,
                flaws: new
                    .flaws
                    .into_iter()
                    .map(|(shape, side, why)| Flaw { id: tx.ids.uuid(), shape, side, why })
                    .collect(),
                grain_udeg: new.grain_udeg,
                known: new.known,
                known_within_um: new.known_within_um,
                rack: new.rack,
                cost: new.cost,
            };
            all.push(born.clone());
            let recorded = Recorded {
                kind: new.kind,
                material: new.material.id,
                lot,
                new_lot,
                from: new.from,
                note: new.note,
                piece: born,
                owner: new.owner,
            };
            tx.draft(Body::Recorded(recorded), touches);
        }
        Ok(all)
    })
}
