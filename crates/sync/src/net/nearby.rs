//! Devices that find each other on the shop's network without anybody typing an address: multicast DNS and DNS-based
//! service discovery (RFC 6762, RFC 6763).
//!
//! A device that serves others says what it and its shop are called, where it serves and how its certificate begins;
//! nothing else, and nothing of it is believed: whoever pairs still proves the code over both certificates. Everything
//! that is heard comes from strangers, so it is bounded, and an address counts only within a network that this machine
//! is in itself.

use std::collections::BTreeMap;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::{Duration, Instant};

use mdns_sd::{
    DaemonEvent, IfKind, IfPredicate, MDNS_PORT, Receiver, ResolvedService, ServiceDaemon, ServiceEvent, ServiceInfo,
};
use socket2::{Domain, Protocol, Socket, Type};

use super::identity::Fingerprint;
use crate::limits;

/// What is looked for; not registered for anything.
const SERVICE: &str = "_sheetloft._tcp.local.";
/// Most bytes of a name in the domain name system (RFC 1035, 2.3.4).
const LABEL_BYTES: usize = 63;
/// How long a goodbye may take.
const GOODBYE: Duration = Duration::from_millis(500);
/// The groups of multicast DNS (RFC 6762, 3).
const GROUP_V4: Ipv4Addr = Ipv4Addr::new(224, 0, 0, 251);
const GROUP_V6: Ipv6Addr = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 0xfb);
const V4_ANY: IpAddr = IpAddr::V4(Ipv4Addr::UNSPECIFIED);
const V6_ANY: IpAddr = IpAddr::V6(Ipv6Addr::UNSPECIFIED);
/// The form of what is announced.
const FORM: &str = "1";

/// Why nothing can be announced or heard.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0}")]
pub struct NearbyError(String);

impl From<mdns_sd::Error> for NearbyError {
    fn from(error: mdns_sd::Error) -> Self {
        Self(error.to_string())
    }
}

/// What a device says of itself.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Card {
    /// What the device is called; no two of one shop alike.
    pub device: String,
    /// What its shop is called.
    pub shop: String,
    /// How its certificate's fingerprint begins, see [`print()`].
    pub print: String,
}

/// A device that was heard.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Heard {
    /// What it says of itself.
    pub card: Card,
    /// Where it serves.
    pub address: SocketAddr,
}

/// As much of a fingerprint as is announced: enough to tell one's own devices apart, and no proof of anything.
pub fn print(fingerprint: Fingerprint) -> String {
    fingerprint.to_string()[..16].to_owned()
}

/// Whether a device that serves at `at` can be announced at all: this machine alone needs no announcement.
pub fn is_for_others(at: SocketAddr) -> bool {
    !at.ip().is_loopback()
}

/// A text of at most so many bytes, without what would disturb a line.
fn trimmed(text: &str, most: usize) -> String {
    let mut out = String::new();
    for c in text.chars().map(|c| if c.is_control() { ' ' } else { c }) {
        if out.len() + c.len_utf8() > most {
            break;
        }
        out.push(c);
    }
    out.trim().to_owned()
}

/// Whether this machine lets programs speak in multicast in one of its networks: the daemon would be silent about it.
fn try_out(is_used: impl Fn(IpAddr) -> bool) -> Result<(), NearbyError> {
    let mut why = io::Error::from(io::ErrorKind::NetworkUnreachable);
    for interface in if_addrs::get_if_addrs().map_err(|e| NearbyError(e.to_string()))? {
        if is_used(interface.ip()) {
            match join(&interface) {
                Ok(()) => return Ok(()),
                Err(e) => why = e,
            }
        }
    }
    Err(NearbyError(why.to_string()))
}

/// Takes the port beside others who have it, and joins the group on an interface.
fn join(interface: &if_addrs::Interface) -> io::Result<()> {
    let any = SocketAddr::new(if interface.ip().is_ipv4() { V4_ANY } else { V6_ANY }, MDNS_PORT);
    let socket = Socket::new(Domain::for_address(any), Type::DGRAM, Some(Protocol::UDP))?;
    socket.set_reuse_address(true)?;
    #[cfg(unix)]
    socket.set_reuse_port(true)?;
    if any.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    socket.bind(&any.into())?;
    match interface.ip() {
        IpAddr::V4(ip) => socket.join_multicast_v4(&GROUP_V4, &ip),
        IpAddr::V6(_) => socket.join_multicast_v6(&GROUP_V6, interface.index.unwrap_or(0)),
    }
}

/// A daemon that uses the interfaces of `is_used` alone. Nothing goes out before it knows.
fn daemon(is_used: impl Fn(IpAddr) -> bool + Send + Sync + 'static) -> Result<ServiceDaemon, NearbyError> {
    try_out(&is_used)?;
    let daemon = ServiceDaemon::new()?;
    daemon.disable_interface(IfKind::All)?;
    daemon.enable_interface(IfKind::Predicate(IfPredicate::new(move |interface| is_used(interface.ip()))))?;
    Ok(daemon)
}

/// An announcement; it is taken back when this is dropped.
pub struct Announcement {
    daemon: ServiceDaemon,
    name: String,
    events: Receiver<DaemonEvent>,
    out: Option<Result<(), NearbyError>>,
}

impl Announcement {
    /// Announces a device that serves at `at`, on the networks where it can be reached there.
    ///
    /// # Errors
    /// The system does not allow it. What fails later is seen from [`Self::state`].
    pub fn begin(card: &Card, at: SocketAddr) -> Result<Self, NearbyError> {
        let any = at.ip().is_unspecified();
        let is_used = move |ip: IpAddr| match any {
            true => !ip.is_loopback() && ip.is_ipv4() == at.is_ipv4(),
            false => ip == at.ip(),
        };
        let daemon = daemon(is_used)?;
        let events = daemon.monitor()?;
        // The host has a name of its own here, so that the machine's is not given away.
        let host = format!("sheetloft-{}.local.", card.print);
        let said = [("form", FORM), ("shop", &trimmed(&card.shop, limits::NEARBY_NAME_BYTES)), ("print", &card.print)];
        let device = trimmed(&card.device, LABEL_BYTES);
        let service = match any {
            true => ServiceInfo::new(SERVICE, &device, &host, (), at.port(), &said[..])?.enable_addr_auto(),
            false => ServiceInfo::new(SERVICE, &device, &host, at.ip(), at.port(), &said[..])?,
        };
        let name = service.get_fullname().to_owned();
        daemon.register(service)?;
        Ok(Self { daemon, name, events, out: None })
    }

    /// Whether it went out; none where that is not known yet. Asked again and again, it says what changed.
    pub fn state(&mut self) -> Option<&Result<(), NearbyError>> {
        while let Ok(event) = self.events.try_recv() {
            match event {
                DaemonEvent::Announce(..) | DaemonEvent::Respond(_) => self.out = Some(Ok(())),
                // One network that does not take it is no failure where another does.
                DaemonEvent::Error(e) if self.out != Some(Ok(())) => self.out = Some(Err(e.into())),
                _ => {}
            }
        }
        self.out.as_ref()
    }
}

impl Drop for Announcement {
    fn drop(&mut self) {
        // Whoever has heard of it is told that it is over; where that fails, it ends by itself within two minutes.
        if let Ok(done) = self.daemon.unregister(&self.name) {
            let _ = done.recv_timeout(GOODBYE);
        }
        end(&self.daemon);
    }
}

fn end(daemon: &ServiceDaemon) {
    if let Ok(done) = daemon.shutdown() {
        let _ = done.recv_timeout(GOODBYE);
    }
}

/// Listens for devices for as long as `within`; those that are heard, by name.
///
/// # Errors
/// The system does not allow it, or nothing of this machine is in a network.
pub fn find(within: Duration) -> Result<Vec<Heard>, NearbyError> {
    let networks: Vec<Network> = if_addrs::get_if_addrs()
        .map_err(|e| NearbyError(e.to_string()))?
        .into_iter()
        .filter(|i| !i.is_loopback())
        .map(|i| Network::of(&i.addr))
        .collect();
    let daemon = daemon(|ip| !ip.is_loopback())?;
    let events = daemon.browse(SERVICE)?;
    let trouble = daemon.monitor()?;
    let until = Instant::now() + within;
    let mut found: BTreeMap<(String, SocketAddr), Heard> = BTreeMap::new();
    while let Ok(event) = events.recv_timeout(until.saturating_duration_since(Instant::now())) {
        match event {
            ServiceEvent::ServiceResolved(service) if found.len() < limits::NEARBY_DEVICES => {
                if let Some(heard) = heard(&service, &networks) {
                    found.insert((heard.card.device.clone(), heard.address), heard);
                }
            }
            _ => {}
        }
    }
    let failed = trouble.drain().find_map(|e| if let DaemonEvent::Error(e) = e { Some(e) } else { None });
    end(&daemon);
    match failed {
        Some(e) if found.is_empty() => Err(e.into()),
        _ => Ok(found.into_values().collect()),
    }
}

/// What a device said, if it is anything that this program can use.
fn heard(service: &ResolvedService, networks: &[Network]) -> Option<Heard> {
    let said = |key| service.txt_properties.get_property_val_str(key).unwrap_or_default();
    if said("form") != FORM || service.port == 0 {
        return None;
    }
    let label = service.fullname.strip_suffix(SERVICE)?.strip_suffix('.')?;
    let print = said("print");
    if print.len() != 16 || !print.bytes().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    let mut near: Vec<IpAddr> = service.addresses.iter().map(mdns_sd::ScopedIp::to_ip_addr).collect();
    near.retain(|ip| networks.iter().any(|n| n.has(*ip)));
    // Four-part numbers first: people know those.
    near.sort_by_key(|ip| (ip.is_ipv6(), *ip));
    let card = Card {
        device: trimmed(&unescaped(label), LABEL_BYTES),
        shop: trimmed(said("shop"), limits::NEARBY_NAME_BYTES),
        print: print.to_ascii_lowercase(),
    };
    Some(Heard { card, address: SocketAddr::new(*near.first()?, service.port) })
}

/// A name as it was before dots and backslashes in it were marked (RFC 1035, 5.1).
fn unescaped(label: &str) -> String {
    let mut out = String::new();
    let mut chars = label.chars();
    while let Some(c) = chars.next() {
        out.push(if c == '\\' { chars.next().unwrap_or(c) } else { c });
    }
    out
}

/// The numbers of one network.
struct Network {
    ip: IpAddr,
    mask: IpAddr,
}

impl Network {
    fn of(address: &if_addrs::IfAddr) -> Self {
        match address {
            if_addrs::IfAddr::V4(a) => Self { ip: IpAddr::V4(a.ip), mask: IpAddr::V4(a.netmask) },
            if_addrs::IfAddr::V6(a) => Self { ip: IpAddr::V6(a.ip), mask: IpAddr::V6(a.netmask) },
        }
    }

    /// Whether a number is one of them, and one that can be called.
    fn has(&self, other: IpAddr) -> bool {
        let same = |a: &[u8], b: &[u8], mask: &[u8]| a.iter().zip(b).zip(mask).all(|((a, b), m)| a & m == b & m);
        if other.is_loopback() || other.is_multicast() || other.is_unspecified() {
            return false;
        }
        match (self.ip, self.mask, other) {
            (IpAddr::V4(a), IpAddr::V4(m), IpAddr::V4(b)) => same(&a.octets(), &b.octets(), &m.octets()),
            // What counts within one link alone cannot be told from another link's; it is not offered.
            (IpAddr::V6(_), _, IpAddr::V6(b)) if b.is_unicast_link_local() => false,
            (IpAddr::V6(a), IpAddr::V6(m), IpAddr::V6(b)) => same(&a.octets(), &b.octets(), &m.octets()),
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn network(ip: &str, mask: &str) -> Network {
        Network { ip: ip.parse().unwrap(), mask: mask.parse().unwrap() }
    }

    /// A device as it would be resolved, saying what a stranger likes.
    fn service(label: &str, ip: &str, port: u16, said: &[(&str, &str)]) -> ResolvedService {
        ServiceInfo::new(SERVICE, label, "somebody.local.", ip, port, said).unwrap().as_resolved_service()
    }

    const PRINT: (&str, &str) = ("print", "ABCDEF0123456789");

    #[test]
    fn what_a_device_says_is_read_as_it_was_meant() {
        let networks = [network("192.0.2.9", "255.255.255.0")];
        let said = [("form", "1"), ("shop", "Exhibits & Co."), PRINT];
        let got = heard(&service(r"Saw no. 2 \ left", "192.0.2.7", 4848, &said), &networks).unwrap();
        assert_eq!(got.address, "192.0.2.7:4848".parse().unwrap());
        assert_eq!(got.card.device, r"Saw no. 2 \ left");
        assert_eq!((got.card.shop.as_str(), got.card.print.as_str()), ("Exhibits & Co.", "abcdef0123456789"));
    }

    #[test]
    fn strangers_say_what_they_like_and_little_of_it_is_taken() {
        let networks = [network("192.0.2.9", "255.255.255.0"), network("2001:db8::9", "ffff:ffff:ffff:ffff::")];
        let good = [("form", "1"), ("shop", "X"), PRINT];
        let take = |ip: &str, port, said: &[(&str, &str)]| heard(&service("A", ip, port, said), &networks);
        assert!(take("192.0.2.7", 1, &good).is_some());
        assert!(take("2001:db8::7", 1, &good).is_some());
        // Elsewhere than in a network of this machine: nobody is sent there.
        for elsewhere in ["203.0.113.7", "127.0.0.1", "224.0.0.251", "0.0.0.0", "2001:db8:1::7", "fe80::1", "::1"] {
            assert!(take(elsewhere, 1, &good).is_none(), "{elsewhere}");
        }
        assert!(take("192.0.2.7", 0, &good).is_none());
        for said in [&[("form", "2"), PRINT][..], &[PRINT], &[("form", "1")], &[("form", "1"), ("print", "x")]] {
            assert!(take("192.0.2.7", 1, said).is_none(), "{said:?}");
        }
        let long = "x".repeat(240);
        let got = take("192.0.2.7", 1, &[("form", "1"), ("shop", &long), PRINT]).unwrap();
        assert_eq!(got.card.shop.len(), limits::NEARBY_NAME_BYTES);
        let got = take("192.0.2.7", 1, &[("form", "1"), ("shop", "a\nb\u{1b}c"), PRINT]).unwrap();
        assert_eq!(got.card.shop, "a b c");
    }

    #[test]
    fn names_are_cut_between_letters() {
        assert_eq!(trimmed(&"ü".repeat(40), LABEL_BYTES).chars().count(), 31);
        assert_eq!(trimmed(" a ", LABEL_BYTES), "a");
    }

    #[test]
    fn this_machine_alone_is_not_announced() {
        for (at, others) in [("127.0.0.1:1", false), ("[::1]:1", false), ("0.0.0.0:1", true), ("192.0.2.7:1", true)] {
            assert_eq!(is_for_others(at.parse().unwrap()), others, "{at}");
        }
    }
}
