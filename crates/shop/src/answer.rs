//! What comes back through the door. Field names are a promise to people's scripts.
//!
//! Lengths in mm, areas in mm², angles in degrees, money as text with the currency's decimals, times RFC 3339 UTC.

use std::collections::BTreeMap;

use serde::Serialize;
use ts_rs::TS;

/// A cell of a report: words and money as text, all else as a number.
#[derive(Clone, Debug, PartialEq, Serialize, TS)]
#[serde(untagged)]
#[allow(missing_docs)]
pub enum Cell {
    Text(String),
    Number(f64),
}

/// Declares plain answer structs with the usual derives, and lists them for TypeScript.
macro_rules! answers {
    ($($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident: $type:ty,)* })*) => {
        $(
            $(#[$doc])*
            #[derive(Clone, Debug, PartialEq, Serialize, TS)]
            #[allow(missing_docs)]
            pub struct $name { $($(#[$fdoc])* pub $field: $type,)* }
        )*
        /// TypeScript: the declarations of the answers.
        pub(crate) fn typescript_answers(config: &ts_rs::Config) -> Vec<String> {
            vec![$(<$name as TS>::decl(config),)*]
        }
    };
}

answers! {
    /// An outline with holes, mm.
    ShapeMm { outline: Vec<[f64; 2]>, holes: Vec<Vec<[f64; 2]>>, }
    /// Where a part lies: flip (x to −x), turn counter-clockwise about the origin, then move.
    Place { turn_deg: f64, flip: bool, move_mm: [f64; 2], }
    /// The shop.
    ShopAnswer { name: String, unit: String, currency: String, decimals: u8, device: String, uuid: String,
        /// Opened from a file of a newer program: can be read, not changed.
        read_only: bool, }
    /// The demonstration shop is there.
    DemoAnswer { pieces: usize, orders: usize, }
    /// Something that waits for a person.
    Todo {
        /// What to do: `label`, `plan`, `buy`, `hold`, `cut`, `conflict`, `receive`, `material`.
        kind: String,
        /// The order, plan or piece it is about.
        code: Option<String>,
        /// In words.
        text: String,
        /// How many.
        count: usize,
    }
    /// What needs doing now.
    NowAnswer { todo: Vec<Todo>, pieces: usize, sheets: usize, offcuts: usize, value: String, can_undo: Option<String>, can_redo: Option<String>, }

    StockSizeRow { size: String, size_mm: [f64; 2], price: Option<String>, supplier: Option<String>, }
    /// A material.
    MaterialRow { name: String, uuid: String, thickness: f64, density: Option<f64>, grain: String, sides: String, kerf: f64, gap: f64, margin: f64,
        keep_from: [f64; 2], not_for_laser: Option<String>, price: Option<String>, offcut_value: u8, size_tolerance: f64, stock_sizes: Vec<StockSizeRow>, reorder_at: Option<u32>, reorder_count: Option<u32>,
        /// `acrylic`, `plywood`, `mdf` or `other`.
        sort: Option<String>,
        /// `cast` or `extruded`.
        made: Option<String>,
        /// What may stand in for it.
        substitutes: Vec<String>,
        /// No longer used for anything new.
        retired: bool, on_hand: usize, }
    MaterialAnswer { material: MaterialRow, }
    MaterialsAnswer { materials: Vec<MaterialRow>, }
    RackRow { name: String, uuid: String, pieces: usize,
        /// The rack that it is a bay or slot of.
        within: Option<String>,
        /// Width and height.
        size: Option<[f64; 2]>, note: Option<String>, }
    RackAnswer { rack: RackRow, }
    RacksAnswer { racks: Vec<RackRow>, }
    PriceRow { when: String, price: Option<String>, device: String, }
    MaterialShowAnswer { material: MaterialRow,
        /// Newest first.
        prices: Vec<PriceRow>, notes: Vec<CuttingNoteRow>, history: Vec<HistoryRow>, }
    MachineLimit { sort: String, thickness: f64, }
    CuttingNoteRow { machine: String, material: String, when: String, power: Option<f64>,
        /// mm a second.
        speed: Option<f64>, passes: u32, air: Option<String>, lens: Option<String>, note: Option<String>, by: Option<String>,
        /// In one line.
        text: String, }
    CuttingNotesAnswer { notes: Vec<CuttingNoteRow>, }
    MachineMaterial { material: String, kerf: Option<f64>, gap: Option<f64>, margin: Option<f64>, }
    MachineRow { name: String, uuid: String, bed: [f64; 2], kind: String, max_thickness: Option<f64>, limits: Vec<MachineLimit>, focus_above: Option<f64>,
        /// No longer used for anything new.
        retired: bool, materials: Vec<MachineMaterial>, }
    MachineAnswer { machine: MachineRow, }
    MachinesAnswer { machines: Vec<MachineRow>, }

    NewPiece { piece: String, uuid: String, cost: String, }
    /// A delivery, received.
    ReceiveAnswer { lot: String, pieces: Vec<NewPiece>, written_off: String,
        /// All good sheets together.
        weight_kg: Option<f64>, warnings: Vec<String>, cautions: Vec<String>, }
    /// A line of a delivery, received.
    LotReceived { lot: String, uuid: String, material: String, pieces: Vec<NewPiece>, written_off: String, freight: String, duty: String,
        /// Its good sheets together.
        weight_kg: Option<f64>, }
    /// A delivery of several lines, received.
    DeliveryAnswer { delivery: String, uuid: String,
        /// What the freight was shared by: `weight`, `area` or `value`.
        freight_by: String, lots: Vec<LotReceived>, written_off: String,
        /// All sheets together, damaged ones too.
        weight_kg: Option<f64>, warnings: Vec<String>, cautions: Vec<String>, }
    OnOrderLineRow { material: String, size: String, size_mm: [f64; 2], sheets: u32, came: u32, open: u32, unit_cost: Option<String>, }
    /// What is on order by one name.
    OnOrderRow { name: String, uuid: String, supplier: Option<String>, due: Option<String>,
        /// `open`, `partly_here`, `here` or `dropped`.
        state: String, lines: Vec<OnOrderLineRow>, ordered: String, }
    OnOrderAnswer { on_order: OnOrderRow, }
    OnOrdersAnswer { on_order: Vec<OnOrderRow>, }
    LotRow { lot: String, uuid: String, material: String, supplier: Option<String>, delivery: Option<String>, when: String, sheets: usize, on_hand: usize,
        thickness: Option<f64>, received: String, carried: String, charged: String, written_off: String, open_claims: usize, }
    LotsAnswer { lots: Vec<LotRow>, }
    LotSheetRow { piece: String, uuid: String, status: String, rack: Option<String>, cost: String, }
    ClaimRow { claim: usize, amount: String, why: String, when: String, credited: Option<String>, }
    /// One lot, whole.
    LotAnswer { lot: LotRow, line_total: Option<String>, unit_cost: Option<String>, freight: Option<String>, duty: Option<String>, arrived: Option<u32>, damaged: Option<u32>,
        /// Of a sheet, as a person says it.
        size: Option<String>,
        /// Nothing of it was used yet.
        untouched: bool, sheets: Vec<LotSheetRow>, claims: Vec<ClaimRow>, history: Vec<HistoryRow>, warnings: Vec<String>, }
    /// One piece in a list.
    PieceRow { piece: String, uuid: String, kind: String, material: String, status: String, rack: Option<String>, lot: Option<String>, cost: String, area_mm2: f64,
        /// The lowest code of the equal sheets that this one stands with.
        stack: Option<String>,
        /// Largest rectangle in it, as a person says it.
        size: String,
        label_due: bool,
        /// The order it is held for.
        held_for: Option<String>,
        /// Direction of the grain, counter-clockwise from x.
        grain_deg: Option<f64>,
        /// The customer whose material it is.
        owner: Option<String>,
        shape: Option<ShapeMm>, }
    StockAnswer { pieces: Vec<PieceRow>,
        /// As asked: one row a stack, for people.
        stacks: bool, }
    FlawRow { flaw: usize, outline: Vec<[f64; 2]>, side: String, why: String,
        /// Its size, and where its lower left corner is, as a person says it.
        place: String, }
    HistoryRow {
        /// RFC 3339 UTC.
        when: String, device: String,
        /// The person, where one said who they are.
        by: Option<String>,
        /// In one sentence.
        text: String,
        /// Whether it counts: `counts`, `undone`, `too_late`, `set_aside`, `not_understood`.
        standing: String, action: String, }
    Relative { piece: String, depth: usize, status: String, size: String, shape: ShapeMm, cost: String, }
    ChargeRow { order: String, charged: String, }
    /// One piece, whole.
    PieceAnswer { piece: String, uuid: String, kind: String, material: String, status: String, rack: Option<String>, lot: Option<String>, cost: String, area_mm2: f64,
        stack: Option<String>, size: String, label_due: bool, held_for: Option<String>,
        outline: Vec<[f64; 2]>, holes: Vec<Vec<[f64; 2]>>, flaws: Vec<FlawRow>, from: Option<String>, became: Vec<String>,
        largest_rectangle_mm: [f64; 2],
        /// The largest rectangle in place, four corners, mm.
        rectangle: Vec<[f64; 2]>,
        overall_mm: [f64; 2], weight_kg: Option<f64>, grain_deg: Option<f64>, known: String, known_within_mm: f64, note: Option<String>,
        born: String,
        /// The customer whose material it is.
        owner: Option<String>,
        /// What was written down of it.
        written_down: Option<String>,
        /// Its protective film, in words.
        film: Option<String>,
        film_warning: Option<String>,
        /// What became of it, in words.
        fate: Option<String>,
        charges: Vec<ChargeRow>,
        /// The piece it all came from and everything cut from it, in order.
        family: Vec<Relative>, history: Vec<HistoryRow>, cautions: Vec<String>, }
    /// A file that came out: written by the command line, saved by the screens.
    FileAnswer { name: String, media_type: String,
        /// Base 64.
        data: String, warnings: Vec<String>, }
    ScanAnswer {
        /// `piece`, `rack`, `order`, `plan` or `unknown`.
        kind: String, code: Option<String>, uuid: Option<String>, status: Option<String>,
        /// Where a piece should be.
        rack: Option<String>,
        /// In a sentence.
        text: String,
        /// Codes that a mistyped one may have been meant for.
        near: Vec<String>, }
    /// A code in a photo: its corners in dots from the upper left.
    PhotoCode { text: String, corners: Vec<[f64; 2]>, scan: ScanAnswer, }
    ScanPhotoAnswer { found: Vec<PhotoCode>, width: u32, height: u32,
        /// What looks like a code and could not be read.
        unread: usize, }
    IdentifyRow { piece: String, uuid: String, kind: String, status: String, rack: Option<String>, size: String, label_due: bool,
        /// When anything last happened with it.
        last_seen: String, }
    IdentifyAnswer { pieces: Vec<IdentifyRow>, }
    ReportColumn { key: String, head: String,
        /// `text`, `count`, `area` (mm²), `money` or `percent`.
        kind: String,
        /// Whether a plot of it shows this column.
        drawn: bool, }
    /// A report: rows of cells under the columns' keys.
    ReportAnswer { report: String, title: String, from: Option<String>, to: Option<String>, columns: Vec<ReportColumn>,
        rows: Vec<BTreeMap<String, Option<Cell>>>, total: BTreeMap<String, Option<Cell>>, notes: Vec<String>, }
    WriteDownAnswer { piece: String, written_off: String, cost: String, }
    SplitAnswer { piece: String, written_off: String, offcuts: Vec<NewOffcut>, }
    FoundAnswer { piece: String, cost: String, }
    HandBackAnswer { piece: String, owner: String, }
    FilmAnswer { piece: String, film: Option<String>, warning: Option<String>, }
    QuoteLine { text: String, area_mm2: Option<f64>, sum: Option<String>, }
    /// A quote that was kept.
    QuoteKept { number: String, when: String, by: String, plan: Option<String>, total: String, }
    QuoteAnswer { order: String, name: String, customer: Option<String>, plan: Option<String>, lines: Vec<QuoteLine>, material: Option<String>, total: Option<String>,
        /// What the plan's material costs by the books, before anything is cut.
        cost: Option<String>, notes: Vec<String>,
        /// Where it was kept: as it was said then.
        kept: Option<QuoteKept>, }
    ImportedPiece { piece: String, uuid: String, }
    ImportAnswer { pieces: Vec<ImportedPiece>, }
    OffcutAnswer { piece: String, uuid: String, cost: String, area_mm2: f64, size: String, }

    /// A piece into which a part fits.
    Fit { piece: String, uuid: String, area_mm2: f64, rack: Option<String>, cost: String,
        /// Used-up area at today's price.
        price: Option<String>,
        place: Place, spare_mm: f64,
        /// The spare is less than the outline is known: measure first.
        tight: bool, kind: String, size: String, grain_deg: Option<f64>, shape: Option<ShapeMm>, flaws: Vec<ShapeMm>,
        /// Since when it is in stock.
        since: String,
        /// As measured of its lot.
        thickness_mm: Option<f64>,
        /// What this uses up of it, less what is kept, at today's price; where pieces were compared by that.
        used: Option<String>,
        /// About the largest rectangle in what is left, where that was worked out.
        left_mm2: Option<f64>,
        /// The part as it lies in the piece.
        placed: Option<ShapeMm>, }
    TooClose { piece: String, within_mm: Option<f64>, }
    SubstituteRow { material: String,
        /// `cast` or `extruded`, where it is known.
        made: Option<String>,
        /// Free pieces of it.
        pieces: usize, text: String, }
    MarginOnly { piece: String, }
    /// Pieces that are proven not to hold a part, by what proves it.
    RuledOut {
        /// `area`, `disc`, `length`, `width`, `inner`, `turn` or `places`.
        why: String, text: String, pieces: usize, }
    FindQuery { id: String, fits: Vec<Fit>, looked_at: usize, ruled_out: usize, too_close: Vec<TooClose>, reasons: Vec<RuledOut>,
        /// Pieces that come after the last one that was asked for.
        not_needed: usize,
        /// Would fit if the rim served as a side of the part.
        without_margin: Vec<MarginOnly>, ms: f64, part: Option<ShapeMm>, }
    FindAnswer { load_ms: f64,
        /// The order: `smallest`, `cheapest`, `oldest`, `thickness` or `leftover`.
        sort: String,
        /// Where something found no place: what may stand in, if a person says so.
        substitutes: Vec<SubstituteRow>, queries: Vec<FindQuery>, left_out: Vec<LeftOut>, cautions: Vec<String>, }
    LeftOut { what: String, r#where: String, why: String, }
    DrawingPart { id: String,
        /// The text inside it, else its block, group or layer, else a number.
        name: String, outline: Vec<[f64; 2]>, holes: Vec<Vec<[f64; 2]>>, area_mm2: f64, quantity: u32, size_mm: [f64; 2],
        /// Length of all its contours: what is cut of one.
        cut_mm: f64, contours: usize, layer: String,
        /// Counted from 1, where the format has several.
        page: Option<u32>, }
    /// How large the largest part is in a unit.
    DrawingUnit { unit: String, size_mm: [f64; 2], }
    DrawingLayer {
        /// What `layers` and `skip` call it.
        layer: String, name: String,
        /// `#rrggbb`.
        colour: Option<String>, lines: u32, cut: bool,
        /// `nobody`, `name`, `colour`, `file`, `person` or `remembered`.
        said_by: String, }
    DrawingAnswer {
        /// `dxf`, `svg`, `pdf` or `plt`.
        format: String, unit: String,
        /// `file`, `option`, `remembered` or `assumed`.
        unit_said_by: String,
        /// Where the file does not say its unit: the units that make sense.
        choices: Vec<DrawingUnit>, layers: Vec<DrawingLayer>, parts: Vec<DrawingPart>, left_out: Vec<LeftOut>,
        /// What is in the parts, but not quite as the file has it.
        notes: Vec<String>, }

    OrderNewAnswer { order: String, uuid: String, }
    OrderAddAnswer { order: String, line: usize, parts: u32, lines: Vec<usize>, left_out: Vec<LeftOut>, }
    RemakeAnswer { order: String, line: usize, part: String, quantity: u32, }
    OrderRow { order: String, uuid: String, name: String, customer: Option<String>, due: Option<String>,
        /// `open`, `planned`, `held`, `partly_cut` or `cut`.
        state: String, parts: u32, good: u32, charged: String, }
    OrdersAnswer { orders: Vec<OrderRow>, }
    OrderPart { id: String, wanted: u32, good: u32, outline: Vec<[f64; 2]>, holes: Vec<Vec<[f64; 2]>>, area_mm2: f64, }
    OrderLine { line: usize, name: String, material: String, quantity: u32, turn: String, flip: bool,
        /// What its parts must have in common: `no`, `lot` or `piece`.
        alike: String, parts: Vec<OrderPart>, }
    /// What is to be cut again, and why.
    RemakeRow { line: usize, part: String, quantity: u32, why: String, when: String, }
    PlanRow { plan: String,
        /// `made`, `held`, `partly_cut` or `cut`.
        state: String, pieces: Vec<String>, when: String, not_placed: usize,
        /// Why its pieces went to another plan.
        taken_over: Option<String>, }
    /// One order, whole.
    OrderAnswer { order: String, uuid: String, name: String, customer: Option<String>, due: Option<String>, state: String, parts: u32, good: u32, charged: String,
        lines: Vec<OrderLine>, remakes: Vec<RemakeRow>, plans: Vec<PlanRow>,
        /// Newest first.
        quotes: Vec<QuoteKept>, history: Vec<HistoryRow>, }
    CostRow { piece: String, material: String,
        /// `cut` or `taken`.
        how: String, parts: String, kerf: String, scrap: String, markdown: String, failed: String, returned: String, charged: String,
        /// Today's price of the area used.
        price: Option<String>, }
    OrderCostAnswer { order: String, name: String, pieces: Vec<CostRow>, total: String,
        /// What the customer is asked.
        price: Option<String>,
        /// Less the total: what is left for everything but material.
        left: Option<String>, }

    PlannedPartRow { line: usize, order: String, id: String, part: String, place: Place,
        /// The part as it lies on the piece.
        outline: Vec<[f64; 2]>, holes: Vec<Vec<[f64; 2]>>, }
    LeftoverRow { outline: Vec<[f64; 2]>, holes: Vec<Vec<[f64; 2]>>, keep: bool, area_mm2: f64, size: String,
        /// The rectangle or L that straight cuts would make of it, where it is neither.
        straight: Option<StraightRow>, }
    StraightRow { outline: Vec<[f64; 2]>,
        /// The cuts, from end to end, in the order in which they are made.
        cuts: Vec<[[f64; 2]; 2]>, is_l: bool, area_mm2: f64, size: String, }
    PlannedPieceRow {
        /// What worked for its material on the plan's machine, the focus, and about how long it takes.
        cutting: Vec<String>, piece: String, kind: String, material: String,
        /// Largest rectangle in it, as a person says it.
        size: String, rack: Option<String>, weight_kg: Option<f64>, grain_deg: Option<f64>, outline: Vec<[f64; 2]>, holes: Vec<Vec<[f64; 2]>>, flaws: Vec<ShapeMm>,
        parts: Vec<PlannedPartRow>, leftovers: Vec<LeftoverRow>, charged: String, scrap: String, price: Option<String>, cut: bool,
        /// Number of its layout, from 1: pieces with the same number are cut by one drawing.
        layout: usize,
        /// Cuts with the saw that come first, because it is too long for the bed.
        saws: Vec<SawRow>,
        /// The side that goes to the machine's stop, from its corner to its other end.
        datum: Option<[[f64; 2]; 2]>,
        /// The orders it is held for.
        held_for: Option<String>,
        /// The outline is known less well than the plan needs: measure first.
        tight: bool, }
    /// A straight cut with the saw, along the middle of its kerf.
    SawRow { from: [f64; 2], to: [f64; 2], kerf: f64, }
    /// Equal sheets to be bought.
    BuyRow { material: String, size: String, size_mm: [f64; 2], sheets: usize, price: Option<String>, total: Option<String>, supplier: Option<String>, }
    /// A sheet to be bought, with what is to lie on it.
    NewSheetRow { material: String, size: String, outline: Vec<[f64; 2]>, parts: Vec<PlannedPartRow>, leftovers: Vec<LeftoverRow>, }
    /// Something that breaks where a part lies: against the rim, a flaw or another part.
    BreachRow { piece: String, part: String, other: Option<String>,
        /// `rim`, `flaw`, `part`, `turn`, `flip` or `place`.
        what: String,
        /// How much more distance is needed; none where they overlap.
        lacks_mm: Option<f64>, text: String, }
    /// What a change by hand would come to.
    TryAnswer { ok: bool, breaches: Vec<BreachRow>, leftovers: Vec<LeftoversOf>, }
    LeftoversOf { piece: String, leftovers: Vec<LeftoverRow>, }
    NotPlacedRow { line: usize, order: String, id: String, why: String, }
    /// A plan.
    PlanAnswer { plan: String, uuid: String, orders: Vec<String>, state: String, price: Option<String>, cost: String, pieces: Vec<PlannedPieceRow>,
        not_placed: Vec<NotPlacedRow>, lower_bound: Option<String>,
        /// How far the price lies above that, in percent, rounded up.
        above_percent: Option<u32>,
        /// No plan of these parts uses fewer pieces.
        least_pieces: Option<u32>, seconds: f64, warnings: Vec<String>, cautions: Vec<String>,
        /// How many different layouts there are.
        layouts: usize,
        /// What is to be bought.
        buy: Vec<BuyRow>, new_sheets: Vec<NewSheetRow>,
        /// Why its pieces went to another plan.
        taken_over: Option<String>, }
    HoldAnswer { plan: String, pieces: Vec<String>, held: bool,
        /// Plans that lost pieces to this one: their orders are to be planned again.
        taken_over: Vec<String>, }
    OrderCharged { order: String, charged: String, }
    NewOffcut { piece: String, uuid: String, cost: String, area_mm2: f64, size: String, }
    CutRow { piece: String, orders: Vec<OrderCharged>, charged: String, scrap: String, offcuts: Vec<NewOffcut>, }
    CutAnswer { cuts: Vec<CutRow>, }
    /// `order`: who pays; none where the shop does, and `charged` is written off.
    TakeAnswer { piece: String, charged: String, order: Option<String>, offcuts: Vec<NewOffcut>, }
    FlawAnswer { piece: String, flaws: Vec<FlawRow>, }
    ScrapAnswer { piece: String, written_off: String, }
    MoveAnswer { piece: String, rack: Option<String>, moved: bool, }
    MoveManyAnswer { rack: String, moved: Vec<String>, there_already: Vec<String>,
        /// They are larger than the place.
        too_large: Vec<String>, }
    RackShowAnswer { rack: RackRow, slots: Vec<RackRow>, pieces: Vec<PieceRow>,
        /// None where a density is missing.
        weight_kg: Option<f64>,
        /// The biggest pieces from elsewhere that go in; empty where its size is not known.
        biggest: Vec<PieceRow>,
        /// Pieces that are larger than the place where they stand.
        too_large: Vec<String>, }

    /// One thing of a count.
    CountRow {
        /// `seen`, `missing`, `unexpected`, `unknown`, or `left`: cut or moved while it was counted.
        what: String, piece: Option<String>,
        /// The piece's code, or what was read.
        text: String, material: Option<String>, size: Option<String>, status: Option<String>,
        /// Where the books say it is.
        rack: Option<String>,
        /// What the books carry for it.
        cost: Option<String>,
        /// How it was settled: `here`, `elsewhere`, `gone`, `seen`, `found`, `label` or `leave`.
        settled: Option<String>, settled_text: Option<String>,
        /// The device that read it, and when.
        by: Option<String>, at: Option<String>,
        /// Codes that it may have been meant for.
        near: Vec<String>, }
    /// A count of a rack. What is settled is in `rows`, and no longer in the lists.
    CountAnswer { rack: String,
        /// `counting`, `paused` or `finished`.
        state: String, started: String, finished: Option<String>, expected: usize, seen: usize,
        missing: Vec<String>, unexpected: Vec<String>, unknown: Vec<String>,
        /// By settling what is missing.
        written_off: String,
        /// The tags of the devices that read labels for it.
        devices: Vec<String>, rows: Vec<CountRow>, }
    CountsAnswer { counts: Vec<CountAnswer>, }
    ReadRow { read: String, piece: Option<String>,
        /// `expected`, `unexpected` or `unknown`.
        what: String,
        /// It had been read before.
        again: bool, text: String, near: Vec<String>, }
    CountSeenAnswer { read: Vec<ReadRow>, count: CountAnswer, }
    CountNextRow { rack: String, pieces: usize,
        /// When it was last counted.
        last: Option<String>, days: Option<usize>,
        /// Differences that the last count told.
        surprises: usize, going_on: bool, text: String, }
    CountNextAnswer { racks: Vec<CountNextRow>, }
    PullRow { piece: String, rack: Option<String>, material: String, size: String, weight_kg: Option<f64>, }
    PullAnswer { plan: String, state: String, orders: Vec<String>,
        /// `yes`, `again`, `no`, `held` (for another order), `unknown`, or `none` where nothing was scanned.
        verdict: String,
        /// The planned piece that is ticked off.
        piece: Option<String>, text: Option<String>, pulled: Vec<String>, left: Vec<PullRow>, cautions: Vec<String>, }

    LabelAnswer { labels: usize, pages: usize, out: Option<String>, name: String, media_type: String,
        /// Base 64; empty where they were sent to a printer.
        data: String,
        /// The printer, by its name in the system, to which they were sent.
        printed: Option<String>,
        /// What to know before the labels go on.
        notes: Vec<String>, }
    PaperRow { name: String, title: String, dpi: u32, width_mm: f64, height_mm: f64, per_page: usize,
        /// One label.
        label_mm: [f64; 2],
        /// From how far off a piece's code and a rack's are read; none where the paper is too small for them.
        reads_pieces_mm: Option<f64>, reads_racks_mm: Option<f64>,
        /// Described by a person of this shop.
        own: bool, }
    PapersAnswer { papers: Vec<PaperRow>, }
    PrinterRow { printer: String, paper: String, right_mm: f64, down_mm: f64,
        /// Its name in the system.
        system: Option<String>, }
    /// The label printers of this machine; the first is used where none is named.
    PrintersAnswer { printers: Vec<PrinterRow>, }
    SystemPrinterRow { printer: String,
        /// The one that the system takes where none is named.
        usual: bool, }
    /// The printers that the system has; where none, why not and what to do.
    SystemPrintersAnswer { printers: Vec<SystemPrinterRow>, why: Option<String>, }
    AddressAnswer { address: Option<String>,
        /// What a code says then.
        sample: String, }
    UndoAnswer { action: String,
        /// What was taken back or done again, in one sentence.
        text: String, }
    HistoryAnswer { actions: Vec<HistoryRow>, }
    /// One side of a conflict.
    SideRow { event: String,
        /// `cut`, `taken`, `scrapped`, `held` or `settled`.
        kind: String, when: String,
        /// The device's tag, and its name where it has one.
        device: String, device_name: Option<String>,
        /// What was recorded, in a sentence.
        text: String,
        /// What it means for the books.
        means: String,
        /// It counts until a person settles the conflict.
        counts: bool, orders: Vec<String>, charged: String, offcuts: Vec<NewOffcut>, }
    ConflictRow { piece: String, uuid: String, material: String, size: String, cost: String, events: Vec<SideRow>,
        /// Pieces that come from it and are not planned with until it is settled.
        waiting: Vec<String>, }
    ConflictsAnswer { conflicts: Vec<ConflictRow>, }
    SettleAnswer { piece: String, status: String,
        /// Orders that are to be planned again.
        again: Vec<String>,
        /// Codes that lead to another piece from now on, each with that one.
        names: Vec<[String; 2]>,
        /// Pieces that were used instead.
        used: Vec<String>, }
    ConflictShort { piece: String, events: Vec<String>, }
    /// What is wrong, and what to do about it.
    ProblemRow { what: String, r#do: String, }
    DeviceRow { device: String, tag: String, name: Option<String>,
        /// It is the one that answers.
        own: bool,
        /// It was sent away.
        revoked: bool,
        /// How many of its actions' events are here, and when it wrote the last of them.
        events: u64, last: Option<String>,
        /// How many events copies of it left that count nowhere yet.
        adrift: u64, }
    /// An exchange, or how things stand.
    SyncAnswer { sent: u64, received: u64, conflicts: Vec<ConflictShort>, problems: Vec<ProblemRow>,
        /// The new device's tag.
        joined: Option<String>,
        /// Events that are here without effect yet.
        waiting: u64, devices: Vec<DeviceRow>,
        /// The folder that is set up, and when it was last used.
        folder: Option<String>, folder_used: Option<String>,
        /// The hub that is set up, without what opens it, and when it was last used.
        hub: Option<String>, hub_used: Option<String>,
        /// The port where this device's program is to serve others, if it is.
        shares: Option<u32>,
        /// Where this device serves others now.
        serves: Vec<String>,
        /// The name under which others find it there by themselves, or why they do not.
        found_as: Option<String>, not_found: Option<String>,
        /// Whom this device was paired with.
        peers: Vec<PeerRow>, }
    /// Somebody whom this device was paired with.
    PeerRow { fingerprint: String, name: String,
        /// The device; none for a phone or tablet, which has a role instead.
        device: Option<String>, role: Option<String>,
        /// Where this device calls it; none where only the other one calls.
        address: Option<String>, paired: String, seen: String,
        /// Whether the line to it stands, where this program keeps one, and why not.
        up: Option<bool>, why: Option<String>, }
    /// Devices of this network that serve others; `why`: why none can be heard.
    NearbyAnswer { found: Vec<NearbyRow>, why: Option<String>, }
    NearbyRow { device: String, shop: String, address: String,
        /// This device was paired with it.
        paired: bool, }
    PersonRow { person: String, name: String, role: String, costs: bool,
        /// Whether a PIN is asked.
        pin: bool, }
    /// Who works here; `you`: who is at this screen, `role` and `costs` what they may.
    PeopleAnswer { people: Vec<PersonRow>, you: Option<String>, role: String, costs: bool, }
    /// An offer to pair, good once and for minutes.
    OfferAnswer { code: String, until: String, addresses: Vec<String>,
        /// What a browser shows of this device's certificate, to compare.
        fingerprint: String,
        /// What the code in the picture says.
        link: String,
        /// The picture.
        svg: String, }
    Found { what: String, r#where: String, }
    Books { received: String, on_hand: String, charged: String, written_off: String, }
    CheckAnswer { ok: bool, found: Vec<Found>, conflicts: usize, waiting: usize, books: Books,
        /// What is stored is not what the history adds up to: adding it up anew (`anew`) mends that.
        mends: bool, }
    DigestAnswer { digest: String, events: u64, complete: bool, }
    BackupAnswer { file: String, }
    /// `kept`: the new name of what stood there before.
    RestoreAnswer { file: String, kept: Option<String>, }

    /// A thing that changed: screens that show it read it again.
    Changed { kind: String, uuid: String, }
    /// Why an action was not done, in one plain sentence that says what to do next.
    Refused {
        /// `bad_input`, `refused` or `fault`.
        kind: String,
        /// The message's key in the catalogue.
        key: String,
        text: String,
        /// The field that is wrong, where it is one.
        field: Option<String>, }
}
