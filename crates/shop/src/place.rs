//! `machine add`, `machine list`, `move`: machines, and where a piece stands.

use sheetloft_ledger::body::{Body, MachineAdded, MachineKind, MachineTuned, Moved};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Machine, State};

use crate::action::{MachineAdd, Move};
use crate::answer::{Changed, MachineAnswer, MachineLimit, MachineMaterial, MachineRow, MachinesAnswer, MoveAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, word};
use crate::view::{Names, mm};

/// Adds a machine, or gives an existing one its own values for a material.
pub fn machine_add(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &MachineAdd,
) -> Result<(MachineAnswer, Vec<Changed>), Error> {
    let name = needed(&with.name, "name")?;
    let known = shop.read().machines_named(&name)?.into_iter().next();
    let material = match filled(with.material.as_deref()) {
        Some(name) => Some(shop.read().find_material(name)?),
        None => None,
    };
    let own =
        |given: &Option<String>, field| filled(given.as_deref()).map(|text| shop.allowance(text, field)).transpose();
    let (kerf_um, gap_um, margin_um) = (own(&with.kerf, "kerf")?, own(&with.gap, "gap")?, own(&with.margin, "margin")?);
    let tuned = match &material {
        Some(m) => Some(MachineTuned { material: m.id, kerf_um, gap_um, margin_um }),
        None if kerf_um.or(gap_um).or(margin_um).is_some() => {
            return Err(Error::bad(say!("error-machine-material")).at("material"));
        }
        None => None,
    };
    let added = match (&known, filled(with.bed.as_deref())) {
        (Some(_), Some(_)) => return Err(Error::bad(say!("error-name-taken", name = name)).at("name")),
        (Some(_), None) if tuned.is_none() => {
            return Err(Error::bad(say!("error-name-taken", name = name)).at("name"));
        }
        (Some(_), None) => None,
        (None, None) => return Err(Error::bad(say!("error-needed")).at("bed")),
        (None, Some(bed)) => {
            let (w, h) = shop.size(bed, "bed")?;
            let kinds = [("laser", MachineKind::Laser), ("router", MachineKind::Router)];
            let thickness = filled(with.max_thickness.as_deref());
            Some(MachineAdded {
                name: name.clone(),
                bed_um: [w, h],
                kind: word(with.kind.as_deref(), &kinds, MachineKind::Laser, "kind")?,
                max_thickness_um: thickness.map(|t| shop.extent(t, "max_thickness")).transpose()?,
            })
        }
    };
    let (id, changed) = shop.write(host, |tx| {
        let id = known.as_ref().map_or_else(|| tx.ids.uuid(), |m| m.id);
        let thing = Thing::new(ThingKind::Machine, id);
        if let Some(added) = added {
            tx.draft(Body::MachineAdded(added), [thing]);
        }
        if let Some(tuned) = tuned {
            tx.draft(Body::MachineTuned(tuned), [thing]);
        }
        Ok(id)
    })?;
    let machine = shop.read().folded(Thing::new(ThingKind::Machine, id))?.state.and_then(State::machine);
    let machine = machine.ok_or_else(|| Error::bad(say!("error-unknown-machine", name = name)))?;
    let names = Names::read(&shop.read())?;
    Ok((MachineAnswer { machine: machine_row(&machine, &names) }, changed))
}

/// The machines, by name.
pub fn machine_list(shop: &Shop) -> Result<MachinesAnswer, Error> {
    let names = Names::read(&shop.read())?;
    Ok(MachinesAnswer { machines: shop.read().machines()?.iter().map(|m| machine_row(m, &names)).collect() })
}

pub fn machine_row(machine: &Machine, names: &Names) -> MachineRow {
    MachineRow {
        name: machine.data.name.clone(),
        uuid: machine.id.to_string(),
        bed: machine.data.bed_um.map(mm),
        kind: match machine.data.kind {
            MachineKind::Laser => "laser",
            MachineKind::Router => "router",
        }
        .to_owned(),
        max_thickness: machine.data.max_thickness_um.map(mm),
        limits: machine
            .limits
            .iter()
            .map(|l| MachineLimit { sort: l.sort.word().to_owned(), thickness: mm(l.most_um) })
            .collect(),
        focus_above: Some(machine.focus_above_um).filter(|um| *um > 0).map(mm),
        retired: machine.retired,
        materials: machine
            .tuned
            .iter()
            .map(|t| MachineMaterial {
                material: names.material(t.material),
                kerf: t.kerf_um.map(mm),
                gap: t.gap_um.map(mm),
                margin: t.margin_um.map(mm),
            })
            .collect(),
    }
}

/// Puts a piece somewhere else. To where it stands already: nothing is written.
pub fn move_piece(shop: &mut Shop, host: &mut dyn Host, with: &Move) -> Result<(MoveAnswer, Vec<Changed>), Error> {
    let piece = shop.read().find_piece(&with.piece).map_err(|e| e.at("piece"))?;
    let rack = shop.read().find_rack(&with.rack)?;
    let thing = Thing::new(ThingKind::Piece, piece.id);
    shop.read().not_frozen(thing, &piece.code)?;
    rules::on_hand(&piece)?;
    if piece.rack == Some(rack.id) {
        return Ok((MoveAnswer { piece: piece.code, rack: Some(rack.name), moved: false }, Vec::new()));
    }
    let ((), changed) = shop.write(host, |tx| {
        let now = tx.read().piece(piece.id)?;
        now.iter().try_for_each(rules::on_hand)?;
        tx.draft(Body::Moved(Moved { piece: piece.id, rack: Some(rack.id) }), [thing]);
        Ok(())
    })?;
    Ok((MoveAnswer { piece: piece.code, rack: Some(rack.name), moved: true }, changed))
}
