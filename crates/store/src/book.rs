//! The ledger's book over the state tables of an open transaction.

use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, params};
use sheetloft_ledger::event::{Event, Hash, Thing, ThingKind};
use sheetloft_ledger::fold::{Book, Folded, Standing};
use sheetloft_ledger::state::State;
use uuid::Uuid;

use crate::error::StoreError;
use crate::stock;

/// The book of one connection.
pub(crate) struct SqlBook<'a>(pub &'a Connection);

impl SqlBook<'_> {
    fn events(&self, sql: &str, id: Uuid) -> Result<Vec<Arc<Event>>, StoreError> {
        let mut statement = self.0.prepare_cached(sql)?;
        let mut rows = statement.query([id])?;
        let mut events = Vec::new();
        while let Some(row) = rows.next()? {
            events.push(Arc::new(Event::read(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?));
        }
        Ok(events)
    }
}

pub(crate) fn hash_from(bytes: &[u8]) -> Result<Hash, StoreError> {
    let damaged = |_| StoreError::Damaged { what: "a hash is not 32 bytes".into() };
    Ok(Hash(bytes.try_into().map_err(damaged)?))
}

impl Book for SqlBook<'_> {
    type Error = StoreError;

    fn events_of(&self, thing: Thing) -> Result<Vec<Arc<Event>>, StoreError> {
        self.events("SELECT e.bytes FROM touch t JOIN event e USING (seq) WHERE t.thing = ?1", thing.id)
    }

    fn events_of_action(&self, action: Uuid) -> Result<Vec<Arc<Event>>, StoreError> {
        self.events("SELECT bytes FROM event WHERE action = ?1", action)
    }

    fn undos_of(&self, action: Uuid) -> Result<Vec<Arc<Event>>, StoreError> {
        self.events("SELECT bytes FROM event WHERE undoes = ?1", action)
    }

    fn heads(&self, thing: Thing) -> Result<Vec<Hash>, StoreError> {
        let sql = "SELECT e.hash FROM touch t JOIN event e USING (seq) WHERE t.thing = ?1 AND t.head = 1";
        let mut statement = self.0.prepare_cached(sql)?;
        let mut rows = statement.query([thing.id])?;
        let mut heads = Vec::new();
        while let Some(row) = rows.next()? {
            heads.push(hash_from(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?);
        }
        Ok(heads)
    }

    fn has_unknown(&self) -> Result<bool, StoreError> {
        Ok(self.0.prepare_cached("SELECT 1 FROM event WHERE known = 0 LIMIT 1")?.exists([])?)
    }

    fn standing(&self, event: Hash) -> Result<Option<Standing>, StoreError> {
        let mut statement = self.0.prepare_cached("SELECT standing FROM event WHERE hash = ?1")?;
        Ok(statement.query_row([&event.0[..]], |row| row.get(0)).optional()?.and_then(Standing::from_number))
    }

    fn set_standing(&mut self, event: Hash, standing: Standing) -> Result<(), StoreError> {
        self.0
            .prepare_cached("UPDATE event SET standing = ?2 WHERE hash = ?1")?
            .execute(params![&event.0[..], standing.number()])?;
        Ok(())
    }

    fn folded(&self, thing: Thing) -> Result<Folded, StoreError> {
        let sql = match thing.kind {
            ThingKind::Piece => "SELECT frozen, body FROM piece WHERE id = ?1",
            _ => "SELECT frozen, body FROM thing WHERE id = ?1",
        };
        let row: Option<(bool, Option<String>)> =
            self.0.prepare_cached(sql)?.query_row([thing.id], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
        let Some((frozen, body)) = row else { return Ok(Folded::default()) };
        Ok(Folded { state: body.map(|b| serde_json::from_str(&b)).transpose()?, frozen })
    }

    fn put(&mut self, thing: Thing, folded: Folded) -> Result<(), StoreError> {
        let body = folded.state.as_ref().map(serde_json::to_string).transpose()?;
        if thing.kind != ThingKind::Piece {
            let code = folded.state.as_ref().and_then(search_key);
            self.0
                .prepare_cached("REPLACE INTO thing (id, kind, code, frozen, body) VALUES (?1, ?2, ?3, ?4, ?5)")?
                .execute(params![thing.id, thing.kind.word(), code, folded.frozen, body])?;
            return Ok(());
        }
        self.0.prepare_cached("DELETE FROM charge WHERE piece = ?1")?.execute([thing.id])?;
        let piece = match &folded.state {
            Some(State::Piece(piece)) => Some(piece),
            _ => None,
        };
        if let Some(used) = piece.and_then(|p| p.used.as_ref()) {
            for charge in &used.charges {
                self.0
                    .prepare_cached("INSERT OR IGNORE INTO charge (orders, piece) VALUES (?1, ?2)")?
                    .execute(params![charge.order, thing.id])?;
            }
        }
        let (charged, written_off) = piece.map_or((0, 0), |p| p.charged_and_written_off());
        self.0
            .prepare_cached(
                "REPLACE INTO piece (id, frozen, code, kind, status, material, rack, lot, parent, area2, received, \
                 carried, charged, written_off, label_due, born_ms, body) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)",
            )?
            .execute(params![
                thing.id,
                folded.frozen,
                piece.map(|p| &p.code),
                piece.map(|p| p.kind.word()),
                piece.map(|p| p.status().word()),
                piece.map(|p| p.material),
                piece.and_then(|p| p.rack),
                piece.and_then(|p| p.lot),
                piece.and_then(|p| p.from),
                piece.map(|p| p.shape.area2()),
                piece.map_or(0, |p| p.received),
                piece.map_or(0, |p| p.carried()),
                charged,
                written_off,
                piece.is_some_and(|p| p.label_due && p.used.is_none() && !p.set_aside),
                piece.map(|p| i64::try_from(p.born_ms).unwrap_or(i64::MAX)),
                body,
            ])?;
        stock::put(self.0, thing.id, piece.map(|p| &**p))
    }
}

/// What a thing is looked up by: its code, or its name in lower case.
fn search_key(state: &State) -> Option<String> {
    match state {
        State::Order(order) => Some(order.code.clone()),
        State::Plan(plan) => Some(plan.code.clone()),
        State::Rack(rack) => Some(rack.name.to_lowercase()),
        State::Material(material) => Some(material.data.name.to_lowercase()),
        State::Machine(machine) => Some(machine.data.name.to_lowercase()),
        State::Lot(lot) => Some(lot.name.to_lowercase()),
        State::Device(device) => Some(device.tag.clone()),
        State::Person(person) => Some(person.data.name.to_lowercase()),
        State::Paper(paper) => Some(paper.name.to_lowercase()),
        State::Delivery(delivery) => Some(delivery.name.to_lowercase()).filter(|name| !name.is_empty()),
        State::Piece(_) | State::Setting(_) | State::Count(_) => None,
    }
}
