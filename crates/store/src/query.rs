//! What the program asks of a shop file.

use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::de::DeserializeOwned;
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::count::Count;
use sheetloft_ledger::event::{Event, Thing, ThingKind};
use sheetloft_ledger::fold::{Book, Folded, Standing};
use sheetloft_ledger::labelling::PaperKept;
use sheetloft_ledger::state::{Machine, Material, Order, Piece, Plan, Rack, Setting, State};
use uuid::Uuid;

use crate::book::SqlBook;
use crate::error::StoreError;
use crate::file::Store;

/// Which pieces to list; what is left out does not narrow.
#[derive(Clone, Default, Debug)]
pub struct PieceFilter {
    /// Of this material.
    pub material: Option<Uuid>,
    /// In this rack.
    pub rack: Option<Uuid>,
    /// `sheet` or `offcut`.
    pub kind: Option<&'static str>,
    /// With one of these statuses.
    pub statuses: Vec<&'static str>,
    /// Only pieces whose label is due.
    pub label_due: bool,
    /// Of this lot.
    pub lot: Option<Uuid>,
}

impl PieceFilter {
    /// What is on hand: neither used up nor written off.
    pub fn on_hand() -> Self {
        Self { statuses: vec!["free", "held", "conflict"], ..Self::default() }
    }
}

/// One event of the history with how it stands.
pub struct ActionRow {
    /// The event.
    pub event: Event,
    /// Whether it counts.
    pub standing: Option<Standing>,
}

/// The read side of a shop file, inside or outside a transaction.
pub struct Reader<'a>(pub(crate) &'a Connection);

impl Store {
    /// The read side.
    pub fn read(&self) -> Reader<'_> {
        Reader(&self.conn)
    }
}

pub(crate) fn body<T: DeserializeOwned>(row: &Row<'_>) -> Result<T, StoreError> {
    let text = row.get_ref(0).map_err(StoreError::from)?;
    let text = text.as_str().map_err(rusqlite::Error::from)?;
    Ok(serde_json::from_str(text)?)
}

impl Reader<'_> {
    fn states(&self, sql: &str, params: impl rusqlite::Params) -> Result<Vec<State>, StoreError> {
        let mut statement = self.0.prepare_cached(sql)?;
        let mut rows = statement.query(params)?;
        let mut states = Vec::new();
        while let Some(row) = rows.next()? {
            states.push(body(row)?);
        }
        Ok(states)
    }

    /// A thing's state, and whether it is frozen.
    pub fn folded(&self, thing: Thing) -> Result<Folded, StoreError> {
        SqlBook(self.0).folded(thing)
    }

    fn all_of(&self, kind: ThingKind) -> Result<Vec<State>, StoreError> {
        self.states("SELECT body FROM thing WHERE kind = ?1 AND body IS NOT NULL ORDER BY code, id", [kind.word()])
    }

    fn by_code(&self, kind: ThingKind, code: &str) -> Result<Vec<State>, StoreError> {
        let sql = "SELECT body FROM thing WHERE kind = ?1 AND code = ?2 AND body IS NOT NULL ORDER BY id";
        self.states(sql, params![kind.word(), code])
    }

    /// The shop's settings; `None` before the first action.
    pub fn setting(&self) -> Result<Option<Setting>, StoreError> {
        Ok(self.all_of(ThingKind::Setting)?.into_iter().find_map(State::setting))
    }

    /// Every material, by name.
    pub fn materials(&self) -> Result<Vec<Material>, StoreError> {
        Ok(self.all_of(ThingKind::Material)?.into_iter().filter_map(State::material).map(|m| *m).collect())
    }

    /// The materials with this name, in any letter case.
    pub fn materials_named(&self, name: &str) -> Result<Vec<Material>, StoreError> {
        let found = self.by_code(ThingKind::Material, &name.to_lowercase())?;
        Ok(found.into_iter().filter_map(State::material).map(|m| *m).collect())
    }

    /// Every rack, by name.
    pub fn racks(&self) -> Result<Vec<Rack>, StoreError> {
        Ok(self.all_of(ThingKind::Rack)?.into_iter().filter_map(State::rack).collect())
    }

    /// The rack with this name, in any letter case. Racks of one name are one: the lowest UUID stands for them.
    pub fn rack_named(&self, name: &str) -> Result<Option<Rack>, StoreError> {
        Ok(self.by_code(ThingKind::Rack, &name.to_lowercase())?.into_iter().find_map(State::rack))
    }

    /// The label papers that people described, by name.
    pub fn papers(&self) -> Result<Vec<PaperKept>, StoreError> {
        Ok(self.all_of(ThingKind::Setting)?.into_iter().filter_map(State::paper).collect())
    }

    /// Every count, finished or not, the oldest first.
    pub fn counts(&self) -> Result<Vec<Count>, StoreError> {
        let mut counts: Vec<Count> =
            self.all_of(ThingKind::Count)?.into_iter().filter_map(State::count).map(|c| *c).collect();
        counts.sort_by_key(|c| (c.at_ms, c.id));
        Ok(counts)
    }

    /// What this machine keeps for itself under a name; it is in no event and goes to no other device.
    pub fn kept_here(&self, name: &str) -> Result<Option<String>, StoreError> {
        let mut statement = self.0.prepare_cached("SELECT value FROM local WHERE key = ?1")?;
        Ok(statement.query_row([format!("here {name}")], |row| row.get(0)).optional()?)
    }

    pub(crate) fn keep_here(&self, name: &str, value: &str) -> Result<(), StoreError> {
        self.0
            .prepare_cached("REPLACE INTO local (key, value) VALUES (?1, ?2)")?
            .execute([&format!("here {name}"), value])?;
        Ok(())
    }

    /// Every machine, by name.
    pub fn machines(&self) -> Result<Vec<Machine>, StoreError> {
        Ok(self.all_of(ThingKind::Machine)?.into_iter().filter_map(State::machine).collect())
    }

    /// The machines with this name, in any letter case.
    pub fn machines_named(&self, name: &str) -> Result<Vec<Machine>, StoreError> {
        let found = self.by_code(ThingKind::Machine, &name.to_lowercase())?;
        Ok(found.into_iter().filter_map(State::machine).collect())
    }

    /// Every order, by code.
    pub fn orders(&self) -> Result<Vec<Order>, StoreError> {
        Ok(self.all_of(ThingKind::Order)?.into_iter().filter_map(State::order).map(|o| *o).collect())
    }

    /// The orders with this code.
    pub fn orders_coded(&self, code: &str) -> Result<Vec<Order>, StoreError> {
        Ok(self.by_code(ThingKind::Order, code)?.into_iter().filter_map(State::order).map(|o| *o).collect())
    }

    /// Every plan, by code.
    pub fn plans(&self) -> Result<Vec<Plan>, StoreError> {
        Ok(self.all_of(ThingKind::Plan)?.into_iter().filter_map(State::plan).map(|p| *p).collect())
    }

    /// The plans with this code.
    pub fn plans_coded(&self, code: &str) -> Result<Vec<Plan>, StoreError> {
        Ok(self.by_code(ThingKind::Plan, code)?.into_iter().filter_map(State::plan).map(|p| *p).collect())
    }

    /// The lot with this name and material.
    pub fn lot_named(&self, name: &str, material: Uuid) -> Result<Option<sheetloft_ledger::state::Lot>, StoreError> {
        let found = self.by_code(ThingKind::Lot, &name.to_lowercase())?;
        Ok(found.into_iter().filter_map(State::lot).find(|lot| lot.material == material))
    }

    /// The lots with this name, in any letter case.
    pub fn lots_named(&self, name: &str) -> Result<Vec<sheetloft_ledger::state::Lot>, StoreError> {
        let found = self.by_code(ThingKind::Lot, &name.to_lowercase())?;
        Ok(found.into_iter().filter_map(State::lot).collect())
    }

    /// Every delivery, what is on order among them.
    pub fn deliveries(&self) -> Result<Vec<sheetloft_ledger::state::Delivery>, StoreError> {
        Ok(self.all_of(ThingKind::Delivery)?.into_iter().filter_map(State::delivery).collect())
    }

    /// The deliveries with this name, in any letter case.
    pub fn deliveries_named(&self, name: &str) -> Result<Vec<sheetloft_ledger::state::Delivery>, StoreError> {
        let found = self.by_code(ThingKind::Delivery, &name.to_lowercase())?;
        Ok(found.into_iter().filter_map(State::delivery).collect())
    }

    /// Every lot.
    pub fn lots(&self) -> Result<Vec<sheetloft_ledger::state::Lot>, StoreError> {
        Ok(self.all_of(ThingKind::Lot)?.into_iter().filter_map(State::lot).collect())
    }

    /// Twice the area of all sheets of a lot, µm²; `None` where it has none.
    pub fn sheet_area2_of_lot(&self, lot: Uuid) -> Result<Option<i64>, StoreError> {
        let sql = "SELECT sum(area2) FROM piece WHERE lot = ?1 AND kind = 'sheet' \
                   AND coalesce(body ->> '$.piece.used.withdrawn', 0) = 0";
        Ok(self.0.prepare_cached(sql)?.query_row([lot], |row| row.get(0))?)
    }

    /// Every device of the shop.
    pub fn devices(&self) -> Result<Vec<sheetloft_ledger::state::Device>, StoreError> {
        Ok(self.all_of(ThingKind::Device)?.into_iter().filter_map(State::device).collect())
    }

    /// Everybody who works or worked here.
    pub fn people(&self) -> Result<Vec<sheetloft_ledger::state::Person>, StoreError> {
        Ok(self.all_of(ThingKind::Person)?.into_iter().filter_map(State::person).collect())
    }

    /// One piece.
    pub fn piece(&self, id: Uuid) -> Result<Option<Piece>, StoreError> {
        let found = self.states("SELECT body FROM piece WHERE id = ?1 AND body IS NOT NULL", [id])?;
        Ok(found.into_iter().find_map(State::piece).map(|p| *p))
    }

    /// The state of a piece as it is stored.
    pub(crate) fn piece_body(&self, id: Uuid) -> Result<Option<String>, StoreError> {
        let mut statement = self.0.prepare_cached("SELECT body FROM piece WHERE id = ?1")?;
        Ok(statement.query_row([id], |row| row.get(0)).optional()?.flatten())
    }

    /// The pieces with this code: more than one only where two devices met with one tag.
    pub fn pieces_coded(&self, code: &str) -> Result<Vec<Piece>, StoreError> {
        let found = self.states("SELECT body FROM piece WHERE code = ?1 AND body IS NOT NULL ORDER BY id", [code])?;
        Ok(found.into_iter().filter_map(State::piece).map(|p| *p).collect())
    }

    /// The pieces of a filter, smallest first, then by code.
    pub fn pieces(&self, filter: &PieceFilter) -> Result<Vec<Piece>, StoreError> {
        // Only what is asked stands in the statement: then an index serves it.
        let mut sql = "SELECT body FROM piece WHERE body IS NOT NULL".to_owned();
        let mut values: Vec<&dyn rusqlite::ToSql> = Vec::new();
        for (column, id) in [("material", &filter.material), ("rack", &filter.rack), ("lot", &filter.lot)] {
            if let Some(id) = id {
                sql += &format!(" AND {column} = ?");
                values.push(id);
            }
        }
        if let Some(kind) = &filter.kind {
            sql += " AND kind = ?";
            values.push(kind);
        }
        if filter.label_due {
            sql += " AND label_due = 1";
        }
        if !filter.statuses.is_empty() {
            sql += &format!(" AND status IN ({})", vec!["?"; filter.statuses.len()].join(", "));
            values.extend(filter.statuses.iter().map(|s| s as &dyn rusqlite::ToSql));
        }
        sql += " ORDER BY area2, code, id";
        let found = self.states(&sql, rusqlite::params_from_iter(values))?;
        Ok(found.into_iter().filter_map(State::piece).map(|p| *p).collect())
    }

    /// The codes of all pieces, orders and plans.
    pub fn codes(&self) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT code FROM piece WHERE body IS NOT NULL AND code IS NOT NULL UNION ALL \
                   SELECT code FROM thing WHERE kind IN (?1, ?2) AND body IS NOT NULL AND code IS NOT NULL";
        let mut statement = self.0.prepare_cached(sql)?;
        let rows = statement.query_map([ThingKind::Order.word(), ThingKind::Plan.word()], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What was cut directly from a piece.
    pub fn children(&self, id: Uuid) -> Result<Vec<Piece>, StoreError> {
        let sql = "SELECT body FROM piece WHERE parent = ?1 AND body IS NOT NULL ORDER BY code, id";
        Ok(self.states(sql, [id])?.into_iter().filter_map(State::piece).map(|p| *p).collect())
    }

    /// The pieces that an order has been charged for, by code.
    pub fn charged_to(&self, order: Uuid) -> Result<Vec<Piece>, StoreError> {
        let sql =
            "SELECT p.body FROM charge c JOIN piece p ON p.id = c.piece WHERE c.orders = ?1 ORDER BY p.code, p.id";
        Ok(self.states(sql, [order])?.into_iter().filter_map(State::piece).map(|p| *p).collect())
    }

    /// How many pieces of each material are on hand.
    pub fn on_hand_by(&self, column: By) -> Result<Vec<(Uuid, usize)>, StoreError> {
        let sql = match column {
            By::Material => {
                "SELECT material, count(*) FROM piece WHERE status IN ('free', 'held', 'conflict') AND material IS NOT NULL GROUP BY 1"
            }
            By::Rack => {
                "SELECT rack, count(*) FROM piece WHERE status IN ('free', 'held', 'conflict') AND rack IS NOT NULL GROUP BY 1"
            }
        };
        let mut statement = self.0.prepare_cached(sql)?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get::<_, i64>(1)?)))?;
        rows.map(|r| r.map(|(id, n)| (id, usize::try_from(n).unwrap_or(0))).map_err(StoreError::from)).collect()
    }

    /// The highest running number that a device has given to codes of a noun; undone ones count, their
    /// labels may have been printed.
    pub fn highest_code(&self, device: Uuid, noun: Noun) -> Result<u64, StoreError> {
        let key = format!("code {device} {noun}");
        let text: Option<String> = self
            .0
            .prepare_cached("SELECT value FROM local WHERE key = ?1")?
            .query_row([key], |row| row.get(0))
            .optional()?;
        Ok(text.and_then(|t| t.parse().ok()).unwrap_or(0))
    }

    /// Remembers the highest running number; part of the action that gives it.
    pub(crate) fn remember_code(&self, device: Uuid, noun: Noun, number: u64) -> Result<(), StoreError> {
        self.0
            .prepare_cached("REPLACE INTO local (key, value) VALUES (?1, ?2)")?
            .execute(params![format!("code {device} {noun}"), number.to_string()])?;
        Ok(())
    }

    /// The history, newest first: of one thing, or of all.
    pub fn history(&self, thing: Option<Uuid>, limit: usize) -> Result<Vec<ActionRow>, StoreError> {
        let sql = match thing {
            Some(_) => {
                "SELECT e.bytes, e.standing FROM touch t JOIN event e USING (seq) WHERE t.thing = ?1 ORDER BY e.seq DESC LIMIT ?2"
            }
            None => "SELECT bytes, standing FROM event WHERE ?1 IS NULL ORDER BY seq DESC LIMIT ?2",
        };
        self.action_rows(sql, params![thing, i64::try_from(limit).unwrap_or(i64::MAX)])
    }

    /// The first event that touched a thing: the one that made it.
    pub fn birth(&self, thing: Uuid) -> Result<Option<ActionRow>, StoreError> {
        let sql = "SELECT e.bytes, e.standing FROM touch t JOIN event e USING (seq) WHERE t.thing = ?1 ORDER BY e.seq LIMIT 1";
        Ok(self.action_rows(sql, [thing])?.pop())
    }

    /// This device's events, newest first.
    pub fn own_events(&self, device: Uuid, limit: usize) -> Result<Vec<ActionRow>, StoreError> {
        let sql = "SELECT bytes, standing FROM event WHERE device = ?1 ORDER BY number DESC LIMIT ?2";
        self.action_rows(sql, params![device, i64::try_from(limit).unwrap_or(i64::MAX)])
    }

    /// The events of an action, in order.
    pub fn events_of_action(&self, action: Uuid) -> Result<Vec<ActionRow>, StoreError> {
        self.action_rows("SELECT bytes, standing FROM event WHERE action = ?1 ORDER BY seq", [action])
    }

    fn action_rows(&self, sql: &str, params: impl rusqlite::Params) -> Result<Vec<ActionRow>, StoreError> {
        let mut statement = self.0.prepare_cached(sql)?;
        let mut rows = statement.query(params)?;
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            let bytes = row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?;
            found.push(ActionRow { event: Event::read(bytes)?, standing: Standing::from_number(row.get(1)?) });
        }
        Ok(found)
    }

    /// How many events there are.
    pub fn events(&self) -> Result<u64, StoreError> {
        let n: i64 = self.0.query_row("SELECT count(*) FROM event", [], |row| row.get(0))?;
        Ok(u64::try_from(n).unwrap_or(0))
    }

    /// What changed the file last, as a number that grows: screens of other programs read again when it moves.
    pub fn version(&self) -> Result<i64, StoreError> {
        Ok(self.0.query_row("SELECT coalesce(max(seq), 0) FROM event", [], |row| row.get(0))?)
    }
}

/// By what to count pieces.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum By {
    /// By material.
    Material,
    /// By rack.
    Rack,
}
