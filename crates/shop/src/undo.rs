//! `undo`, `redo`: the last action of this device, taken back where nothing was built on it.

use std::collections::BTreeSet;

use sheetloft_ledger::body::{Body, Undone};
use sheetloft_ledger::event::Thing;
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::kinds;
use sheetloft_store::{ActionRow, Reader, StoreError};
use uuid::Uuid;

use crate::action::Undo;
use crate::answer::{Changed, UndoAnswer};
use crate::error::Error;
use crate::history;
use crate::host::Host;
use crate::say;
use crate::shop::{Shop, changed};

/// How far back this device's own history is searched.
const MOST: usize = 5_000;

/// This device's last action that still counts and is not itself an undo, with its events.
fn last_action(reader: &Reader<'_>, device: Uuid) -> Result<Option<Vec<ActionRow>>, Error> {
    let own = reader.own_events(device, MOST)?;
    let last = own.iter().find(|row| !row.event.is_undo() && row.standing != Some(Standing::Undone));
    last.map(|row| reader.events_of_action(row.event.envelope.action)).transpose().map_err(Error::from)
}

/// The newest undo of this device that still counts, with nothing else done since.
fn last_undo(reader: &Reader<'_>, device: Uuid) -> Result<Option<Vec<ActionRow>>, Error> {
    for row in reader.own_events(device, MOST)? {
        let Some(Body::Undone(undo)) = &row.event.body else {
            return Ok(None);
        };
        let of_an_undo = reader.events_of_action(undo.action)?.first().is_some_and(|e| e.event.is_undo());
        if row.standing == Some(Standing::Counts) && !of_an_undo {
            return Ok(Some(reader.events_of_action(row.event.envelope.action)?));
        }
    }
    Ok(None)
}

fn undoable(action: &[ActionRow]) -> bool {
    action
        .iter()
        .all(|row| kinds::find(&row.event.envelope.kind, row.event.envelope.version).is_some_and(|k| k.undoable))
}

/// The last action in a sentence, if it could be taken back.
pub fn can_undo(shop: &Shop) -> Result<Option<String>, Error> {
    let reader = shop.read();
    let Some(device) = shop.store.device() else { return Ok(None) };
    match last_action(&reader, device)? {
        Some(action) if undoable(&action) => Ok(Some(history::sentence(shop, &reader, &action[0].event, &action)?)),
        _ => Ok(None),
    }
}

/// What could be done again, in a sentence.
pub fn can_redo(shop: &Shop) -> Result<Option<String>, Error> {
    let reader = shop.read();
    let Some(device) = shop.store.device() else { return Ok(None) };
    let Some(undo) = last_undo(&reader, device)? else { return Ok(None) };
    let Some(Body::Undone(body)) = &undo[0].event.body else { return Ok(None) };
    let action = reader.events_of_action(body.action)?;
    let Some(first) = action.first() else { return Ok(None) };
    Ok(Some(history::sentence(shop, &reader, &first.event, &action)?))
}

/// Takes back the last action of this device.
pub fn undo(shop: &mut Shop, host: &mut dyn Host, with: &Undo) -> Result<(UndoAnswer, Vec<Changed>), Error> {
    let device = shop.store.device().ok_or(StoreError::ReadOnly)?;
    let action = last_action(&shop.read(), device)?;
    let action = action.filter(|a| undoable(a)).ok_or_else(|| Error::refused(say!("refused-nothing-to-undo")))?;
    let text = history::sentence(shop, &shop.read(), &action[0].event, &action)?;
    let is_cut = action.iter().any(|row| matches!(row.event.body, Some(Body::Cut(_))));
    if is_cut && !with.not_cut {
        return Err(Error::refused(say!("refused-undo-cut", text = text)).at("not_cut"));
    }
    take_back(shop, host, &action, &text)
}

/// Does again what was taken back last.
pub fn redo(shop: &mut Shop, host: &mut dyn Host) -> Result<(UndoAnswer, Vec<Changed>), Error> {
    let device = shop.store.device().ok_or(StoreError::ReadOnly)?;
    let undo = last_undo(&shop.read(), device)?;
    let undo = undo.ok_or_else(|| Error::refused(say!("refused-nothing-to-redo")))?;
    let text = can_redo(shop)?.unwrap_or_default();
    take_back(shop, host, &undo, &text)
}

/// Writes an undo of an action, and keeps it only where it takes effect.
fn take_back(
    shop: &mut Shop,
    host: &mut dyn Host,
    action: &[ActionRow],
    text: &str,
) -> Result<(UndoAnswer, Vec<Changed>), Error> {
    let id = action[0].event.envelope.action;
    let things: BTreeSet<Thing> = action.iter().flat_map(|row| row.event.things().collect::<Vec<_>>()).collect();
    if shop.store.is_newer()? {
        return Err(StoreError::Newer.into());
    }
    let person = shop.worker.person;
    let (written, _) = shop.store.transact(shop.setting.id, host, |tx, key| {
        tx.by(person);
        tx.draft(Body::Undone(Undone { action: id }), things);
        let (changed, standings) = tx.flush(key)?;
        match standings.first() {
            Some(Standing::Counts) => Ok(changed),
            _ => Err(Error::refused(say!("refused-built-on", text = text))),
        }
    })?;
    Ok((UndoAnswer { action: id.to_string(), text: text.to_owned() }, changed(&written)))
}
