//! What happened: the body of each kind of event. Outcomes, not recipes: shapes and sums as decided then.
//!
//! **The meaning of a (kind, version) never changes.** A new meaning is a new version with a row of its own in the
//! table of kinds. Where the new version only says more than the old one, both are read into one struct, whose new
//! fields an old body leaves empty; stored bytes are never written anew.

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use sheetloft_shapes::{Contour, Placement, Point, Shape};
use uuid::Uuid;

use crate::count::{CountExpected, CountFinished, CountPaused, CountSeen, CountSettled, CountStarted};
use crate::labelling::{AddressSet, LabelWanted, PaperDropped, PaperKept};
use crate::money::Currency;
use crate::units::Unit;

mod settled;

pub use settled::{Carried, Other, OtherName, Settled, Split, Was};
mod books;
mod catalogue;
mod people;
mod sale;

pub use books::*;
pub use catalogue::*;
pub use people::*;
pub use sale::*;

/// Why a body cannot be read or written.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum BodyError {
    #[error("the body of a '{kind}' is not readable: {source}")]
    Unreadable { kind: String, source: serde_json::Error },
}

/// Declares the bodies, their wire names and versions, and [`crate::kinds::KINDS`] from one list, so that
/// no kind can be without a row.
macro_rules! bodies {
    ($($variant:ident = $name:literal v $version:literal $(reads $older:literal)*, touches $touches:tt, $exclusive:ident, $undoable:ident;)*) => {
        /// What happened.
        #[derive(Clone, PartialEq, Debug)]
        #[allow(missing_docs, clippy::large_enum_variant)]
        pub enum Body { $($variant($variant),)* }

        impl Body {
            /// The kind's name and version, as in the envelope.
            pub fn kind(&self) -> (&'static str, u32) {
                match self { $(Self::$variant(_) => ($name, $version),)* }
            }

            /// The body as it is stored.
            pub fn encode(&self) -> Result<Box<RawValue>, BodyError> {
                let unreadable = |source| BodyError::Unreadable { kind: self.kind().0.to_owned(), source };
                match self { $(Self::$variant(body) => serde_json::value::to_raw_value(body).map_err(unreadable),)* }
            }

            /// Reads a body; `None` where this program does not know the kind or version.
            // Versions are written one by one, whether or not they happen to follow each other.
            #[allow(clippy::manual_range_patterns)]
            pub fn decode(kind: &str, version: u32, raw: &RawValue) -> Result<Option<Self>, BodyError> {
                let unreadable = |source| BodyError::Unreadable { kind: kind.to_owned(), source };
                match (kind, version) {
                    $(($name, $version $(| $older)*) => serde_json::from_str(raw.get()).map(|b| Some(Self::$variant(b))).map_err(unreadable),)*
                    _ => Ok(None),
                }
            }
        }

        /// The table of kinds: one row each.
        pub(crate) const ROWS: &[crate::kinds::Kind] = &[
            $(
                $(bodies!(@row $name, $older, $touches, $exclusive, $undoable),)*
                bodies!(@row $name, $version, $touches, $exclusive, $undoable),
            )*
        ];
    };
    (@row $name:literal, $version:literal, $touches:tt, $exclusive:ident, $undoable:ident) => {
        crate::kinds::Kind {
            name: $name, version: $version, touches: bodies!(@touches $touches),
            exclusive: bodies!(@exclusive $exclusive), undoable: bodies!(@undoable $undoable),
        }
    };
    (@touches [$($kind:ident)*]) => { &[$(crate::event::ThingKind::$kind,)*] };
    (@exclusive exclusive) => { true };
    (@exclusive shared) => { false };
    (@undoable undoable) => { true };
    (@undoable lasting) => { false };
}

bodies! {
    DeviceBegan     = "device began"     v 1, touches [Device],              shared,    lasting;
    DeviceNamed     = "device named"     v 1, touches [Device],              shared,    lasting;
    DeviceTrusted   = "device trusted"   v 1, touches [Device],              shared,    lasting;
    PersonAdded     = "person added"     v 1, touches [Person],              shared,    lasting;
    PersonChanged   = "person changed"   v 1, touches [Person],              shared,    lasting;
    ShopNamed       = "shop named"       v 1, touches [Setting],             shared,    lasting;
    MaterialAdded   = "material added"   v 4 reads 3 reads 2 reads 1, touches [Material],            shared,    undoable;
    MaterialChanged = "material changed" v 4 reads 3 reads 2 reads 1, touches [Material],            shared,    undoable;
    MachineAdded    = "machine added"    v 1, touches [Machine],             shared,    undoable;
    MachineTuned    = "machine tuned"    v 1, touches [Machine],             shared,    undoable;
    RackAdded       = "rack added"       v 2 reads 1, touches [Rack],                shared,    undoable;
    RackDescribed   = "rack described"   v 1, touches [Rack],                shared,    undoable;
    Received        = "received"         v 2 reads 1, touches [Delivery Lot Piece],  shared,    undoable;
    Recorded        = "recorded"         v 2 reads 1, touches [Lot Piece],           shared,    undoable;
    Moved           = "moved"            v 1, touches [Piece],               shared,    undoable;
    Flawed          = "flawed"           v 1, touches [Piece],               shared,    undoable;
    Mended          = "mended"           v 1, touches [Piece],               shared,    undoable;
    Scrapped        = "scrapped"         v 1, touches [Piece],               exclusive, undoable;
    Taken           = "taken"            v 2 reads 1, touches [Piece Order],         exclusive, undoable;
    OrderMade       = "order made"       v 1, touches [Order],               shared,    undoable;
    LineAdded       = "line added"       v 2 reads 1, touches [Order],               shared,    undoable;
    Remade          = "remade"           v 1, touches [Order],               shared,    undoable;
    DrawingRead     = "drawing read"     v 1, touches [Order],               shared,    undoable;
    PlanMade        = "plan made"        v 4 reads 3 reads 2 reads 1, touches [Plan],                shared,    undoable;
    Held            = "held"             v 1, touches [Plan Piece],          exclusive, undoable;
    Released        = "released"         v 2 reads 1, touches [Plan Piece],          shared,    undoable;
    Cut             = "cut"              v 3 reads 2 reads 1, touches [Piece Plan Order],    exclusive, undoable;
    Labelled        = "labelled"         v 1, touches [Piece],               shared,    undoable;
    Settled         = "settled"          v 1, touches [Piece],               shared,    undoable;
    LabelWanted     = "label wanted"     v 1, touches [Piece],               shared,    undoable;
    AddressSet      = "address set"      v 1, touches [Setting],             shared,    undoable;
    PaperKept       = "paper kept"       v 1, touches [Setting],             shared,    undoable;
    PaperDropped    = "paper dropped"    v 1, touches [Setting],             shared,    undoable;
    CountStarted    = "count started"    v 1, touches [Count],               shared,    undoable;
    CountExpected   = "count expected"   v 1, touches [Count],               shared,    undoable;
    CountSeen       = "count seen"       v 1, touches [Count],               shared,    undoable;
    CountPaused     = "count paused"     v 1, touches [Count],               shared,    undoable;
    CountSettled    = "count settled"    v 1, touches [Count],               shared,    undoable;
    CountFinished   = "count finished"   v 1, touches [Count],               shared,    undoable;
    OnOrder         = "on order"         v 1, touches [Delivery],            shared,    undoable;
    OnOrderDropped  = "on order dropped" v 1, touches [Delivery],            shared,    undoable;
    Delivered       = "delivered"        v 1, touches [Delivery],            shared,    undoable;
    LotAdjusted     = "lot adjusted"     v 1, touches [Lot Piece],           shared,    undoable;
    Claimed         = "claimed"          v 1, touches [Lot],                 shared,    undoable;
    Withdrawn       = "withdrawn"        v 1, touches [Piece Lot],           exclusive, undoable;
    LotCorrected    = "lot corrected"    v 2 reads 1, touches [Lot Piece],           shared,    undoable;
    WrittenDown     = "written down"     v 1, touches [Piece],               shared,    undoable;
    WrittenDownTo   = "written down"     v 2, touches [Piece],               exclusive, undoable;
    FoundAgain      = "found again"      v 1, touches [Piece],               shared,    undoable;
    HandedBack      = "handed back"      v 1, touches [Piece],               exclusive, undoable;
    FilmNoted       = "film noted"       v 1, touches [Piece],               shared,    undoable;
    Retired         = "retired"          v 1, touches [Material Machine],    shared,    undoable;
    MachineChanged  = "machine changed"  v 1, touches [Machine],             shared,    undoable;
    CuttingNoted    = "cutting noted"    v 1, touches [Machine],             shared,    undoable;
    OrderPriced     = "order priced"     v 1, touches [Order],               shared,    undoable;
    Quoted          = "quoted"           v 1, touches [Order],               shared,    undoable;
    OrderClosed     = "order closed"     v 1, touches [Order],               shared,    undoable;
    Undone          = "undone"           v 1, touches [Piece Lot Delivery Order Plan Rack Material Machine Count Setting], shared, undoable;
}

/// A device joins a shop; its first event.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeviceBegan {
    /// The shop.
    pub shop: Uuid,
    /// Ed25519 public key, 64 hexadecimal digits.
    pub public_key: String,
    /// The two characters that begin this device's codes.
    pub tag: String,
    /// The device through which it joined; none for the shop's first.
    pub through: Option<Uuid>,
}

/// A device is called something else, or begins its codes with another tag.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DeviceNamed {
    /// What people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The two characters that begin its codes from now on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tag: Option<String>,
}

/// The shop's name, unit and currency. The setting's UUID is the shop's.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShopNamed {
    /// What people call it.
    pub name: String,
    /// What a bare number means.
    pub unit: Unit,
    /// The currency of all its money.
    pub currency: Currency,
}

/// Which way the visible fibre runs on a full sheet.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grain {
    /// No direction.
    #[default]
    None,
    /// Along the sheet's long side.
    Long,
    /// Along the sheet's short side.
    Short,
}

/// Whether a part may be mirrored: only where both faces are alike.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sides {
    /// Both faces alike.
    #[default]
    Same,
    /// Faces differ.
    Differ,
}

/// Everything about a material. Lengths in µm, density in g/m³, price in minor units a square metre.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MaterialAdded {
    /// What people call it: what it is made of, colour, finish.
    pub name: String,
    /// Nominal thickness.
    pub thickness_um: i64,
    /// Density.
    pub density_g_m3: Option<i64>,
    /// Grain on a full sheet.
    pub grain: Grain,
    /// Faces alike or not.
    pub sides: Sides,
    /// Width the beam removes.
    pub kerf_um: i64,
    /// Extra distance between parts.
    pub gap_um: i64,
    /// Rim not to be used.
    pub margin_um: i64,
    /// Smallest leftover worth a label.
    pub keep_from_um: [i64; 2],
    /// Why it must not be lasered.
    pub not_for_laser: Option<String>,
    /// Today's price a square metre.
    pub price_per_m2: Option<i64>,
    /// What an offcut is worth of the sheet's cost by area, in percent.
    pub offcut_value_percent: u8,
    /// How much smaller than nominal a sheet may be.
    pub size_tolerance_um: i64,
    /// The sizes in which sheets can be bought.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stock_sizes: Vec<StockSize>,
    /// When to buy more without being asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reorder: Option<Reorder>,
    /// What sort of material it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sort: Option<Sort>,
    /// How it was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made: Option<Made>,
    /// Materials that may stand in for it, where a person says so each time.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub substitutes: Vec<Uuid>,
}

/// With so few free sheets on hand, so many are to be bought.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Reorder {
    pub at: u32,
    pub count: u32,
}

/// Some fields of a material changed; those left out stay.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
#[allow(missing_docs)]
pub struct MaterialChanged {
    pub name: Option<String>,
    pub density_g_m3: Option<i64>,
    pub kerf_um: Option<i64>,
    pub gap_um: Option<i64>,
    pub margin_um: Option<i64>,
    pub keep_from_um: Option<[i64; 2]>,
    pub not_for_laser: Option<String>,
    pub price_per_m2: Option<i64>,
    pub offcut_value_percent: Option<u8>,
    pub size_tolerance_um: Option<i64>,
    /// All sizes in which sheets can be bought, in the place of those before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stock_sizes: Option<Vec<StockSize>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reorder: Option<Reorder>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sort: Option<Sort>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made: Option<Made>,
    /// All that may stand in for it, in the place of those before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub substitutes: Option<Vec<Uuid>>,
    /// Fields that have no value any more.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cleared: Vec<MaterialField>,
}

/// A field of a material that may be without a value.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum MaterialField {
    Density,
    NotForLaser,
    Price,
    Reorder,
    Sort,
    Made,
}

/// A size in which sheets of a material can be bought. µm; grain as on the material's sheets.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StockSize {
    /// The first side, µm.
    pub w_um: i64,
    /// The second side, µm.
    pub h_um: i64,
    /// Today's price of one sheet, minor units; none: by area.
    pub price: Option<i64>,
    /// From whom.
    pub supplier: Option<String>,
}

/// How a machine cuts.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MachineKind {
    /// A beam.
    #[default]
    Laser,
    /// A bit.
    Router,
}

/// A machine. Lengths in µm.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct MachineAdded {
    pub name: String,
    pub bed_um: [i64; 2],
    pub kind: MachineKind,
    pub max_thickness_um: Option<i64>,
}

/// A machine's own kerf, gap and margin for one material; those left out are the material's. µm.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct MachineTuned {
    pub material: Uuid,
    pub kerf_um: Option<i64>,
    pub gap_um: Option<i64>,
    pub margin_um: Option<i64>,
}

/// A place where pieces stand or lie: a rack, or a bay or slot of one.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RackAdded {
    /// Its name.
    pub name: String,
    /// The rack that it is a bay or slot of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within: Option<Uuid>,
    /// How wide and high it is, µm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_um: Option<[i64; 2]>,
    /// A word about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// How a place measures and what is to be known about it; all of it, in the place of what was said before.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct RackDescribed {
    pub rack: Uuid,
    pub within: Option<Uuid>,
    pub size_um: Option<[i64; 2]>,
    pub note: Option<String>,
}

/// A full sheet, or what is left of one.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum PieceKind {
    Sheet,
    Offcut,
}

impl PieceKind {
    /// The promised word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Sheet => "sheet",
            Self::Offcut => "offcut",
        }
    }
}

/// How an outline is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Known {
    /// Cut by a machine.
    Machine,
    /// Measured by tape.
    Tape,
    /// Guessed.
    Guess,
}

impl Known {
    /// How far the true outline may be off, in µm, unless said otherwise. Common practice, no source.
    pub fn within_um(self) -> i64 {
        match self {
            Known::Machine => 300,
            Known::Tape => 2_000,
            Known::Guess => 5_000,
        }
    }
}

/// On which side of a piece a flaw lies.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum FlawSide {
    Face,
    Back,
    #[default]
    Through,
}

/// An area not to be used, in the piece's coordinates.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Flaw {
    pub id: Uuid,
    pub shape: Shape,
    pub side: FlawSide,
    pub why: String,
}

/// A piece as it enters the books.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Born {
    /// Its UUID.
    pub id: Uuid,
    /// Its code, as on its label.
    pub code: String,
    /// Its true shape.
    pub shape: Shape,
    /// Areas not to be used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flaws: Vec<Flaw>,
    /// Direction of the grain in the piece's coordinates, microdegrees counter-clockwise from x; none where there is none.
    pub grain_udeg: Option<i64>,
    /// How well the outline is known.
    pub known: Known,
    /// How far the true outline may be off, µm.
    pub known_within_um: i64,
    /// Where it stands.
    pub rack: Option<Uuid>,
    /// What it carries in the books, minor units.
    pub cost: i64,
}

/// A delivery of one line: good sheets and what was written off at once. All sums in minor units.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Received {
    /// The delivery.
    pub delivery: Uuid,
    /// The lot it makes.
    pub lot: Uuid,
    /// The lot's name.
    pub lot_name: String,
    /// Of what material.
    pub material: Uuid,
    /// From whom.
    pub supplier: Option<String>,
    /// Measured thickness, µm.
    pub thickness_um: Option<i64>,
    /// Sheets that arrived, damaged ones included.
    pub sheets: u32,
    /// Sheets damaged on arrival.
    pub damaged: u32,
    /// Invoiced for the line.
    pub line_total: i64,
    /// Freight for the line.
    pub freight: i64,
    /// Written off at once: the damaged sheets' share, and all freight and duty where no sheet is good.
    pub written_off: i64,
    /// The good sheets.
    pub pieces: Vec<Born>,
    /// Duty for the line.
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub duty: i64,
    /// The line of what was on order that it is booked against.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_order: Option<Uuid>,
    /// The customer whose material it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owner: Option<String>,
}

fn is_nothing(sum: &i64) -> bool {
    *sum == 0
}

/// A piece that nobody recorded before: an offcut found, or a line of an import.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recorded {
    /// Sheet or offcut.
    pub kind: PieceKind,
    /// Of what material.
    pub material: Uuid,
    /// Its lot, where known.
    pub lot: Option<Uuid>,
    /// The lot's name, where this event makes the lot.
    pub new_lot: Option<String>,
    /// The piece it came from, where known.
    pub from: Option<Uuid>,
    /// A word about it.
    pub note: Option<String>,
    /// The piece.
    pub piece: Born,
    /// The customer whose material it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owner: Option<String>,
}

/// A piece stands somewhere else.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Moved {
    pub piece: Uuid,
    pub rack: Option<Uuid>,
}

/// An area of a piece is not to be used.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Flawed {
    pub piece: Uuid,
    pub flaw: Flaw,
}

/// A flaw is taken off again.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Mended {
    pub piece: Uuid,
    pub flaw: Uuid,
}

/// A piece is thrown away; what it carried is written off.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Scrapped {
    pub piece: Uuid,
    pub why: String,
    pub written_off: i64,
}

/// What an order pays for one piece, in minor units; the lines add up to what it is charged.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Charge {
    /// Area of good parts.
    pub parts: i64,
    /// What the beam removed.
    pub kerf: i64,
    /// What is not worth keeping.
    pub scrap: i64,
    /// What kept offcuts of a full sheet are worth less than their area.
    pub markdown: i64,
    /// Area of parts that failed.
    pub failed: i64,
}

impl Charge {
    /// The sum of its lines.
    pub fn total(&self) -> i64 {
        self.parts + self.kerf + self.scrap + self.markdown + self.failed
    }
}

/// Who pays for what was taken by hand.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TakenFor {
    /// An order, with its charge.
    Order {
        /// The order.
        order: Uuid,
        /// What it pays.
        charge: Charge,
    },
    /// The shop, under a reason.
    Shop {
        /// Why.
        why: String,
        /// Written off.
        amount: i64,
    },
}

/// Cut by hand outside any plan. Areas are twice µm².
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Taken {
    /// The piece used up.
    pub piece: Uuid,
    /// Its material, which what is left inherits.
    pub material: Uuid,
    /// Its lot, likewise.
    pub lot: Option<Uuid>,
    /// Who pays.
    pub paid_by: TakenFor,
    /// What is left as stock.
    pub born: Vec<Born>,
    /// Where the piece's area went.
    pub areas: Areas,
    /// The customer whose material it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owner: Option<String>,
}

/// Where a piece's area went, in twice µm²; the lines add up to the piece's.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Areas {
    pub parts2: i64,
    pub kerf2: i64,
    pub offcuts2: i64,
    pub scrap2: i64,
}

impl Areas {
    /// All of it.
    pub fn total2(&self) -> i64 {
        self.parts2 + self.kerf2 + self.offcuts2 + self.scrap2
    }
}

/// A customer's order.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct OrderMade {
    pub order: Uuid,
    pub code: String,
    pub name: String,
    pub customer: Option<String>,
    /// A date, `YYYY-MM-DD`.
    pub due: Option<String>,
}

/// The rotations that a part allows.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TurnRule {
    /// Any angle.
    #[default]
    Any,
    /// Quarter turns.
    Quarter,
    /// Half turns: grain runs along.
    Half,
    /// As drawn.
    None,
}

/// One part of an order line.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LinePart {
    /// Its name within the line.
    pub id: String,
    /// How many for each one of the line.
    pub quantity: u32,
    /// Chords on the safe side, used for fitting.
    pub shape: Shape,
    /// As drawn: the outline first, then its holes.
    pub source: Vec<Contour>,
}

/// What a line's parts must have in common, for colour or running grain.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Alike {
    /// Nothing.
    #[default]
    No,
    /// All from one lot.
    Lot,
    /// All from one piece.
    Piece,
}

impl Alike {
    fn is_no(&self) -> bool {
        *self == Self::No
    }
}

/// Parts with a quantity, of one material.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct LineAdded {
    pub order: Uuid,
    pub line: Uuid,
    pub name: String,
    pub material: Uuid,
    pub quantity: u32,
    pub turn: TurnRule,
    pub flip: bool,
    pub parts: Vec<LinePart>,
    /// What its parts must have in common.
    #[serde(default, skip_serializing_if = "Alike::is_no")]
    pub alike: Alike,
}

/// Parts that came out good turned out not to be: they are to be cut again.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Remade {
    pub order: Uuid,
    pub line: Uuid,
    /// The part within the line.
    pub part: String,
    pub quantity: u32,
    pub why: String,
}

/// How a person had a drawing read whose parts went into an order: what the file itself does not say. Remembered for
/// the next one.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DrawingRead {
    /// The order.
    pub order: Uuid,
    /// What the file is: `dxf`, `svg`, `pdf`, `plt`.
    pub format: String,
    /// The unit, where the person said it and the file did not: `mm`, `in` and so on.
    pub unit: Option<String>,
    /// Layers of which the person said whether they are cut.
    pub layers: Vec<LayerSaid>,
}

/// What a person said of a layer of a drawing.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LayerSaid {
    /// Its name, its colour as `#rrggbb`, or both with a space between.
    pub layer: String,
    /// Whether its lines are cut.
    pub cut: bool,
}

/// One part's place in a plan.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlannedPart {
    /// Unique in the plan; what a ticket shows.
    pub id: String,
    /// The order it is for.
    pub order: Uuid,
    /// The order's line.
    pub line: Uuid,
    /// The part within the line.
    pub part: String,
    /// Where it lies on the piece.
    pub place: Placement,
}

/// What a plan leaves of a piece.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PlannedLeftover {
    pub shape: Shape,
    pub keep: bool,
}

/// A straight cut across a piece with the saw, before it goes to the machine: from rim to rim along the middle
/// of the saw's kerf. µm.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct SawCut {
    pub from: Point,
    pub to: Point,
    pub kerf_um: i64,
}

/// One piece of a plan, with what lies on it. Sums in minor units, lengths in µm.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PlannedPiece {
    pub piece: Uuid,
    pub kerf_um: i64,
    pub gap_um: i64,
    pub margin_um: i64,
    pub parts: Vec<PlannedPart>,
    pub leftovers: Vec<PlannedLeftover>,
    /// Where the piece's area would go.
    pub areas: Areas,
    pub charged: i64,
    pub scrap: i64,
    /// Used-up area at today's price, where one is known.
    pub price: Option<i64>,
    /// Saw cuts that come first, because the piece is too long for the bed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub saws: Vec<SawCut>,
}

/// A part that a plan could not place.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct NotPlaced {
    pub order: Uuid,
    pub line: Uuid,
    pub id: String,
    pub part: String,
    pub why: String,
}

/// A sheet that the plan needs and that has to be bought. Lengths in µm, sums in minor units.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct ToBuy {
    pub material: Uuid,
    pub w_um: i64,
    pub h_um: i64,
    /// Today's price of the sheet.
    pub price: Option<i64>,
    pub supplier: Option<String>,
    pub parts: Vec<PlannedPart>,
    pub leftovers: Vec<PlannedLeftover>,
}

/// Parts placed on pieces.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PlanMade {
    pub plan: Uuid,
    pub code: String,
    pub orders: Vec<Uuid>,
    pub machine: Option<Uuid>,
    pub pieces: Vec<PlannedPiece>,
    pub not_placed: Vec<NotPlaced>,
    /// Least that could be used up, at today's price.
    pub lower_bound: Option<i64>,
    /// No plan of these parts needs fewer pieces; 0 where that is not known.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub least_pieces: u32,
    /// Sheets that are not on hand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub to_buy: Vec<ToBuy>,
    /// Materials that stand in for others this time.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instead: Vec<StandsIn>,
}

/// A material that stands in for another one, because a person said so for this plan.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct StandsIn {
    pub of: Uuid,
    pub other: Uuid,
}

#[allow(clippy::trivially_copy_pass_by_ref)]
fn is_zero(n: &u32) -> bool {
    *n == 0
}

/// The plan's pieces are promised to its orders.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Held {
    pub plan: Uuid,
    pub orders: Vec<Uuid>,
    pub pieces: Vec<Uuid>,
}

/// Why pieces that were promised to one plan went to another.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct TakenOver {
    pub by: Uuid,
    pub why: String,
}

/// The plan's pieces are let go.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Released {
    pub plan: Uuid,
    pub pieces: Vec<Uuid>,
    /// Another plan takes the pieces over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_over: Option<TakenOver>,
}

/// How a planned part came out.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// As wanted.
    #[default]
    Good,
    /// Spoilt; to be planned again.
    Failed,
    /// Not cut; to be planned again.
    NotStarted,
    /// Begun and not cut loose: to be planned again, its area stays on what is left, as a flaw.
    HalfCut,
}

impl Outcome {
    /// Whether the part was cut loose.
    pub fn is_loose(self) -> bool {
        matches!(self, Self::Good | Self::Failed)
    }
}

/// One part of a cut.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CutPart {
    pub id: String,
    pub order: Uuid,
    pub line: Uuid,
    pub part: String,
    pub outcome: Outcome,
    /// Twice µm².
    pub area2: i64,
}

/// What one order pays for a cut.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct OrderCharge {
    pub order: Uuid,
    pub charge: Charge,
}

/// Done at the machine: uses a piece up and yields parts, offcuts and scrap.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Cut {
    pub plan: Uuid,
    pub piece: Uuid,
    /// The piece's material, which what is left inherits.
    pub material: Uuid,
    /// Its lot, likewise.
    pub lot: Option<Uuid>,
    pub parts: Vec<CutPart>,
    pub born: Vec<Born>,
    pub charges: Vec<OrderCharge>,
    pub areas: Areas,
    /// What went wrong, where something did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// The customer whose material it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owner: Option<String>,
}

/// Labels were made for these pieces.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Labelled {
    pub pieces: Vec<Uuid>,
}

/// An action is taken back; where that action was itself an undo, the first one stands again.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Undone {
    pub action: Uuid,
}

impl Body {
    /// Whether two such events on one piece that do not know of each other are a conflict.
    pub fn is_exclusive(&self) -> bool {
        let (kind, version) = self.kind();
        crate::kinds::find(kind, version).is_some_and(|k| k.exclusive)
    }

    /// The piece that this event uses up, if it does.
    pub fn uses(&self) -> Option<Uuid> {
        match self {
            Self::Cut(b) => Some(b.piece),
            Self::Taken(b) => Some(b.piece),
            Self::Scrapped(b) => Some(b.piece),
            Self::Withdrawn(b) => Some(b.piece),
            Self::HandedBack(b) => Some(b.piece),
            _ => None,
        }
    }

    /// What the pieces of a lot carry more or less by this event.
    pub fn shares(&self) -> Option<(Uuid, &[CostShare])> {
        match self {
            Self::LotAdjusted(b) => Some((b.lot, &b.shares)),
            Self::LotCorrected(b) => Some((b.lot, &b.shares)),
            _ => None,
        }
    }

    /// The pieces that enter the books by this event.
    pub fn born(&self) -> &[Born] {
        match self {
            Self::Received(b) => &b.pieces,
            Self::Recorded(b) => std::slice::from_ref(&b.piece),
            Self::Cut(b) => &b.born,
            Self::Taken(b) => &b.born,
            Self::LotCorrected(b) => &b.born,
            _ => &[],
        }
    }
}
