//! `person`: who works here, with a name, a PIN and a role, on devices that several people share.
//!
//! A PIN keeps people from working under another's name; it is no lock on the shop file, which whoever has the device
//! can read.

use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _, phc::PasswordHash};
use argon2::{Algorithm, Argon2, Params, Version};
use sheetloft_ledger::body::{Body, PersonAdded, PersonChanged, Role};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::state::Person;
use uuid::Uuid;

use crate::action;
use crate::answer::{Changed, PeopleAnswer, PersonRow};
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::roles::Worker;
use crate::say;
use crate::shop::{Shop, filled, needed, shown, text, word};

const ROLES: [(&str, Role); 3] = [("owner", Role::Owner), ("hand", Role::Hand), ("viewer", Role::Viewer)];

/// A role's word.
pub fn role_word(role: Role) -> &'static str {
    match role {
        Role::Owner => "owner",
        Role::Hand => "hand",
        Role::Viewer => "viewer",
    }
}

fn argon2() -> Argon2<'static> {
    // The first recommended choice for little memory (RFC 9106 gives the parameters' meaning; OWASP's figures).
    let params = Params::new(19 * 1_024, 2, 1, None).unwrap_or_default();
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// The hash of a PIN, as it is kept.
fn hashed(pin: &str, salt: [u8; 32]) -> Result<String, Error> {
    let fault = |e: argon2::password_hash::Error| Error::fault(say!("error-database", what = e.to_string()));
    let hash: PasswordHash = argon2().hash_password_with_salt(pin.as_bytes(), &salt[..16]).map_err(fault)?;
    Ok(hash.to_string())
}

/// Whether a PIN is the one that was kept.
fn is_pin(pin: &str, kept: &str) -> bool {
    PasswordHash::new(kept).is_ok_and(|hash| argon2().verify_password(pin.as_bytes(), &hash).is_ok())
}

/// A PIN as typed: four to twelve digits.
fn pin(given: Option<&str>) -> Result<Option<String>, Error> {
    let Some(given) = filled(given).map(str::trim) else { return Ok(None) };
    let fits = limits::PIN_DIGITS.contains(&given.len()) && given.bytes().all(|b| b.is_ascii_digit());
    if fits {
        return Ok(Some(given.to_owned()));
    }
    let (least, most) = (*limits::PIN_DIGITS.start(), *limits::PIN_DIGITS.end());
    Err(Error::bad(say!("error-pin", least = least, most = most)).at("pin"))
}

fn here(people: Vec<Person>) -> Vec<Person> {
    people.into_iter().filter(|p| !p.left).collect()
}

/// The one of that name, or UUID, who works here.
fn find(shop: &Shop, name: &str) -> Result<Person, Error> {
    let name = needed(name, "person")?;
    let is = |p: &Person| p.data.name.to_lowercase() == name.to_lowercase() || p.id.to_string() == name;
    let mut found: Vec<Person> = here(shop.read().people()?).into_iter().filter(is).collect();
    match found.len() {
        1 => Ok(found.remove(0)),
        0 => Err(Error::bad(say!("error-unknown-person", name = shown(&name))).at("person")),
        n => Err(Error::refused(say!("refused-ambiguous-name", name = shown(&name), count = n)).at("person")),
    }
}

/// Refuses a name that somebody else here has: whose work it was must be plain.
fn free(people: &[Person], name: &str, but: Option<Uuid>) -> Result<(), Error> {
    match people.iter().any(|p| Some(p.id) != but && p.data.name.to_lowercase() == name.to_lowercase()) {
        true => Err(Error::refused(say!("refused-person-name", name = name)).at("name")),
        false => Ok(()),
    }
}

/// Somebody works here from now on.
pub fn add(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::PersonAdd,
) -> Result<(PeopleAnswer, Vec<Changed>), Error> {
    let name = needed(&with.name, "name")?;
    let people = here(shop.read().people()?);
    free(&people, &name, None)?;
    // Otherwise nobody could give anybody a role any more.
    let first = people.is_empty();
    let role = word(with.role.as_deref(), &ROLES, if first { Role::Owner } else { Role::Hand }, "role")?;
    if first && role != Role::Owner {
        return Err(Error::refused(say!("refused-person-first")).at("role"));
    }
    let pin = pin(with.pin.as_deref())?.map(|p| hashed(&p, host.secret())).transpose()?;
    let added = PersonAdded { name, role, costs: with.costs && role != Role::Owner, pin };
    let (_, changed) = shop.write(host, |tx| {
        let id = tx.ids.uuid();
        tx.draft(Body::PersonAdded(added), [Thing::new(ThingKind::Person, id)]);
        Ok(())
    })?;
    Ok((list(shop)?, changed))
}

/// Something about somebody is different now.
pub fn change(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::PersonChange,
) -> Result<(PeopleAnswer, Vec<Changed>), Error> {
    let person = find(shop, &with.person)?;
    let people = here(shop.read().people()?);
    let name = text(with.name.as_deref(), "name")?.filter(|n| *n != person.data.name);
    if let Some(name) = &name {
        free(&people, name, Some(person.id))?;
    }
    let role = word(with.role.as_deref(), &ROLES, person.data.role, "role")?;
    let costs = word(with.costs.as_deref(), &[("yes", true), ("no", false)], person.data.costs, "costs")?;
    let owners = people.iter().filter(|p| p.data.role == Role::Owner && p.id != person.id).count();
    if person.data.role == Role::Owner && owners == 0 && (role != Role::Owner || (with.left && people.len() > 1)) {
        return Err(Error::refused(say!("refused-person-last", name = &person.data.name)).at("person"));
    }
    let pin = pin(with.pin.as_deref())?.map(|p| hashed(&p, host.secret())).transpose()?;
    let changed = PersonChanged {
        name,
        role: (role != person.data.role).then_some(role),
        costs: (costs != person.data.costs).then_some(costs),
        pin,
        left: with.left.then_some(true),
    };
    if changed == PersonChanged::default() {
        return Ok((list(shop)?, Vec::new()));
    }
    let (_, changed) = shop.write(host, |tx| {
        tx.draft(Body::PersonChanged(changed), [Thing::new(ThingKind::Person, person.id)]);
        Ok(())
    })?;
    Ok((list(shop)?, changed))
}

/// Who works here, and who is at this screen.
pub fn list(shop: &Shop) -> Result<PeopleAnswer, Error> {
    let mut people: Vec<Person> = here(shop.read().people()?);
    people.sort_by_key(|p| (p.data.name.to_lowercase(), p.id));
    let worker = &shop.worker;
    let you = people.iter().find(|p| Some(p.id) == worker.person).map(|p| p.data.name.clone());
    let row = |p: &Person| PersonRow {
        person: p.id.to_string(),
        name: p.data.name.clone(),
        role: role_word(p.data.role).to_owned(),
        costs: p.data.costs || p.data.role == Role::Owner,
        pin: p.data.pin.is_some(),
    };
    Ok(PeopleAnswer {
        people: people.iter().map(row).collect(),
        you,
        role: role_word(worker.role).to_owned(),
        costs: worker.costs,
    })
}

/// What somebody may do.
pub fn as_worker(person: &Person) -> Worker {
    let role = person.data.role;
    Worker { person: Some(person.id), role, costs: person.data.costs || role == Role::Owner }
}

/// Who is at a screen, where the one who said so is `person`: everybody may do everything in a shop that knows no
/// people.
pub fn at_screen(shop: &Shop, person: Option<Uuid>) -> Result<Worker, Error> {
    let people = here(shop.read().people()?);
    if people.is_empty() {
        return Ok(Worker::OWNER);
    }
    Ok(people.iter().find(|p| Some(p.id) == person).map_or(Worker::NOBODY, as_worker))
}

/// Somebody says who they are, with their PIN.
pub fn enter(shop: &Shop, with: &action::PersonEnter) -> Result<Worker, Error> {
    let person = find(shop, &with.person)?;
    let right = match &person.data.pin {
        Some(kept) => is_pin(with.pin.as_deref().unwrap_or_default().trim(), kept),
        None => true,
    };
    match right {
        true => Ok(as_worker(&person)),
        false => Err(Error::refused(say!("refused-pin")).at("pin")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pin_is_known_again_and_no_other_is() {
        let kept = hashed("4711", [3; 32]).unwrap();
        assert!(kept.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{kept}");
        assert!(is_pin("4711", &kept));
        for other in ["4712", "", "47110", "$argon2id$"] {
            assert!(!is_pin(other, &kept), "{other}");
        }
        assert!(!is_pin("4711", "nonsense"));
        assert_ne!(kept, hashed("4711", [4; 32]).unwrap(), "two people with one PIN");
    }

    #[test]
    fn pins_as_typed() {
        assert_eq!(pin(Some(" 0000 ")).unwrap(), Some("0000".into()));
        assert_eq!(pin(Some(" ")).unwrap(), None);
        for wrong in ["123", "1234567890123", "12a4", "１２３４"] {
            assert!(pin(Some(wrong)).is_err(), "{wrong}");
        }
    }
}
