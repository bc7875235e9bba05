//! What this device answers to others on the shop's network. Whoever is not known gets nothing but a chance to pair,
//! and that only while a pairing is offered.

use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sheetloft_ledger::body::{Body, DeviceTrusted};
use sheetloft_ledger::event::{Hash, Thing, ThingKind};
use sheetloft_store::Peer;
use sheetloft_sync::net::pair::{self, Side};
use sheetloft_sync::net::wire::{
    self, Claim, Claimed, PairHello, PairHelloBack, PairProve, PairProveBack, StartBytes, StartWanted, Why,
};
use sheetloft_sync::net::{Fingerprint, server};
use uuid::Uuid;

use super::{Offer, identity};
use crate::door::Door;
use crate::error::Error;
use crate::host::Ids as _;
use crate::replica::Local;
use crate::shop::Shop;

/// A fault here is not the caller's business in more words.
fn fault(_: impl Into<Error>) -> Why {
    Why::Fault
}

/// Most bytes of a body on a path that anybody may ask for.
pub fn most_bytes(path: &str) -> usize {
    match path {
        wire::PAIR_HELLO | wire::PAIR_PROVE => wire::UNPAIRED_BYTES,
        wire::GIVE => sheetloft_sync::limits::BATCH_BYTES_TAKEN,
        _ => wire::SMALL_BYTES,
    }
}

/// Answers one request of the device that showed a certificate with this fingerprint.
///
/// # Errors
/// Why not; nothing was changed then.
pub fn answer(door: &Door, from: Fingerprint, path: &str, body: &[u8]) -> Result<Vec<u8>, Why> {
    if body.len() > most_bytes(path) {
        return Err(Why::TooLarge);
    }
    let mut shop = door.open().map_err(fault)?;
    match path {
        wire::PAIR_HELLO => hello(door, &mut shop, from, body),
        wire::PAIR_PROVE => prove(door, &mut shop, from, body),
        _ => {
            let device = known(&shop, from)?;
            exchange(door, &mut shop, from, device, path, body)
        }
    }
}

/// Whether somebody may talk to this device at all: who answers their requests asks this first, before any body is
/// read.
pub fn is_known(door: &Door, from: Fingerprint) -> bool {
    door.open().is_ok_and(|shop| known(&shop, from).is_ok())
}

/// The device behind a fingerprint, if it was paired and not sent away since.
fn known(shop: &Shop, from: Fingerprint) -> Result<Uuid, Why> {
    let reader = shop.read();
    let peer = reader.peer(Hash(from.0)).map_err(fault)?.ok_or(Why::Unknown)?;
    let device = peer.device.ok_or(Why::Unknown)?;
    let sent_away = reader.devices().map_err(fault)?.iter().any(|d| d.id == device && d.revoked);
    if sent_away { Err(Why::Unknown) } else { Ok(device) }
}

fn exchange(
    door: &Door,
    shop: &mut Shop,
    from: Fingerprint,
    device: Uuid,
    path: &str,
    body: &[u8],
) -> Result<Vec<u8>, Why> {
    let now_ms = door.machine().wall_ms();
    let mut local = Local::new(&mut shop.store, shop.setting.id, now_ms);
    match path {
        wire::RUNS => server::runs(&local, body),
        wire::TAKE => server::take(&local, body),
        wire::GIVE => {
            let (answer, _) = server::give(&mut local, body)?;
            door.desk.tell();
            Ok(answer)
        }
        wire::WAIT => wait(door, &local, from, body),
        wire::START => {
            let StartWanted { shop } = server::read(body)?;
            if shop != local.shop {
                return Err(Why::OtherShop);
            }
            server::write(&door.desk.starts.make(door.machine().uuid(), from, &local)?)
        }
        wire::START_BYTES => {
            let StartBytes { id, from: at } = server::read(body)?;
            door.desk.starts.bytes(id, from, at)
        }
        wire::CLAIM => {
            let Claim { pieces } = server::read(body)?;
            if pieces.len() > wire::CLAIM_PIECES {
                return Err(Why::TooLarge);
            }
            let by = shop.store.claim(&pieces, device, now_ms, now_ms + wire::CLAIM_MS).map_err(fault)?;
            server::write(&Claimed { by })
        }
        wire::RELEASE => {
            let Claim { pieces } = server::read(body)?;
            shop.store.release_claims(&pieces, device).map_err(fault)?;
            server::write(&Claimed { by: None })
        }
        _ => Err(Why::NoSuch),
    }
}

/// Answers once there is something that the caller lacks, or after a while.
fn wait(door: &Door, local: &Local<'_>, from: Fingerprint, body: &[u8]) -> Result<Vec<u8>, Why> {
    let mut number = door.news(0, Duration::ZERO);
    let until = std::time::Instant::now() + Duration::from_millis(wire::WAIT_MS);
    loop {
        let more = server::has_more(local, body)?;
        let left = until.saturating_duration_since(std::time::Instant::now());
        if more || left.is_zero() || door.desk.is_ending() {
            // Sent away meanwhile: not even that there is something.
            return if is_known(door, from) { server::write(&more) } else { Err(Why::Unknown) };
        }
        number = door.news(number, left.min(Duration::from_secs(1)));
    }
}

fn hello(door: &Door, shop: &mut Shop, from: Fingerprint, body: &[u8]) -> Result<Vec<u8>, Why> {
    let PairHello { message } = server::read(body)?;
    let message = STANDARD.decode(message).map_err(|_| Why::Unreadable)?;
    let offer = Offer::take_attempt(shop, door.machine().wall_ms()).map_err(fault)?.ok_or(Why::NoOffer)?;
    if offer.role.is_some() {
        return Err(Why::NoOffer);
    }
    let (begun, back) = pair::answer(&offer.code);
    let agreed = begun.finish(&message).ok_or(Why::Unreadable)?;
    let session = door.machine().uuid();
    if !door.desk.begin(session, from, agreed, offer) {
        return Err(Why::Busy);
    }
    server::write(&PairHelloBack { session, message: STANDARD.encode(back) })
}

fn prove(door: &Door, shop: &mut Shop, from: Fingerprint, body: &[u8]) -> Result<Vec<u8>, Why> {
    let said: PairProve = server::read(body)?;
    let proof = STANDARD.decode(&said.proof).map_err(|_| Why::Unreadable)?;
    let session = door.desk.take_up(said.session, from).ok_or(Why::NoOffer)?;
    let own = identity(&shop.store).map_err(fault)?.fingerprint();
    if !session.agreed.holds(Side::Calls, from, own, &proof) {
        return Err(Why::WrongCode);
    }
    if said.shop.is_some_and(|other| other != shop.setting.id) {
        return Err(Why::OtherShop);
    }
    let device = shop.store.device().ok_or(Why::Fault)?;
    if said.device == device {
        return Err(Why::Unreadable);
    }
    let now_ms = door.machine().wall_ms();
    if !session.offer.use_up(shop, now_ms).map_err(fault)? {
        return Err(Why::NoOffer);
    }
    // One that was sent away and is paired anew is let in again, everywhere.
    if shop.read().devices().map_err(fault)?.iter().any(|d| d.id == said.device && d.revoked) {
        let body = Body::DeviceTrusted(DeviceTrusted { trusted: true });
        let touched = Thing::new(ThingKind::Device, said.device);
        shop.write(&mut door.machine(), |tx| {
            tx.draft(body, [touched]);
            Ok(())
        })
        .map_err(|_| Why::Fault)?;
    }
    let peer = Peer {
        fingerprint: Hash(from.0),
        device: Some(said.device),
        name: None,
        role: None,
        address: None,
        paired_ms: now_ms,
        seen_ms: now_ms,
    };
    shop.store.remember_peer(&peer).map_err(fault)?;
    door.desk.tell();
    let proof = session.agreed.prove(Side::Serves, from, own);
    server::write(&PairProveBack { proof: STANDARD.encode(proof), shop: shop.setting.id, device })
}
