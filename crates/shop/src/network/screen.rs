//! Phones and tablets that were paired: a browser keeps a key, this device its hash and what it may do.

use sheetloft_ledger::body::Role;
use sheetloft_ledger::event::Hash;
use sheetloft_store::Peer;
use sheetloft_sync::net::pair;
use sheetloft_sync::net::wire::Why;

use super::Offer;
use crate::door::Door;
use crate::host::{Host as _, Ids as _};
use crate::people::role_word;
use crate::roles::Worker;

/// What a key's hash is called in the shop file's list of whom it was paired with.
fn known_by(key: &str) -> Hash {
    Hash::of(key.as_bytes())
}

/// What stands for a role in the shop file.
fn kept(role: Role, costs: bool) -> String {
    format!("{}{}", role_word(role), if costs { " costs" } else { "" })
}

fn read(kept: &str) -> Option<Worker> {
    let (word, costs) = kept.split_once(' ').map_or((kept, false), |(word, _)| (word, true));
    let role = [Role::Owner, Role::Hand, Role::Viewer].into_iter().find(|r| role_word(*r) == word)?;
    Some(Worker { person: None, role, costs })
}

/// What the browser that keeps this key may do; none where it was never paired, or was sent away.
pub fn screen(door: &Door, key: &str) -> Option<Worker> {
    let shop = door.open().ok()?;
    let peer = shop.read().peer(known_by(key)).ok()??;
    let worker = read(&peer.role?)?;
    let now_ms = door.machine().wall_ms();
    // Once a minute is often enough for "last seen".
    if peer.seen_ms + 60_000 < now_ms {
        shop.store.peer_seen(peer.fingerprint, now_ms).ok()?;
    }
    Some(worker)
}

/// Pairs a browser by the code that this device shows; gives the key that it keeps.
///
/// # Errors
/// Why not. A wrong code uses up one of the offer's attempts.
pub fn pair_screen(door: &Door, code: &str) -> Result<String, Why> {
    let mut shop = door.open().map_err(|_| Why::Fault)?;
    let now_ms = door.machine().wall_ms();
    let offer = Offer::take_attempt(&mut shop, now_ms).map_err(|_| Why::Fault)?.ok_or(Why::NoOffer)?;
    let role = offer.role.ok_or(Why::NoOffer)?;
    if pair::read_code(code).as_deref() != Some(&offer.code) {
        return Err(Why::WrongCode);
    }
    if !offer.use_up(&mut shop, now_ms).map_err(|_| Why::Fault)? {
        return Err(Why::NoOffer);
    }
    let key = Hash(door.machine().secret()).to_string();
    let peer = Peer {
        fingerprint: known_by(&key),
        device: None,
        name: offer.name,
        role: Some(kept(role, offer.costs)),
        address: None,
        paired_ms: now_ms,
        seen_ms: now_ms,
    };
    shop.store.remember_peer(&peer).map_err(|_| Why::Fault)?;
    door.desk.tell();
    Ok(key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roles_are_read_as_they_are_kept() {
        for role in [Role::Owner, Role::Hand, Role::Viewer] {
            for costs in [true, false] {
                assert_eq!(read(&kept(role, costs)), Some(Worker { person: None, role, costs }));
            }
        }
        assert_eq!(read("boss"), None);
    }
}
