//! What a label's code says: the code, after the address of the shop's own pages where one is set.
//!
//! Everything is in the capital letters, digits and signs of QR's alphanumeric mode (ISO/IEC 18004), which keeps the
//! symbol small; scheme and host of an address are the same in either case (RFC 3986). A code printed before the
//! address changed is still read: only its last part says what it is.

use sheetloft_ledger::body::Body;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::labelling::AddressSet;

use crate::action::LabelAddress;
use crate::answer::{AddressAnswer, Changed};
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Shop, shown, text};

/// The longest address: with a piece's code a symbol of version 3 at level M still holds it.
const CHARS: usize = 48;

/// The content of a code.
pub(super) fn content(address: Option<&str>, code: &str) -> String {
    match address {
        Some(address) => format!("{address}/{code}"),
        None => code.to_owned(),
    }
}

/// What stands for a part of a plan: the plan's code, and the part's id where the mode has its letters.
pub(super) fn part(plan: &str, id: &str) -> String {
    let id = id.to_uppercase();
    match !id.is_empty() && id.len() <= 12 && id.chars().all(|c| c.is_ascii_alphanumeric() || "-.".contains(c)) {
        true => format!("{plan}/{id}"),
        false => plan.to_owned(),
    }
}

/// Shows the address, or sets it.
pub fn address(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &LabelAddress,
) -> Result<(AddressAnswer, Vec<Changed>), Error> {
    let given = text(with.address.as_deref(), "address")?;
    let now = shop.read().setting()?.and_then(|s| s.address);
    let wanted = match (given, with.none) {
        (Some(_), true) => return Err(Error::bad(say!("error-address-one")).at("none")),
        (Some(text), false) => Some(checked(&text)?),
        (None, true) => None,
        (None, false) => now.clone(),
    };
    let mut changed = Vec::new();
    if wanted != now {
        let body = Body::AddressSet(AddressSet { address: wanted.clone() });
        let setting = Thing::new(ThingKind::Setting, shop.setting.id);
        changed = shop
            .write(host, |tx| {
                tx.draft(body, [setting]);
                Ok(())
            })?
            .1;
    }
    Ok((AddressAnswer { sample: content(wanted.as_deref(), super::content::SAMPLE), address: wanted }, changed))
}

fn checked(given: &str) -> Result<String, Error> {
    let wrong = || Error::bad(say!("error-address", text = shown(given))).at("address");
    let address = given.trim_end_matches('/').to_uppercase();
    let host = address.strip_prefix("HTTP://").or_else(|| address.strip_prefix("HTTPS://")).ok_or_else(wrong)?;
    let said = |c: char| c.is_ascii_digit() || c.is_ascii_uppercase() || "-.:/".contains(c);
    if host.is_empty() || host.starts_with(['/', ':', '.', '-']) || !host.chars().all(said) {
        return Err(wrong());
    }
    if address.len() > CHARS {
        return Err(Error::bad(say!("error-address-long", most = CHARS)).at("address"));
    }
    Ok(address)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_in_the_letters_of_the_mode() {
        assert_eq!(checked("http://10.0.0.20:8470/").unwrap(), "HTTP://10.0.0.20:8470");
        assert_eq!(checked("https://shop.local/stock").unwrap(), "HTTPS://SHOP.LOCAL/STOCK");
        for bad in ["", "10.0.0.20", "ftp://a", "http://", "http:///x", "http://a b", "http://a/?q=1", "http://ä"] {
            assert!(checked(bad).is_err(), "{bad}");
        }
        assert!(checked(&format!("http://{}", "a".repeat(CHARS))).is_err());
        assert_eq!(content(Some("HTTP://A"), "7K-004TK"), "HTTP://A/7K-004TK");
        assert_eq!(part("P-7K-003D", "a-12"), "P-7K-003D/A-12");
        assert_eq!(part("P-7K-003D", "Öse"), "P-7K-003D");
    }
}
