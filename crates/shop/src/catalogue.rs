//! More of materials and machines: prices so far, retiring, machines' limits, and what worked: cutting notes.

use sheetloft_ledger::body::{Body, CuttingNoted, MachineChanged, MachineKind, Retired, Sort, SortLimit};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::state::{Machine, Material, Noted, State};

use crate::action::{CuttingNote, CuttingNotes, MachineChange, MachineRetire, MaterialRetire, MaterialShow};
use crate::answer::{
    Changed, CuttingNoteRow, CuttingNotesAnswer, MachineAnswer, MaterialAnswer, MaterialShowAnswer, PriceRow,
};
use crate::error::Error;
use crate::history;
use crate::host::Host;
use crate::material;
use crate::place::machine_row;
use crate::say;
use crate::shop::{Lookup, Shop, filled, shown, text, whole, word};
use crate::view::{self, Names, mm};

/// Most passes that anyone makes.
const PASSES: u32 = 100;

fn thing(machine: &Machine) -> Thing {
    Thing::new(ThingKind::Machine, machine.id)
}

/// One material with its prices so far, what worked for it and its history.
pub fn material_show(shop: &Shop, with: &MaterialShow) -> Result<MaterialShowAnswer, Error> {
    let reader = shop.read();
    let found = reader.find_material(&with.material)?;
    let names = Names::read(&reader)?;
    let on_hand = reader.on_hand_by(sheetloft_store::By::Material)?;
    let count = on_hand.iter().find(|(id, _)| *id == found.id).map_or(0, |(_, n)| *n);
    let events = reader.history(Some(found.id), history::MOST)?;
    let rows = history::rows(shop, events)?;
    let mut prices = Vec::new();
    for event in reader.history(Some(found.id), history::MOST)? {
        if event.standing.is_some_and(|s| s != Standing::Counts) {
            continue;
        }
        let price = match &event.event.body {
            Some(Body::MaterialAdded(b)) => b.price_per_m2.map(Some),
            Some(Body::MaterialChanged(b)) if b.price_per_m2.is_some() => Some(b.price_per_m2),
            Some(Body::MaterialChanged(b)) if b.cleared.contains(&sheetloft_ledger::body::MaterialField::Price) => {
                Some(None)
            }
            _ => None,
        };
        if let Some(price) = price {
            let envelope = &event.event.envelope;
            let device = reader.devices()?.into_iter().find(|d| d.id == envelope.device);
            prices.push(PriceRow {
                when: view::when(envelope.clock.ms),
                price: price.map(|p| shop.money(p)),
                device: device.map_or_else(|| envelope.device.to_string(), |d| d.tag),
            });
        }
    }
    let of = CuttingNotes { machine: None, material: Some(found.id.to_string()) };
    Ok(MaterialShowAnswer {
        material: material::row(shop, &names, &found, count),
        prices,
        notes: notes(shop, &of)?.notes,
        history: rows,
    })
}

/// A material is no longer used for anything new, or is again.
pub fn material_retire(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &MaterialRetire,
) -> Result<(MaterialAnswer, Vec<Changed>), Error> {
    let found = shop.read().find_material(&with.material)?;
    let thing = Thing::new(ThingKind::Material, found.id);
    shop.read().not_frozen(thing, &found.data.name)?;
    let why = text(with.why.as_deref(), "why")?;
    let retired = !with.back;
    let changed = match found.retired == retired {
        true => Vec::new(),
        false => {
            shop.write(host, |tx| {
                tx.draft(Body::Retired(Retired { thing: found.id, retired, why }), [thing]);
                Ok(())
            })?
            .1
        }
    };
    let after = shop.read().material(found.id)?;
    let names = Names::read(&shop.read())?;
    Ok((MaterialAnswer { material: material::row(shop, &names, &after, 0) }, changed))
}

fn machine_answer(shop: &Shop, of: &Machine) -> Result<MachineAnswer, Error> {
    let after = shop.read().folded(thing(of))?.state.and_then(State::machine);
    let names = Names::read(&shop.read())?;
    Ok(MachineAnswer { machine: machine_row(after.as_ref().unwrap_or(of), &names) })
}

/// Changes some fields of a machine.
pub fn machine_change(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &MachineChange,
) -> Result<(MachineAnswer, Vec<Changed>), Error> {
    let machine = shop.read().find_machine(&with.machine)?;
    shop.read().not_frozen(thing(&machine), &machine.data.name)?;
    let mut limits: Vec<SortLimit> = Vec::new();
    for limit in with.limits.iter().filter(|t| !t.trim().is_empty()) {
        let wrong = || Error::bad(say!("error-limit", text = shown(limit))).at("limits");
        let (sort, most) = limit.split_once('=').ok_or_else(wrong)?;
        let words = Sort::ALL.map(|s| (s.word(), Some(s)));
        let sort = word(Some(sort), &words, None, "limits")?.ok_or_else(wrong)?;
        let most_um = shop.extent(most, "limits")?;
        limits.retain(|l| l.sort != sort);
        limits.push(SortLimit { sort, most_um });
    }
    let kinds = [("laser", Some(MachineKind::Laser)), ("router", Some(MachineKind::Router))];
    let change = MachineChanged {
        bed_um: filled(with.bed.as_deref()).map(|t| shop.size(t, "bed")).transpose()?.map(|(w, h)| [w, h]),
        kind: word(with.kind.as_deref(), &kinds, None, "kind")?,
        max_thickness_um: filled(with.max_thickness.as_deref()).map(|t| shop.extent(t, "max_thickness")).transpose()?,
        limits: (!limits.is_empty()).then_some(limits),
        focus_above_um: filled(with.focus_above.as_deref()).map(|t| shop.allowance(t, "focus_above")).transpose()?,
    };
    let changed = match change == MachineChanged::default() {
        true => Vec::new(),
        false => {
            shop.write(host, |tx| {
                tx.draft(Body::MachineChanged(change), [thing(&machine)]);
                Ok(())
            })?
            .1
        }
    };
    machine_answer(shop, &machine).map(|answer| (answer, changed))
}

/// A machine is no longer used for anything new, or is again.
pub fn machine_retire(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &MachineRetire,
) -> Result<(MachineAnswer, Vec<Changed>), Error> {
    let machine = shop.read().find_machine(&with.machine)?;
    shop.read().not_frozen(thing(&machine), &machine.data.name)?;
    let why = text(with.why.as_deref(), "why")?;
    let retired = !with.back;
    let changed = match machine.retired == retired {
        true => Vec::new(),
        false => {
            shop.write(host, |tx| {
                tx.draft(Body::Retired(Retired { thing: machine.id, retired, why }), [thing(&machine)]);
                Ok(())
            })?
            .1
        }
    };
    machine_answer(shop, &machine).map(|answer| (answer, changed))
}

/// Hundredths of a percent.
fn power(given: &str) -> Result<u32, Error> {
    let wrong = || Error::bad(say!("error-power", text = shown(given))).at("power");
    let plain = given.trim().trim_end_matches('%').trim_end().replace(',', ".");
    let (whole, part) = plain.split_once('.').unwrap_or((&plain, ""));
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 3 || !digits(whole) || !digits(part) || part.len() > 2 {
        return Err(wrong());
    }
    let value: u32 = format!("{whole}{part:0<2}").parse().map_err(|_| wrong())?;
    if (1..=10_000).contains(&value) { Ok(value) } else { Err(wrong()) }
}

/// Notes what worked for a material on a machine. Earlier notes stay as history.
pub fn note(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &CuttingNote,
) -> Result<(CuttingNotesAnswer, Vec<Changed>), Error> {
    let machine = shop.read().find_machine(&with.machine)?;
    shop.read().not_frozen(thing(&machine), &machine.data.name)?;
    let material = shop.read().find_material(&with.material)?;
    let speed = filled(with.speed.as_deref()).map(|t| shop.extent(t.trim_end_matches("/s"), "speed")).transpose()?;
    let noted = CuttingNoted {
        material: material.id,
        power: filled(with.power.as_deref()).map(power).transpose()?,
        speed_um_s: speed,
        passes: filled(with.passes.as_deref()).map(|t| whole(t, 1, PASSES, "passes")).transpose()?.unwrap_or(1),
        air: text(with.air.as_deref(), "air")?,
        lens: text(with.lens.as_deref(), "lens")?,
        note: text(with.note.as_deref(), "note")?,
        by: text(with.by.as_deref(), "by")?,
    };
    if noted.power.is_none() && noted.speed_um_s.is_none() && noted.note.is_none() && noted.lens.is_none() {
        return Err(Error::bad(say!("error-empty-note")).at("power"));
    }
    let ((), changed) = shop.write(host, |tx| {
        tx.draft(Body::CuttingNoted(noted), [thing(&machine)]);
        Ok(())
    })?;
    let of = CuttingNotes { machine: Some(machine.data.name), material: Some(material.id.to_string()) };
    notes(shop, &of).map(|answer| (answer, changed))
}

/// What worked, newest first.
pub fn notes(shop: &Shop, with: &CuttingNotes) -> Result<CuttingNotesAnswer, Error> {
    let reader = shop.read();
    let material = filled(with.material.as_deref()).map(|m| reader.find_material(m)).transpose()?;
    let machines = match filled(with.machine.as_deref()) {
        Some(name) => vec![reader.find_machine(name)?],
        None => reader.machines()?,
    };
    let names = Names::read(&reader)?;
    let mut found: Vec<(&Machine, &Noted)> =
        machines.iter().flat_map(|m| m.notes.iter().map(move |n| (m, n))).collect();
    found.retain(|(_, n)| material.as_ref().is_none_or(|m| m.id == n.note.material));
    found.sort_by_key(|(_, n)| std::cmp::Reverse(n.at_ms));
    Ok(CuttingNotesAnswer { notes: found.into_iter().map(|(m, n)| row(&names, m, n)).collect() })
}

fn row(names: &Names, machine: &Machine, noted: &Noted) -> CuttingNoteRow {
    let n = &noted.note;
    CuttingNoteRow {
        machine: machine.data.name.clone(),
        material: names.material(n.material),
        when: view::when(noted.at_ms),
        power: n.power.map(|p| f64::from(p) / 100.0),
        speed: n.speed_um_s.map(mm),
        passes: n.passes.max(1),
        air: n.air.clone(),
        lens: n.lens.clone(),
        note: n.note.clone(),
        by: n.by.clone(),
        text: note_text(n),
    }
}

/// A cutting note in one line.
pub fn note_text(n: &CuttingNoted) -> String {
    let mut parts = Vec::new();
    parts.extend(n.power.map(|p| say!("note-power", power = (f64::from(p) / 100.0).to_string()).text()));
    parts.extend(n.speed_um_s.map(|s| say!("note-speed", speed = mm(s).to_string()).text()));
    parts.push(say!("note-passes", count = n.passes.max(1)).text());
    parts.extend(n.air.as_ref().map(|air| say!("note-air", air = air).text()));
    parts.extend(n.lens.clone());
    parts.extend(n.note.clone());
    parts.extend(n.by.as_ref().map(|by| say!("note-by", by = by).text()));
    parts.join(", ")
}

/// The newest note of a machine for a material.
pub fn newest(machine: &Machine, material: uuid::Uuid) -> Option<&CuttingNoted> {
    machine.notes.iter().rev().map(|n| &n.note).find(|n| n.material == material)
}

/// How long a cut of so many µm takes by a note, seconds, rounded up; none where it has no speed. Piercing, travel and
/// slowing down at corners are not in it.
pub fn seconds(length_um: i64, note: &CuttingNoted) -> Option<i64> {
    let speed = note.speed_um_s.filter(|s| *s > 0)?;
    let length = length_um.checked_mul(i64::from(note.passes.max(1)))?;
    Some((length + speed - 1) / speed)
}

/// What the person at the machine should know of a cut: what worked, how the focus is set, about how long it takes.
pub fn cutting(machine: &Machine, material: &Material, length_um: i64) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(note) = newest(machine, material.id) {
        lines.push(say!("cutting-worked", text = note_text(note)).text());
        if let Some(seconds) = seconds(length_um, note) {
            let (minutes, rest) = (seconds / 60, seconds % 60);
            let time = format!("{minutes}:{rest:02}");
            lines.push(say!("cutting-time", length = format!("{:.1}", mm(length_um) / 1_000.0), time = time).text());
        }
    }
    if machine.focus_above_um > 0 && material.data.thickness_um > machine.focus_above_um {
        let above = sheetloft_ledger::units::format_mm(machine.focus_above_um);
        lines.push(say!("cutting-focus", above = above, machine = &machine.data.name).text());
    }
    lines
}
