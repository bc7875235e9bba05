//! `init`, `shop`: a new shop, and what it is.

use std::path::Path;

use sheetloft_ledger::body::ShopNamed;
use sheetloft_ledger::code;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::money::Currency;
use sheetloft_ledger::state::State;
use sheetloft_ledger::units::Unit;

use crate::action::Init;
use crate::answer::ShopAnswer;
use crate::error::Error;
use crate::host::Host;
use crate::shop::{Shop, filled, text, word};

/// Makes a new shop file at `path`.
pub fn init(path: &Path, host: &mut dyn Host, with: &Init) -> Result<Shop, Error> {
    let unit = word(with.unit.as_deref(), &[("mm", Unit::Mm), ("in", Unit::In)], Unit::Mm, "unit")?;
    let currency = filled(with.currency.as_deref()).unwrap_or("EUR");
    let currency = Currency::new(currency).map_err(|e| Error::from(e).at("currency"))?;
    let name = text(with.name.as_deref(), "name")?.unwrap_or_else(|| "Workshop".to_owned());
    crate::host::make_data_folder(path);
    Shop::create(path, host, ShopNamed { name, unit, currency })
}

/// The shop as it is.
pub fn show(shop: &Shop) -> Result<ShopAnswer, Error> {
    let device = match shop.store.device() {
        Some(id) => shop.read().folded(Thing::new(ThingKind::Device, id))?.state.and_then(State::device),
        None => None,
    };
    Ok(ShopAnswer {
        name: shop.setting.data.name.clone(),
        unit: match shop.unit() {
            Unit::Mm => "mm",
            Unit::In => "in",
        }
        .to_owned(),
        currency: shop.currency().code.clone(),
        decimals: shop.currency().decimals,
        device: device.map_or_else(|| code::tag(0), |d| d.tag),
        uuid: shop.setting.id.to_string(),
        read_only: shop.store.is_read_only(),
    })
}
