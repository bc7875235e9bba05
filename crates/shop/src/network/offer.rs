//! An offer to pair: a short code that is good once, for minutes, and for few attempts.

use serde::{Deserialize, Serialize};
use sheetloft_labels::Qr;
use sheetloft_ledger::body::Role;
use sheetloft_sync::net::pair;

use super::{identity, served_at};
use crate::action;
use crate::answer::OfferAnswer;
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Shop, text, word};
use crate::view;

const OFFER: &str = "pairing";

/// What is offered. It lies in the shop file, so that whichever program serves can keep it.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Offer {
    /// The digits.
    pub code: String,
    /// Until when, ms since 1970.
    pub until_ms: u64,
    /// Attempts left.
    pub left: u32,
    /// What a phone or tablet will be allowed to do; none where the offer is to a device with a shop file of its own.
    pub role: Option<Role>,
    /// Whether it sees costs.
    pub costs: bool,
    /// What the phone or tablet is called.
    pub name: Option<String>,
}

impl Offer {
    /// The one that stands at `now_ms`.
    pub fn read(shop: &Shop, now_ms: u64) -> Result<Option<Self>, Error> {
        let text = shop.read().remembered(OFFER)?.unwrap_or_default();
        let offer: Option<Self> = serde_json::from_str(&text).ok();
        Ok(offer.filter(|o| o.left > 0 && now_ms < o.until_ms))
    }

    /// Keeps it in the shop file.
    pub fn keep(&self, shop: &Shop) -> Result<(), Error> {
        let text = serde_json::to_string(self).unwrap_or_default();
        Ok(shop.store.remember(OFFER, &text)?)
    }

    /// The one that stands, with one attempt used up.
    pub fn take_attempt(shop: &Shop, now_ms: u64) -> Result<Option<Self>, Error> {
        let Some(offer) = Self::read(shop, now_ms)? else { return Ok(None) };
        Self { left: offer.left - 1, ..offer.clone() }.keep(shop)?;
        Ok(Some(offer))
    }

    /// Takes it back.
    pub fn withdraw(shop: &Shop) -> Result<(), Error> {
        Ok(shop.store.remember(OFFER, "")?)
    }
}

/// Offers to pair with one other device, or with one phone or tablet.
pub fn offer(shop: &mut Shop, host: &mut dyn Host, with: &action::SyncOffer) -> Result<OfferAnswer, Error> {
    const ROLES: [(&str, Option<Role>); 3] =
        [("viewer", Some(Role::Viewer)), ("hand", Some(Role::Hand)), ("owner", Some(Role::Owner))];
    let role = word(with.screen.as_deref(), &ROLES, None, "screen")?;
    let name = text(with.name.as_deref(), "name")?;
    let addresses = served_at(&shop.store)?;
    if addresses.is_empty() {
        return Err(Error::refused(say!("refused-not-serving")));
    }
    let fingerprint = identity(&shop.store)?.fingerprint();
    let offer = Offer {
        code: pair::code(host.secret()),
        until_ms: host.wall_ms() + pair::OFFER_MS,
        left: pair::ATTEMPTS,
        role,
        costs: with.costs || role == Some(Role::Owner),
        name,
    };
    offer.keep(shop)?;
    let address = &addresses[0];
    // A phone's camera opens the screens with the code; another device reads address and code from it.
    let link = format!("https://{address}/pair/{}", offer.code);
    Ok(OfferAnswer {
        code: format!("{} {}", &offer.code[..3], &offer.code[3..]),
        until: view::when(offer.until_ms),
        addresses,
        fingerprint: fingerprint.short(),
        svg: Qr::new(&link.to_uppercase()).map_or_else(|_| String::new(), |code| code.svg()),
        link,
    })
}
