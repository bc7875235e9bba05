//! What the events of a thing add up to: plain data, one struct a kind of thing.

use serde::{Deserialize, Serialize};
use sheetloft_shapes::Shape;
use uuid::Uuid;

use crate::body::{
    Areas, CuttingNoted, DrawingRead, Flaw, FreightBy, Known, LineAdded, MachineAdded, MachineTuned, MaterialAdded,
    NotPlaced, OnOrderLine, OrderCharge, Outcome, PersonAdded, PieceKind, PlannedPiece, Quoted, ShopNamed, SortLimit,
    StandsIn, TakenOver, ToBuy,
};
use crate::count::Count;
use crate::event::{Hash, ThingKind};
use crate::labelling::PaperKept;

/// The state of one thing.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum State {
    Piece(Box<Piece>),
    Lot(Lot),
    Delivery(Delivery),
    Order(Box<Order>),
    Plan(Box<Plan>),
    Rack(Rack),
    Material(Box<Material>),
    Machine(Machine),
    Setting(Setting),
    Paper(PaperKept),
    Count(Box<Count>),
    Device(Device),
    Person(Person),
}

impl State {
    /// The kind of thing that this is the state of.
    pub fn kind(&self) -> ThingKind {
        match self {
            Self::Piece(_) => ThingKind::Piece,
            Self::Lot(_) => ThingKind::Lot,
            Self::Delivery(_) => ThingKind::Delivery,
            Self::Order(_) => ThingKind::Order,
            Self::Plan(_) => ThingKind::Plan,
            Self::Rack(_) => ThingKind::Rack,
            Self::Material(_) => ThingKind::Material,
            Self::Machine(_) => ThingKind::Machine,
            Self::Setting(_) | Self::Paper(_) => ThingKind::Setting,
            Self::Count(_) => ThingKind::Count,
            Self::Device(_) => ThingKind::Device,
            Self::Person(_) => ThingKind::Person,
        }
    }
}

/// Declares `State::piece(self) -> Option<Piece>` and the like.
macro_rules! unwrap_as {
    ($($name:ident: $variant:ident => $type:ty;)*) => {
        impl State {
            $(#[doc = concat!("The state as a ", stringify!($variant), ", if it is one.")]
            pub fn $name(self) -> Option<$type> {
                match self { Self::$variant(inner) => Some(inner), _ => None }
            })*
        }
    };
}
unwrap_as! {
    piece: Piece => Box<Piece>;
    lot: Lot => Lot;
    delivery: Delivery => Delivery;
    order: Order => Box<Order>;
    plan: Plan => Box<Plan>;
    rack: Rack => Rack;
    material: Material => Box<Material>;
    machine: Machine => Machine;
    setting: Setting => Setting;
    paper: Paper => PaperKept;
    count: Count => Box<Count>;
    device: Device => Device;
    person: Person => Person;
}

/// That a piece is promised to a plan's orders.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Hold {
    pub event: Hash,
    pub plan: Uuid,
    pub orders: Vec<Uuid>,
}

/// How a piece was used up.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum How {
    Cut {
        plan: Uuid,
    },
    Taken,
    Scrapped,
    /// Was booked in and never came.
    Withdrawn,
    /// Went back to the customer who owns it.
    HandedBack,
}

/// What went back into stock from a piece.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Returned {
    pub piece: Uuid,
    pub code: String,
    pub cost: i64,
    pub area2: i64,
}

/// The use that counts. Its sums and `difference` add up to what the piece carried, in minor units.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Use {
    pub event: Hash,
    pub at_ms: u64,
    pub how: How,
    pub charges: Vec<OrderCharge>,
    pub returned: Vec<Returned>,
    pub written_off: i64,
    pub why: Option<String>,
    /// What the piece carried less what the use recorded: written off as "cost difference".
    pub difference: i64,
    pub areas: Option<Areas>,
    /// What left the books with it, because it never came.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub withdrawn: i64,
}

/// A sheet or offcut.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Piece {
    /// Its UUID.
    pub id: Uuid,
    /// Its code.
    pub code: String,
    /// Sheet or offcut.
    pub kind: PieceKind,
    /// Of what.
    pub material: Uuid,
    /// From which delivery.
    pub lot: Option<Uuid>,
    /// The piece it was cut from.
    pub from: Option<Uuid>,
    /// True shape, µm.
    pub shape: Shape,
    /// Areas not to be used.
    pub flaws: Vec<Flaw>,
    /// Direction of the grain, microdegrees.
    pub grain_udeg: Option<i64>,
    /// How the outline is known.
    pub known: Known,
    /// How far it may be off, µm.
    pub known_within_um: i64,
    /// Where it stands.
    pub rack: Option<Uuid>,
    /// A word about it.
    pub note: Option<String>,
    /// What came into the books with it from outside, minor units; 0 for what a cut left.
    pub received: i64,
    /// What it carries as long as it is on hand: what it carried when it entered the books, and what came later.
    pub cost: i64,
    /// The event by which it entered.
    pub born: Hash,
    /// When, as that device believed.
    pub born_ms: u64,
    /// Needs a label.
    pub label_due: bool,
    /// Standing promises.
    pub holds: Vec<Hold>,
    /// The use that counts.
    pub used: Option<Use>,
    /// Two standing exclusive events contradict each other.
    pub conflict: bool,
    /// What it comes from is in conflict, set aside or not understood: not for planning.
    pub blocked: bool,
    /// The use that made it does not count; it carries 0.00.
    pub set_aside: bool,
    /// A person settled that there is no such piece.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gone: Option<Gone>,
    /// What costs, credits and write-downs that came later changed of `cost`; corrections of what it cost at first are
    /// not in it.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub later: i64,
    /// What was written down of it.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub written_down: i64,
    /// The customer whose it is: for that customer's orders only, and without cost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owner: Option<String>,
    /// Its protective film, where someone said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub film: Option<Film>,
}

/// Why a piece that was recorded is none.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Gone {
    /// What made it did not happen.
    Nothing,
    /// It was recorded twice: this is the piece.
    Same(Uuid),
}

fn is_zero(sum: &i64) -> bool {
    *sum == 0
}

/// Protective film, by face.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Film {
    pub face: bool,
    pub back: bool,
    /// A date, `YYYY-MM-DD`.
    pub since: Option<String>,
}

/// Where a piece stands in the books, as promised to scripts.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Status {
    Free,
    Held,
    Used,
    WrittenOff,
    Conflict,
}

impl Status {
    /// The promised word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Free => "free",
            Self::Held => "held",
            Self::Used => "used",
            Self::WrittenOff => "written_off",
            Self::Conflict => "conflict",
        }
    }

    /// The status with this word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Free, Self::Held, Self::Used, Self::WrittenOff, Self::Conflict].into_iter().find(|s| s.word() == word)
    }
}

impl Piece {
    /// Where it stands in the books.
    pub fn status(&self) -> Status {
        if self.gone.is_some() {
            return Status::WrittenOff;
        }
        if self.conflict || self.blocked || self.set_aside {
            return Status::Conflict;
        }
        match &self.used {
            Some(Use { how: How::Scrapped | How::Withdrawn, .. }) => Status::WrittenOff,
            Some(_) => Status::Used,
            None if self.holds.is_empty() => Status::Free,
            None => Status::Held,
        }
    }

    /// What the books carry for it now: nothing once it is used, and never less than nothing.
    pub fn carried(&self) -> i64 {
        if self.used.is_some() { 0 } else { self.cost.max(0) }
    }

    /// Charged to orders by the use that counts, and written off by it or before.
    ///
    /// A credit and a write-down that did not know of each other may come to more than the piece cost: then so much
    /// less was written off.
    pub fn charged_and_written_off(&self) -> (i64, i64) {
        let (charged, off) = self.used.as_ref().map_or((0, self.cost.min(0)), |u| {
            (u.charges.iter().map(|c| c.charge.total()).sum(), u.written_off + u.difference)
        });
        (charged, off + self.written_down)
    }

    /// Changes what it carries. Of what is used up already, the difference is written off.
    pub(crate) fn change_cost(&mut self, by: i64) {
        self.cost += by;
        if let Some(used) = &mut self.used {
            used.difference += by;
        }
    }

    /// Whether an order of this customer may use it: a customer's own material is for that customer's orders only.
    pub fn is_for(&self, customer: Option<&str>) -> bool {
        let same = |a: &str, b: &str| a.trim().to_lowercase() == b.trim().to_lowercase();
        self.owner.as_deref().is_none_or(|owner| customer.is_some_and(|c| same(c, owner)))
    }
}

/// One delivery line.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Lot {
    pub id: Uuid,
    pub name: String,
    pub material: Uuid,
    pub supplier: Option<String>,
    pub thickness_um: Option<i64>,
    pub delivery: Option<Uuid>,
    /// Invoiced with freight and duty, and what came later, minor units.
    pub received: i64,
    /// Written off when it arrived, less what was credited for that.
    pub written_off: i64,
    pub at_ms: u64,
    /// What was claimed from the supplier.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub claims: Vec<Claim>,
}

/// Something that was claimed from a supplier.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Claim {
    pub id: Uuid,
    /// Expected, minor units.
    pub amount: i64,
    pub why: String,
    pub at_ms: u64,
    /// Credited so far, minor units; none: the answer has not come.
    pub credited: Option<i64>,
}

/// One delivery.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Delivery {
    pub id: Uuid,
    pub lots: Vec<Uuid>,
    pub supplier: Option<String>,
    pub at_ms: u64,
    /// The number of the purchase or the delivery note; empty where nobody said one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// What was on order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ordered: Vec<Ordered>,
    /// When it is to come, `YYYY-MM-DD`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub due: Option<String>,
    /// Why what has not come will not come.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dropped: Option<String>,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub freight: i64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub freight_by: Option<FreightBy>,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub duty: i64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note_weight_g: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weighed_g: Option<i64>,
}

impl Delivery {
    /// The lines of which something is still to come, with how many sheets.
    pub fn open(&self) -> impl Iterator<Item = (&Ordered, u32)> {
        let lines = self.ordered.iter().filter(|_| self.dropped.is_none());
        lines.map(|o| (o, o.line.sheets.saturating_sub(o.came))).filter(|(_, open)| *open > 0)
    }
}

/// A line of what is on order, and how many sheets of it came, damaged ones included.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Ordered {
    pub line: OnOrderLine,
    pub came: u32,
}

/// How many of one part came out how.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Done {
    pub line: Uuid,
    pub part: String,
    pub good: u32,
    pub failed: u32,
}

/// Parts that came out good and are to be cut again all the same.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Remake {
    pub line: Uuid,
    pub part: String,
    pub quantity: u32,
    pub why: String,
    pub at_ms: u64,
}

/// A customer's order.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Order {
    pub id: Uuid,
    pub code: String,
    pub name: String,
    pub customer: Option<String>,
    pub due: Option<String>,
    pub lines: Vec<LineAdded>,
    /// How its drawings were read, where a person had to say it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub drawings: Vec<DrawingRead>,
    pub done: Vec<Done>,
    /// What is to be cut again, and why.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub remakes: Vec<Remake>,
    pub at_ms: u64,
    /// What the customer is asked, minor units.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<i64>,
    /// Done with.
    #[serde(default, skip_serializing_if = "is_false")]
    pub closed: bool,
    /// What was quoted for it, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub quotes: Vec<KeptQuote>,
}

/// What was quoted, when, on which device and by whom.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct KeptQuote {
    pub quote: Quoted,
    pub at_ms: u64,
    pub device: Uuid,
    /// Who it was, where the program knows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub person: Option<Uuid>,
}

fn is_false(said: &bool) -> bool {
    !said
}

impl Order {
    /// How many of a part are wanted, and how many came out good and still are.
    pub fn wanted_and_good(&self, line: &LineAdded, part: &str) -> (u32, u32) {
        let wanted = line.parts.iter().find(|p| p.id == part).map_or(0, |p| p.quantity.saturating_mul(line.quantity));
        let good = self.done.iter().find(|d| d.line == line.line && d.part == part).map_or(0, |d| d.good);
        let again: u32 =
            self.remakes.iter().filter(|r| r.line == line.line && r.part == part).map(|r| r.quantity).sum();
        (wanted, good.saturating_sub(again))
    }

    /// All parts wanted, and all that came out good (never more than wanted of each).
    pub fn progress(&self) -> (u32, u32) {
        self.lines
            .iter()
            .flat_map(|line| line.parts.iter().map(move |part| self.wanted_and_good(line, &part.id)))
            .fold((0, 0), |(w, g), (wanted, good)| (w + wanted, g + good.min(wanted)))
    }

    pub(crate) fn count(&mut self, line: Uuid, part: &str, outcome: Outcome) {
        if !outcome.is_loose() {
            return;
        }
        let at = self.done.iter().position(|d| d.line == line && d.part == part).unwrap_or_else(|| {
            self.done.push(Done { line, part: part.to_owned(), good: 0, failed: 0 });
            self.done.len() - 1
        });
        match outcome {
            Outcome::Good => self.done[at].good += 1,
            _ => self.done[at].failed += 1,
        }
    }
}

/// Parts placed on pieces.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Plan {
    pub id: Uuid,
    pub code: String,
    pub orders: Vec<Uuid>,
    pub machine: Option<Uuid>,
    pub pieces: Vec<PlannedPiece>,
    pub not_placed: Vec<NotPlaced>,
    pub lower_bound: Option<i64>,
    /// No plan of its parts needs fewer pieces; 0 where that is not known.
    #[serde(default)]
    pub least_pieces: u32,
    /// Its pieces are promised to it.
    pub held: bool,
    /// The pieces already cut.
    pub cut: Vec<Uuid>,
    /// Sheets that it needs and that are not on hand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub to_buy: Vec<ToBuy>,
    /// Materials that stand in for others.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instead: Vec<StandsIn>,
    /// Its pieces went to another plan: its orders are to be planned again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_over: Option<TakenOver>,
    pub at_ms: u64,
}

/// A place where pieces stand or lie.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Rack {
    pub id: Uuid,
    pub name: String,
    /// The rack that it is a bay or slot of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within: Option<Uuid>,
    /// Width and height, µm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_um: Option<[i64; 2]>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A material.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Material {
    pub id: Uuid,
    pub data: MaterialAdded,
    /// No longer used for anything new.
    #[serde(default, skip_serializing_if = "is_false")]
    pub retired: bool,
}

/// A machine.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Machine {
    pub id: Uuid,
    pub data: MachineAdded,
    pub tuned: Vec<MachineTuned>,
    /// No longer used for anything new.
    #[serde(default, skip_serializing_if = "is_false")]
    pub retired: bool,
    /// The most thickness of one sort of material each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub limits: Vec<SortLimit>,
    /// Above this thickness the focus is set another way, µm; 0: at none.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub focus_above_um: i64,
    /// What worked, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Noted>,
}

/// What worked for a material, and when it was said.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Noted {
    pub note: CuttingNoted,
    pub at_ms: u64,
}

/// The shop itself.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Setting {
    pub id: Uuid,
    pub data: ShopNamed,
    /// What the content of codes on labels begins with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
}

/// A device of the shop.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Device {
    pub id: Uuid,
    pub tag: String,
    pub public_key: String,
    /// What people call it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    pub through: Option<Uuid>,
    pub at_ms: u64,
    /// It is no longer let in.
    #[serde(default, skip_serializing_if = "is_false")]
    pub revoked: bool,
}

/// Somebody who works here.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Person {
    pub id: Uuid,
    pub data: PersonAdded,
    /// They have left.
    #[serde(default, skip_serializing_if = "is_false")]
    pub left: bool,
}
