//! The shop's network: pairing, lines to other devices, and what they are told. The folder and the stick are in
//! `exchange`; both end in the same answer.

mod answer;
mod claim;
mod desk;
mod live;
mod nearby;
mod offer;
mod screen;
mod starts;

use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use sheetloft_ledger::body::{Body, DeviceTrusted};
use sheetloft_ledger::event::{Hash, Thing, ThingKind};
use sheetloft_store::{DeviceKey, Peer, Store, StoreError};
use sheetloft_sync::net::wire::Why;
use sheetloft_sync::net::{Caller, Fingerprint, Identity, IdentityError, NetError, pair};
use sheetloft_sync::{ExchangeError, Report};

use crate::action;
use crate::answer::{Changed, PeerRow, SyncAnswer};
use crate::door::Door;
use crate::error::Error;
use crate::exchange::{self, Sum, Way};
use crate::host::Host;
use crate::replica::Local;
use crate::say;
use crate::say::Say;
use crate::shop::{Shop, filled, needed, whole};
use crate::view;

pub use answer::{answer, is_known, most_bytes};
pub use claim::Claim;
pub use desk::{Desk, Line};
pub use live::Live;
pub use nearby::{Announced, found_as, nearby};
pub use offer::{Offer, offer};
pub use screen::{pair_screen, screen};
pub use sheetloft_sync::net::wire::NotAnswered;
pub use sheetloft_sync::net::{Fingerprint as Print, tls, wire};

/// How long a first answer may take before somebody counts as out of reach.
const REACH: Duration = Duration::from_secs(5);
/// The port where a device serves unless said otherwise. Not registered for anything.
pub const PORT: u16 = 4848;
/// Where this device is to listen for others; empty while it is not to.
const SHARE: &str = "share";
/// Where that was last.
const SHARE_AT: &str = "share at";
/// Why it does not although it is to.
const SHARE_TROUBLE: &str = "share trouble";
/// Where it does listen, while it does.
const SERVING: &str = "serving";

/// What this device shows on the network.
pub fn identity(store: &Store) -> Result<Identity, Error> {
    let device = store.device().ok_or(StoreError::ReadOnly)?;
    Ok(Identity::of(store.path(), device)?)
}

impl From<IdentityError> for Error {
    fn from(error: IdentityError) -> Self {
        match error {
            IdentityError::File { path, source } => StoreError::File { path, source }.into(),
            IdentityError::Key(why) => Self::fault(say!("error-network-key", why = why)),
        }
    }
}

impl<C: Into<Self>> From<ExchangeError<C, StoreError>> for Error {
    fn from(error: ExchangeError<C, StoreError>) -> Self {
        match error {
            ExchangeError::Carrier(e) => e.into(),
            ExchangeError::Shop(e) => e.into(),
        }
    }
}

impl From<NetError> for Error {
    fn from(error: NetError) -> Self {
        match error {
            NetError::Address { address } => Self::bad(say!("error-peer-address", text = address)).at("address"),
            NetError::Unreachable { address, why } => {
                Self::refused(say!("refused-unreachable", address = address, why = why)).at("address")
            }
            NetError::Silent { address } => Self::refused(say!("refused-silent", address = address)).at("address"),
            NetError::OtherDevice { address } => {
                Self::refused(say!("refused-other-device", address = address)).at("address")
            }
            NetError::BadAnswer { address } => {
                Self::refused(say!("refused-bad-answer", address = address)).at("address")
            }
            NetError::Refused { address, why } => match why {
                Why::WrongCode => Self::refused(say!("refused-wrong-code", address = address)).at("code"),
                Why::NoOffer => Self::refused(say!("refused-no-offer", address = address)).at("code"),
                Why::OtherShop => Self::refused(say!("refused-other-shop-there", address = address)).at("address"),
                Why::Unknown => Self::refused(say!("refused-not-known-there", address = address)).at("address"),
                Why::Busy => Self::refused(say!("refused-busy-there", address = address)).at("address"),
                Why::Unreadable | Why::TooLarge | Why::NoSuch | Why::Fault => {
                    Self::refused(say!("refused-bad-answer", address = address)).at("address")
                }
            },
        }
    }
}

/// An address as typed, with a port: `office.local`, `192.0.2.7:4848`.
fn address(text: &str) -> Result<String, Error> {
    let text = needed(text, "address")?;
    let bare = text.trim_start_matches("https://").trim_end_matches('/');
    let has_port = bare.rsplit_once(':').is_some_and(|(host, port)| {
        port.parse::<u16>().is_ok() && (!host.contains(':') || (host.starts_with('[') && host.ends_with(']')))
    });
    let colons = bare.matches(':').count();
    match (has_port, colons) {
        (true, _) => Ok(bare.to_owned()),
        // A number of the sixth version of the Internet protocol, without a port.
        (false, 2..) if !bare.starts_with('[') => Ok(format!("[{bare}]:{PORT}")),
        (false, 0) => Ok(format!("{bare}:{PORT}")),
        (false, _) if bare.starts_with('[') && bare.ends_with(']') => Ok(format!("{bare}:{PORT}")),
        _ => Err(Error::bad(say!("error-peer-address", text = text)).at("address")),
    }
}

fn code(text: &str) -> Result<String, Error> {
    pair::read_code(text).ok_or_else(|| Error::bad(say!("error-pair-code", digits = pair::DIGITS)).at("code"))
}

/// Where and by what code to pair: typed one by one, or both in the link that a picture said.
fn whereto(with: &action::SyncPair) -> Result<(String, String), Error> {
    let lower = with.address.trim().to_ascii_lowercase();
    match lower.rsplit_once("/pair/") {
        Some((place, said)) if with.code.trim().is_empty() => Ok((address(place)?, code(said)?)),
        _ => Ok((address(&with.address)?, code(&with.code)?)),
    }
}

/// Pairs with a device that offers it, and exchanges.
pub fn pair_with(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::SyncPair,
) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    let (address, code) = whereto(with)?;
    let identity = identity(&shop.store)?;
    let device = shop.store.device().ok_or(StoreError::ReadOnly)?;
    let mut caller = Caller::connect(&address, &identity, None, REACH)?;
    let paired = caller.pair(&code, device, Some(shop.setting.id))?;
    if paired.shop != shop.setting.id {
        return Err(Error::refused(say!("refused-other-shop-there", address = &address)).at("address"));
    }
    remember(&mut shop.store, host, paired.fingerprint, paired.device, &address)?;
    exchange::through(shop, host, Way::Peer(&mut caller))
}

fn remember(
    store: &mut Store,
    host: &mut dyn Host,
    fingerprint: Fingerprint,
    device: uuid::Uuid,
    address: &str,
) -> Result<(), Error> {
    let now = host.wall_ms();
    store.remember_peer(&Peer {
        fingerprint: Hash(fingerprint.0),
        device: Some(device),
        name: None,
        role: None,
        address: Some(address.to_owned()),
        paired_ms: now,
        seen_ms: now,
    })?;
    Ok(())
}

/// A new shop file at `path` joins the shop of a device that offers to pair, as a new device.
pub fn join(path: &Path, host: &mut dyn Host, with: &action::SyncPair) -> Result<(Shop, SyncAnswer), Error> {
    let (address, code) = whereto(with)?;
    exchange::join_by(path, host, |store, host, key: &DeviceKey| {
        let identity = Identity::of(path, key.device)?;
        let mut caller = Caller::connect(&address, &identity, None, REACH)?;
        let paired = caller.pair(&code, key.device, None)?;
        let mut report = Report::default();
        exchange::begin(&mut caller, &mut Local::new(store, paired.shop, host.wall_ms()), &mut report)?;
        remember(store, host, paired.fingerprint, paired.device, &address)?;
        Ok((paired.shop, Some(paired.device), report))
    })
}

/// Exchanges with everybody whom this device calls; whoever cannot be reached is a problem, not an end.
pub fn call_all(shop: &mut Shop, host: &mut dyn Host, sum: &mut Sum) -> Result<(), Error> {
    for peer in callable(&shop.store)? {
        let done = connect(&shop.store, &peer, REACH)
            .and_then(|mut caller| exchange::once(shop, host, &mut Way::Peer(&mut caller), sum));
        match done {
            Ok(()) => shop.store.peer_seen(peer.fingerprint, host.wall_ms())?,
            Err(e) => sum.problems.push((e.say, say!("problem-line-do"))),
        }
    }
    Ok(())
}

/// A connection to somebody whom this device calls.
fn connect(store: &Store, peer: &Peer, within: Duration) -> Result<Caller, Error> {
    let address = peer.address.as_deref().unwrap_or_default();
    let pin = Some(Fingerprint(peer.fingerprint.0));
    Ok(Caller::connect(address, &identity(store)?, pin, within)?)
}

/// Whom this device calls.
fn callable(store: &Store) -> Result<Vec<Peer>, Error> {
    Ok(store.read().peers()?.into_iter().filter(|p| p.address.is_some()).collect())
}

/// Sends a device, a phone or a tablet away: it gets nothing of this shop any more, from now on.
pub fn revoke(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::SyncRevoke,
) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    let text = needed(&with.device, "device")?;
    let devices = shop.read().devices()?;
    let peers = shop.read().peers()?;
    let is = |word: &str| word.eq_ignore_ascii_case(&text);
    let found: Vec<_> = exchange::devices_named(&devices, &text).into_iter().map(|d| d.id).collect();
    let screens: Vec<Hash> = peers
        .iter()
        .filter(|p| p.device.is_none() && (is(&p.fingerprint.to_string()) || p.name.as_deref().is_some_and(is)))
        .map(|p| p.fingerprint)
        .collect();
    let changed = match (&found[..], &screens[..]) {
        ([device], []) if Some(*device) == shop.store.device() => {
            return Err(Error::refused(say!("refused-revoke-own")).at("device"));
        }
        ([device], []) => {
            let device = *device;
            let (_, changed) = shop.write(host, |tx| {
                let body = Body::DeviceTrusted(DeviceTrusted { trusted: false });
                tx.draft(body, [Thing::new(ThingKind::Device, device)]);
                Ok(())
            })?;
            for peer in peers.iter().filter(|p| p.device == Some(device)) {
                shop.store.forget_peer(peer.fingerprint)?;
            }
            changed
        }
        ([], [screen]) => {
            shop.store.forget_peer(*screen)?;
            Vec::new()
        }
        ([], []) => return Err(Error::bad(say!("error-unknown-device", text = text)).at("device")),
        _ => return Err(Error::refused(say!("refused-ambiguous-device", text = text)).at("device")),
    };
    Ok((exchange::status(shop)?, changed))
}

/// Turns on or off that this device serves others while its program runs.
pub fn share(shop: &mut Shop, with: &action::SyncShare) -> Result<SyncAnswer, Error> {
    let at = match (filled(with.at.as_deref()), filled(with.port.as_deref())) {
        (Some(text), _) => listening(text).map_err(|e| e.at("at"))?,
        (None, Some(port)) => everywhere(whole(port, 1, u32::from(u16::MAX), "port")?),
        (None, None) => match shop.read().remembered(SHARE_AT)?.and_then(|at| at.parse().ok()) {
            Some(last) => last,
            None => everywhere(u32::from(PORT)),
        },
    };
    shop.store.remember(SHARE_AT, &at.to_string())?;
    shop.store.remember(SHARE, &if with.on { at.to_string() } else { String::new() })?;
    shop.store.remember(SHARE_TROUBLE, "")?;
    exchange::status(shop)
}

/// An address of this machine to listen on, as typed.
pub fn listening(text: &str) -> Result<SocketAddr, Error> {
    text.trim().parse().map_err(|_| Error::bad(say!("error-listen-address", text = text)))
}

fn everywhere(port: u32) -> SocketAddr {
    SocketAddr::from(([0, 0, 0, 0], u16::try_from(port).unwrap_or(PORT)))
}

/// Where this device is to serve others, if it is.
pub fn shared_at(store: &Store) -> Result<Option<SocketAddr>, Error> {
    let kept = store.read().remembered(SHARE)?.unwrap_or_default();
    // Older programs kept the port alone.
    Ok(kept.parse().ok().or_else(|| kept.parse::<u16>().ok().map(|port| everywhere(u32::from(port)))))
}

/// The same, of a door's shop.
pub fn wanted_at(door: &Door) -> Option<SocketAddr> {
    if !door.exists() {
        return None;
    }
    door.open().ok().and_then(|shop| shared_at(&shop.store).ok().flatten())
}

/// This device serves at `at` from now on; gives what it shows there.
pub fn begin_serving(door: &Door, at: SocketAddr) -> Result<Identity, Error> {
    let shop = door.open()?;
    shop.store.remember(SERVING, &at.to_string())?;
    shop.store.remember(SHARE_TROUBLE, "")?;
    identity(&shop.store)
}

/// It serves no more.
pub fn no_longer_serving(door: &Door) {
    // Where that cannot be noted, whoever calls finds out.
    let _ = door.open().map(|shop| shop.store.remember(SERVING, ""));
}

/// It was to serve, and cannot.
pub fn cannot_serve(door: &Door, why: &Error) {
    let _ = door.open().map(|shop| shop.store.remember(SHARE_TROUBLE, &why.say.text()));
}

/// Why this device does not serve others although it is to.
pub fn share_trouble(store: &Store) -> Result<Option<Say>, Error> {
    if shared_at(store)?.is_none() || !served_at(store)?.is_empty() {
        return Ok(None);
    }
    let why = store.read().remembered(SHARE_TROUBLE)?.filter(|why| !why.is_empty());
    Ok(why.map(|why| say!("problem-share", why = why.trim_end_matches('.'))))
}

/// Where this device serves, as others would type it; empty where it does not.
pub fn served_at(store: &Store) -> Result<Vec<String>, Error> {
    let Some(at) = store.read().remembered(SERVING)?.and_then(|at| at.parse::<SocketAddr>().ok()) else {
        return Ok(Vec::new());
    };
    if !at.ip().is_unspecified() {
        return Ok(vec![at.to_string()]);
    }
    let mut found: Vec<String> = if_addrs::get_if_addrs()
        .unwrap_or_default()
        .into_iter()
        .filter(|i| !i.is_loopback() && !i.is_link_local() && i.ip().is_ipv4())
        .map(|i| format!("{}:{}", i.ip(), at.port()))
        .collect();
    found.sort();
    found.dedup();
    Ok(found)
}

/// Everybody whom this device was paired with, in words; `line` says how the lines of this program stand.
pub fn rows(shop: &Shop, line: impl Fn(Hash) -> Option<Line>) -> Result<Vec<PeerRow>, Error> {
    let devices = shop.read().devices()?;
    let mut rows = Vec::new();
    for peer in shop.read().peers()? {
        let device = peer.device.and_then(|id| devices.iter().find(|d| d.id == id));
        let name = match (&peer.name, device) {
            (Some(name), _) => name.clone(),
            (None, Some(d)) => exchange::called(d),
            (None, None) => peer.device.map_or_else(String::new, |id| id.to_string()),
        };
        let (up, why) = match line(peer.fingerprint) {
            Some(Line::Up) => (Some(true), None),
            Some(Line::Down(why)) => (Some(false), Some(why)),
            None => (None, None),
        };
        rows.push(PeerRow {
            fingerprint: peer.fingerprint.to_string(),
            name,
            device: peer.device.map(|id| id.to_string()),
            role: peer.role,
            address: peer.address,
            paired: view::when(peer.paired_ms),
            seen: view::when(peer.seen_ms),
            up,
            why,
        });
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_as_people_type_them() {
        for (typed, want) in [
            ("office.local", "office.local:4848"),
            (" 192.0.2.7 ", "192.0.2.7:4848"),
            ("192.0.2.7:900", "192.0.2.7:900"),
            ("https://192.0.2.7:900/", "192.0.2.7:900"),
            ("[::1]:900", "[::1]:900"),
            ("[::1]", "[::1]:4848"),
            ("fe80::1", "[fe80::1]:4848"),
        ] {
            assert_eq!(address(typed).ok().as_deref(), Some(want), "{typed}");
        }
        for wrong in ["", "office:", "office:x", "office:99999"] {
            assert!(address(wrong).is_err(), "{wrong}");
        }
    }
}
