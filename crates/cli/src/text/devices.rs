//! Devices and people in words.

use sheetloft_shop::answer::{NearbyAnswer, OfferAnswer, PeopleAnswer, SyncAnswer};
use sheetloft_shop::say;

fn lines(said: Vec<say::Say>) -> String {
    said.into_iter().map(|l| l.text() + "\n").collect()
}

/// An exchange, or how things stand.
pub fn sync(a: &SyncAnswer) -> String {
    let mut said = Vec::new();
    said.extend(a.joined.as_ref().map(|tag| say!("cli-sync-joined", tag = tag)));
    said.push(say!("cli-sync", sent = a.sent, received = a.received));
    said.extend(a.conflicts.iter().map(|c| say!("cli-sync-conflict", piece = &c.piece)));
    if a.waiting > 0 {
        said.push(say!("cli-sync-waiting", count = a.waiting));
    }
    said.extend(a.problems.iter().map(|p| say!("cli-sync-problem", what = &p.what, remedy = &p.r#do)));
    for d in &a.devices {
        let own = if d.own { say!("cli-sync-own").text() } else { String::new() };
        let away = if d.revoked { say!("cli-sync-away").text() } else { own };
        let name = d.name.clone().unwrap_or(away);
        let last = d.last.clone().unwrap_or_else(|| "—".to_owned());
        said.push(say!("cli-sync-device", tag = &d.tag, name = name, events = d.events, last = last));
    }
    said.extend(a.serves.iter().map(|at| say!("cli-sync-serves", at = at)));
    said.extend(a.found_as.iter().map(|name| say!("cli-sync-found-as", name = name)));
    said.extend(a.not_found.iter().map(|why| say!("cli-sync-not-found", why = why)));
    for p in &a.peers {
        said.push(match (&p.address, &p.role) {
            (Some(at), _) => say!("cli-sync-calls", name = &p.name, at = at, seen = &p.seen),
            (None, Some(role)) => say!("cli-sync-screen", name = &p.name, role = role, seen = &p.seen),
            (None, None) => say!("cli-sync-called", name = &p.name, seen = &p.seen),
        });
    }
    lines(said)
}

/// An offer to pair.
pub fn offer(a: &OfferAnswer) -> String {
    lines(vec![
        say!("cli-offer", code = &a.code, until = &a.until),
        say!("cli-offer-at", addresses = a.addresses.join(", "), link = &a.link),
        say!("cli-offer-print", print = &a.fingerprint),
    ])
}

/// Devices of this network.
pub fn nearby(a: &NearbyAnswer) -> String {
    let mut said: Vec<say::Say> = a
        .found
        .iter()
        .map(|d| {
            let paired = if d.paired { say!("cli-nearby-paired").text() } else { String::new() };
            say!("cli-nearby", name = &d.device, shop = &d.shop, at = &d.address, paired = paired)
        })
        .collect();
    match &a.why {
        Some(why) => said.push(say!("cli-sync-not-found", why = why)),
        None if a.found.is_empty() => said.push(say!("nearby-none")),
        None => {}
    }
    lines(said)
}

/// Who works here.
pub fn people(a: &PeopleAnswer) -> String {
    if a.people.is_empty() {
        return say!("cli-people-none").text() + "\n";
    }
    let pin = |has: bool| if has { say!("cli-people-pin").text() } else { say!("cli-people-open").text() };
    lines(a.people.iter().map(|p| say!("cli-people-row", name = &p.name, role = &p.role, pin = pin(p.pin))).collect())
}

/// Where it is served.
pub fn served(here: Option<&str>, share: Option<&str>) -> String {
    let here = here.map(|address| say!("cli-serving", address = address).text());
    let share = share.map(|address| say!("cli-sharing", address = address).text());
    here.into_iter().chain(share).collect::<Vec<_>>().join("\n")
}
