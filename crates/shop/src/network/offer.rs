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
    /// The one that is kept, if it is not over at `now_ms`.
    fn kept(text: &str, now_ms: u64) -> Option<Self> {
        serde_json::from_str::<Self>(text).ok().filter(|o| now_ms < o.until_ms)
    }

    fn text(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }

    /// The one that stands at `now_ms`, with one attempt used up: however many come at once, each uses up its own.
    pub fn take_attempt(shop: &mut Shop, now_ms: u64) -> Result<Option<Self>, Error> {
        Ok(shop.store.change_remembered(OFFER, |kept| {
            let Some(offer) = Self::kept(kept, now_ms).filter(|o| o.left > 0) else { return (None, None) };
            (Some(Self { left: offer.left - 1, ..offer.clone() }.text()), Some(offer))
        })?)
    }

    /// Whether this offer, whose code was proven, still stands; then it is used up. It is good once.
    pub fn use_up(&self, shop: &mut Shop, now_ms: u64) -> Result<bool, Error> {
        let is_this = |kept: &Self| kept.code == self.code && kept.until_ms == self.until_ms;
        Ok(shop.store.change_remembered(OFFER, |kept| match Self::kept(kept, now_ms).filter(is_this) {
            Some(_) => (Some(String::new()), true),
            None => (None, false),
        })?)
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
    shop.store.remember(OFFER, &offer.text())?;
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
