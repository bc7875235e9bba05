//! The parts of orders that are still to be cut.

use std::collections::{HashMap, HashSet};

use sheetloft_ledger::body::{Alike, LinePart, TurnRule};
use sheetloft_ledger::state::Order;
use uuid::Uuid;

use crate::error::Error;
use crate::limits;
use crate::say;

/// One part still to be cut.
pub struct Want {
    /// Its order.
    pub order: Uuid,
    /// Its order's code.
    pub order_code: String,
    /// Its line.
    pub line: Uuid,
    /// What the line's parts must have in common.
    pub alike: Alike,
    /// What it is.
    pub part: LinePart,
    /// How it may be turned.
    pub turn: TurnRule,
    /// Whether it may be mirrored.
    pub flip: bool,
    /// Of what.
    pub material: Uuid,
    /// Unique in the plan.
    pub id: String,
}

/// The parts of the orders that are still to be cut, each with an id unique in the plan: the part's own
/// where it is cut once, else with a number behind it.
///
/// # Errors
/// Where there are too many, or none.
pub fn wanted(orders: &[Order]) -> Result<Vec<Want>, Error> {
    let mut wants = Vec::new();
    let mut names: HashMap<String, u32> = HashMap::new();
    for order in orders {
        for line in &order.lines {
            for part in &line.parts {
                let (wanted, good) = order.wanted_and_good(line, &part.id);
                *names.entry(part.id.clone()).or_default() += wanted.saturating_sub(good);
                for _ in good..wanted {
                    wants.push(Want {
                        order: order.id,
                        order_code: order.code.clone(),
                        line: line.line,
                        alike: line.alike,
                        part: part.clone(),
                        turn: line.turn,
                        flip: line.flip,
                        material: line.material,
                        id: part.id.clone(),
                    });
                }
                if wants.len() > limits::PARTS_PER_PLAN {
                    return Err(Error::bad(say!("error-many-parts", most = limits::PARTS_PER_PLAN)).at("orders"));
                }
            }
        }
    }
    let mut used: HashMap<String, u32> = HashMap::new();
    let mut taken: HashSet<String> = names.iter().filter(|(_, n)| **n == 1).map(|(id, _)| id.clone()).collect();
    for want in &mut wants {
        if names.get(&want.id).copied().unwrap_or(0) <= 1 {
            continue;
        }
        let counter = used.entry(want.id.clone()).or_default();
        loop {
            *counter += 1;
            let id = format!("{}/{}", want.id, counter);
            if taken.insert(id.clone()) {
                want.id = id;
                break;
            }
        }
    }
    if wants.is_empty() {
        let code = orders.first().map_or_else(String::new, |o| o.code.clone());
        return Err(Error::refused(say!("refused-nothing-to-plan", order = code)));
    }
    Ok(wants)
}
