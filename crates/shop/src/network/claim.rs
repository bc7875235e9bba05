//! Asking the others before a piece is used: where they can be reached, most double uses never happen.
//!
//! The pieces are claimed at every device that this one calls, what these know is taken in, then the action is done
//! by the rules as ever, handed on at once, and the pieces are given free. Whoever cannot be reached is not waited
//! for: what happens then is what conflicts are for.

use std::time::Duration;

use sheetloft_sync::net::Caller;
use sheetloft_sync::{Report, give_all, take_all};
use uuid::Uuid;

use super::desk::Line;
use crate::action::Action;
use crate::door::Door;
use crate::error::Error;
use crate::exchange;
use crate::hold;
use crate::host::Ids as _;
use crate::replica::Local;
use crate::say;
use crate::shop::{Lookup as _, Shop};

/// How long somebody may take to answer before a person is no longer kept waiting.
const PATIENCE: Duration = Duration::from_millis(1_500);

/// Pieces that others were asked for.
pub struct Claim {
    pieces: Vec<Uuid>,
    callers: Vec<Caller>,
}

impl Claim {
    /// Asks for the pieces that `action` is about to use.
    ///
    /// # Errors
    /// Refused where another device is about to use one of them.
    pub fn before(door: &Door, action: &Action) -> Result<Option<Self>, Error> {
        if !door.exists() || !Self::is_asked_for(action) {
            return Ok(None);
        }
        let mut shop = door.open()?;
        let peers = super::callable(&shop.store)?;
        // A program with lines of its own knows who is out of reach.
        let peers: Vec<_> =
            peers.into_iter().filter(|p| !matches!(door.desk.line(p.fingerprint), Some(Line::Down(_)))).collect();
        if peers.is_empty() {
            return Ok(None);
        }
        // What cannot be found is refused by the action itself, in its own words.
        let pieces = pieces(&shop, action).unwrap_or_default();
        if pieces.is_empty() {
            return Ok(None);
        }
        let mut claim = Self { pieces, callers: Vec::new() };
        for peer in peers {
            let Ok(mut caller) = super::connect(&shop.store, &peer, PATIENCE) else { continue };
            match caller.claim(&claim.pieces, PATIENCE) {
                Ok(None) => claim.callers.push(caller),
                Ok(Some((device, piece))) => {
                    claim.release();
                    return Err(claimed(&shop, device, piece));
                }
                Err(_) => {}
            }
        }
        let now_ms = door.machine().wall_ms();
        for caller in &mut claim.callers {
            let mut local = Local::new(&mut shop.store, shop.setting.id, now_ms);
            // Where it breaks off, the action is done on what is known here.
            let _ = take_all(caller, &mut local, &mut Report::default());
        }
        Ok(Some(claim))
    }

    /// Whether an action may use pieces up, or promise them.
    pub fn is_asked_for(action: &Action) -> bool {
        matches!(
            action,
            Action::Hold(_)
                | Action::Cut(_)
                | Action::Take(_)
                | Action::Scrap(_)
                | Action::Split(_)
                | Action::WriteDown(_)
                | Action::HandBack(_)
        )
    }

    /// Hands on what was done, and gives the pieces free.
    pub fn after(mut self, door: &Door, done: bool) {
        if done && let Ok(mut shop) = door.open() {
            let local = Local::new(&mut shop.store, shop.setting.id, door.machine().wall_ms());
            for caller in &mut self.callers {
                // What does not arrive now does with the next exchange.
                let _ = give_all(caller, &local, &mut Report::default());
            }
        }
        self.release();
    }

    fn release(&mut self) {
        for caller in &mut self.callers {
            // Otherwise it ends by itself.
            let _ = caller.release(&self.pieces, PATIENCE);
        }
    }
}

fn claimed(shop: &Shop, device: Uuid, piece: Uuid) -> Error {
    let devices = shop.read().devices().unwrap_or_default();
    let device = exchange::tag(&devices, device);
    let code = shop.read().piece(piece).ok().flatten().map_or_else(|| piece.to_string(), |p| p.code);
    Error::refused(say!("refused-claimed-by", device = device, piece = code))
}

/// Which pieces those are.
fn pieces(shop: &Shop, action: &Action) -> Result<Vec<Uuid>, Error> {
    let reader = shop.read();
    let of_plan = |plan: &str| -> Result<Vec<Uuid>, Error> {
        let plan = reader.find_plan(plan)?;
        Ok(hold::open_pieces(&reader, &plan)?.into_iter().map(|p| p.id).collect())
    };
    let one = |piece: &str| -> Result<Vec<Uuid>, Error> { Ok(vec![reader.find_piece(piece)?.id]) };
    match action {
        Action::Hold(a) => of_plan(&a.plan),
        Action::Cut(a) => of_plan(&a.plan),
        Action::Take(a) => one(&a.piece),
        Action::Scrap(a) => one(&a.piece),
        Action::Split(a) => one(&a.piece),
        Action::WriteDown(a) => one(&a.piece),
        Action::HandBack(a) => one(&a.piece),
        _ => Ok(Vec::new()),
    }
}
