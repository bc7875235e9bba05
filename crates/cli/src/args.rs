//! The command line's own shape: commands and options as promised, each parsed into one action.

use std::path::{Path, PathBuf};

use clap::{Args as ClapArgs, Parser, Subcommand};
use sheetloft_shop::action::{self, Action, Clearance, Given, PartQuantity};
use sheetloft_shop::error::Error;
use sheetloft_shop::say;

use crate::counting::{CountCommand, RackCommand};
use crate::files;
use crate::labelling::{LabelArgs, PaperCommand, PrinterCommand};

mod books;
mod devices;

use books::{LotCommand, OnOrderCommand, QuoteArgs, WorthCommand};
use devices::{PersonCommand, SyncCommand};

/// Knows every sheet and offcut by its true shape, and what each order cost in material.
#[derive(Parser, Debug)]
#[command(name = "sheetloft", version, disable_help_subcommand = true, infer_long_args = false)]
pub struct Args {
    /// The shop file; left out, SHEETLOFT_SHOP or the platform's data folder.
    #[arg(long, global = true, value_name = "FILE")]
    pub shop: Option<PathBuf>,
    /// One JSON document on standard output.
    #[arg(long, global = true)]
    pub json: bool,
    #[command(subcommand)]
    command: Command,
}

/// What to do, and where its answer goes.
#[allow(clippy::large_enum_variant)]
pub enum What {
    Act { action: Action, output: Out },
    Serve { listen: Option<String>, share: Option<String> },
}

/// Where the screens are for a browser of this machine, unless said otherwise.
const LISTEN: &str = "127.0.0.1:4477";

/// Where an answer goes.
pub enum Out {
    /// To standard output.
    Print,
    /// The file in it goes to a path.
    File { path: PathBuf },
    /// The file in it goes to standard output.
    Raw,
}

#[derive(Subcommand, Debug)]
enum Command {
    /// Make a new shop file.
    Init {
        /// mm or in.
        #[arg(long)]
        unit: Option<String>,
        /// Three letters, ISO 4217.
        #[arg(long)]
        currency: Option<String>,
        /// The shop's name.
        #[arg(long)]
        name: Option<String>,
    },
    /// Fill an empty shop with the demonstration shop.
    Demo,
    /// What the shop is.
    Shop,
    /// What needs doing now.
    Now,
    /// Materials.
    #[command(subcommand)]
    Material(MaterialCommand),
    /// Places where pieces stand or lie.
    #[command(subcommand)]
    Rack(RackCommand),
    /// Machines.
    #[command(subcommand)]
    Machine(MachineCommand),
    /// A delivery arrives: one line, or several from a file.
    Receive {
        /// The material's name.
        #[arg(long, required_unless_present_any = ["lines", "on_order"])]
        material: Option<String>,
        /// How many.
        #[arg(long, required_unless_present_any = ["lines", "on_order"])]
        sheets: Option<String>,
        /// Length by width, such as 2440x1220 or 8ftx4ft.
        #[arg(long, value_name = "WxH", required_unless_present_any = ["lines", "on_order"])]
        size: Option<String>,
        /// May be left out where what was on order has it.
        #[arg(long, required_unless_present_any = ["lines", "on_order", "owner"])]
        unit_cost: Option<String>,
        /// Several lines: CSV with the columns material, size, sheets, unit_cost, lot, rack, thickness, damaged, owner.
        #[arg(long, value_name = "FILE.csv", conflicts_with_all = ["material", "sheets", "size", "unit_cost", "lot", "rack", "thickness", "damaged", "owner"])]
        lines: Option<PathBuf>,
        /// What bringing it cost, shared by weight.
        #[arg(long)]
        freight: Option<String>,
        /// With --lines: what freight is shared by, weight, area or value.
        #[arg(long, value_name = "MEASURE")]
        freight_by: Option<String>,
        /// Duty, shared by value.
        #[arg(long)]
        duty: Option<String>,
        /// With --lines: the number of the delivery note.
        #[arg(long)]
        name: Option<String>,
        /// With --lines: the pallet's weight by the delivery note.
        #[arg(long, value_name = "KG")]
        note_weight: Option<String>,
        /// With --lines: the pallet's weight as measured.
        #[arg(long, value_name = "KG")]
        weighed: Option<String>,
        /// What was on order that it is booked against; without a material, everything of it that is still to come.
        #[arg(long, value_name = "NAME")]
        on_order: Option<String>,
        /// The customer whose material it is.
        #[arg(long, value_name = "CUSTOMER")]
        owner: Option<String>,
        /// The lot's name.
        #[arg(long)]
        lot: Option<String>,
        /// Who it came from.
        #[arg(long)]
        supplier: Option<String>,
        /// Where it is put.
        #[arg(long)]
        rack: Option<String>,
        /// As measured.
        #[arg(long)]
        thickness: Option<String>,
        /// How many sheets arrived damaged.
        #[arg(long)]
        damaged: Option<String>,
    },
    /// Sheets on order from suppliers.
    #[command(subcommand)]
    OnOrder(OnOrderCommand),
    /// Lots: what came of a delivery line, and what comes later.
    #[command(subcommand)]
    #[allow(clippy::large_enum_variant)]
    Lot(LotCommand),
    #[command(flatten)]
    Worth(WorthCommand),
    /// What to ask for an order, by today's prices.
    Quote(QuoteArgs),
    /// The pieces.
    #[command(subcommand)]
    Stock(StockCommand),
    /// Leftovers that nobody recorded.
    #[command(subcommand)]
    Offcut(OffcutCommand),
    /// The smallest offcuts into which a part fits.
    Find {
        /// The material's name.
        #[arg(long)]
        material: String,
        #[command(flatten)]
        parts: PartsArgs,
        #[command(flatten)]
        turning: TurnArgs,
        #[command(flatten)]
        clearance: ClearArgs,
        /// How many pieces to show.
        #[arg(long)]
        top: Option<String>,
        /// Full sheets too.
        #[arg(long)]
        sheets: bool,
        /// What comes first: smallest, cheapest (least used up at today's price), oldest, thickness, leftover.
        #[arg(long)]
        sort: Option<String>,
        /// With --sort thickness: the measured thickness wanted, where it is not the material's.
        #[arg(long)]
        thickness: Option<String>,
        /// How far a part may lie off the grain, in degrees.
        #[arg(long)]
        off_grain: Option<String>,
        /// Only these parts of what was given.
        #[arg(long, num_args = 1.., value_name = "ID")]
        only: Vec<String>,
        /// For this customer: that customer's own material, too.
        #[arg(long, value_name = "CUSTOMER")]
        owner: Option<String>,
    },
    /// What the program reads in a drawing.
    Drawing {
        /// The file.
        file: PathBuf,
        #[command(flatten)]
        said: DrawingArgs,
        /// What the parts are of: where its faces are alike, mirrored parts count as the same.
        #[arg(long)]
        material: Option<String>,
        /// The order that the parts are for: what was said of its customer's layers counts.
        #[arg(long)]
        order: Option<String>,
    },
    /// Orders.
    #[command(subcommand)]
    Order(OrderCommand),
    /// Which pieces to cut for an order, and every part's place on them. With a plan's code: shows it.
    Plan {
        /// The orders' codes, or a plan's.
        #[arg(required = true, value_name = "ORDER")]
        orders: Vec<String>,
        /// How long to look for better plans.
        #[arg(long)]
        seconds: Option<String>,
        /// With the same seed and rounds, the same plan.
        #[arg(long)]
        seed: Option<String>,
        /// Leave offcuts alone.
        #[arg(long)]
        sheets_only: bool,
        /// Use pieces that are held for other orders too; `hold --over` then takes them over.
        #[arg(long)]
        urgent: bool,
        /// Count on sheets that are not on hand, in the material's stock sizes, and say what to buy.
        #[arg(long)]
        may_buy: bool,
        /// Rounds of improvement at most; with the same seed the same plan on every machine.
        #[arg(long)]
        rounds: Option<String>,
        /// What a sheet is to be left with: largest or straight.
        #[arg(long)]
        leave: Option<String>,
        /// Width of the saw's cut, where a piece is too long for the machine's bed.
        #[arg(long)]
        saw_kerf: Option<String>,
        /// A material that stands in for another this time; it must be allowed for it.
        #[arg(long, value_name = "MATERIAL=SUBSTITUTE")]
        instead: Vec<String>,
        #[command(flatten)]
        clearance: ClearArgs,
    },
    /// Move parts of a plan by hand, lock some, plan the rest anew; a new plan comes of it.
    Change {
        /// The plan's code.
        plan: String,
        /// Where a part is to lie: degrees, then millimetres.
        #[arg(long = "move", value_name = "ID=[PIECE,]TURN,X,Y[,flip]", allow_hyphen_values = true)]
        moves: Vec<String>,
        /// Parts that stay where they are.
        #[arg(long, num_args = 1.., value_name = "ID")]
        lock: Vec<String>,
        /// Plan everything that is neither moved nor locked anew.
        #[arg(long)]
        replan: bool,
        /// Only say what it would come to.
        #[arg(long = "try")]
        only_try: bool,
        /// How long to look for better plans.
        #[arg(long)]
        seconds: Option<String>,
        /// With the same seed and rounds, the same plan.
        #[arg(long)]
        seed: Option<String>,
        /// Rounds of improvement at most.
        #[arg(long)]
        rounds: Option<String>,
    },
    /// The sheet of paper that goes to the machine.
    Ticket {
        /// The plan's code.
        plan: String,
        /// FILE.pdf
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
    },
    /// Promise a plan's pieces to its orders.
    Hold {
        /// The plan's code.
        plan: String,
        /// Take over pieces that are held for other plans, for this reason.
        #[arg(long, value_name = "WHY")]
        over: Option<String>,
    },
    /// Let a plan's pieces go.
    Release {
        /// The plan's code.
        plan: String,
    },
    /// The cutting drawing of one piece.
    Layout {
        /// The plan's code.
        plan: String,
        /// One piece of it; left out where there is only one.
        #[arg(long)]
        piece: Option<String>,
        /// FILE.dxf or FILE.svg
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// The piece is cut with its face down: the drawing is mirrored.
        #[arg(long)]
        face_down: bool,
        /// Where the piece is cut with the saw first: which of what the saw makes, from 1.
        #[arg(long, value_name = "N")]
        half: Option<String>,
    },
    /// It has been cut.
    Cut {
        /// The plan's code.
        plan: String,
        /// Only this piece of it.
        #[arg(long)]
        piece: Option<String>,
        /// Parts that were spoilt.
        #[arg(long, num_args = 1.., value_name = "ID")]
        failed: Vec<String>,
        /// Parts that were not begun: their area stays material.
        #[arg(long, num_args = 1.., value_name = "ID")]
        not_started: Vec<String>,
        /// Parts that were begun and not cut loose: their area becomes a flaw of what is left.
        #[arg(long, num_args = 1.., value_name = "ID")]
        half_cut: Vec<String>,
        /// What went wrong.
        #[arg(long)]
        why: Option<String>,
        /// Leftovers, by their numbers in the plan, that are thrown away.
        #[arg(long, num_args = 1.., value_name = "N")]
        drop: Vec<String>,
        /// Leftovers that become stock though they are smaller than what is worth keeping.
        #[arg(long, num_args = 1.., value_name = "N")]
        keep: Vec<String>,
        /// Leftovers that are cut straight to a rectangle or an L, as the plan suggests it.
        #[arg(long, num_args = 1.., value_name = "N")]
        straighten: Vec<String>,
        /// Leftovers as they really are: a size, a drawing or a shape.
        #[arg(long, num_args = 1.., value_name = "N=WxH|FILE")]
        redraw: Vec<String>,
    },
    /// Cut by hand outside any plan.
    Take {
        /// The piece's code.
        piece: String,
        /// What is left: sizes, drawings or shapes.
        #[arg(long, num_args = 1.., value_name = "WxH|FILE")]
        left: Vec<String>,
        /// Nothing is left.
        #[arg(long)]
        all: bool,
        /// The order that pays.
        #[arg(long = "for", value_name = "ORDER")]
        order: Option<String>,
        /// The shop pays, for this reason.
        #[arg(long)]
        why: Option<String>,
        /// The unit of drawings that do not say.
        #[arg(long)]
        unit: Option<String>,
    },
    /// Areas not to be used.
    #[command(subcommand)]
    Flaw(FlawCommand),
    /// Throw a piece away.
    Scrap {
        /// The piece's code.
        piece: String,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
    },
    /// Put pieces somewhere else: codes, then the rack.
    Move {
        /// The piece's code.
        piece: String,
        /// Codes, then the rack.
        #[arg(required = true)]
        rack: Vec<String>,
    },
    /// Count what is in a rack.
    #[command(subcommand)]
    Count(CountCommand),
    /// Fetch a plan's pieces: a scanned one is ticked off, or is the wrong one.
    Pull {
        /// The plan's code.
        plan: String,
        /// What was scanned.
        text: Option<String>,
        /// What has been fetched so far.
        #[arg(long, value_name = "CODE")]
        pulled: Vec<String>,
    },
    /// QR labels.
    Label(LabelArgs),
    /// Label papers.
    #[command(subcommand)]
    Paper(PaperCommand),
    /// The label printers of this machine.
    #[command(subcommand)]
    Printer(PrinterCommand),
    /// What the codes on labels begin with: an address of the shop's own pages.
    Address {
        /// What the codes begin with; left out, it is shown.
        address: Option<String>,
        /// The code alone.
        #[arg(long)]
        none: bool,
    },
    /// Take back the last action of this device.
    Undo {
        /// After a cut: the machine did not cut.
        #[arg(long)]
        not_cut: bool,
    },
    /// Do again what was taken back last.
    Redo,
    /// Every action, who and when.
    History {
        /// Only what happened to this piece.
        #[arg(long)]
        piece: Option<String>,
        /// Only what happened to this order.
        #[arg(long)]
        order: Option<String>,
    },
    /// What a scanner read: what it is and where it should be.
    Scan {
        /// What was read or typed.
        #[arg(required_unless_present = "photo")]
        text: Option<String>,
        /// A photo of one label or several.
        #[arg(long, value_name = "FILE", conflicts_with = "text")]
        photo: Option<PathBuf>,
    },
    /// What an unlabelled piece in the hand may be: recorded ones of about that size, least recently seen first.
    Identify {
        /// The material's name.
        #[arg(long)]
        material: String,
        /// A rectangle: length by width.
        #[arg(long, value_name = "WxH")]
        rect: String,
    },
    /// What the stock is worth, what was used and wasted, what orders cost, what to buy.
    Report {
        /// value, use, orders, low or clear.
        report: String,
        /// From this day on, YYYY-MM-DD.
        #[arg(long, value_name = "DATE")]
        from: Option<String>,
        /// To the end of this day.
        #[arg(long, value_name = "DATE")]
        to: Option<String>,
        /// Into a file: .csv, .svg, .png or .pdf.
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Double uses: each side, and what it means for the books.
    Conflicts,
    /// Settle a double use: which event happened, and what the others were.
    Settle {
        /// The piece's code.
        piece: String,
        /// The event that happened, as `conflicts` shows it.
        #[arg(long, value_name = "EVENT")]
        happened: String,
        /// What another one was: `EVENT nothing`, `EVENT same` or `EVENT used CODE`; left out, it was nothing.
        #[arg(long, num_args = 2..=3, value_names = ["EVENT", "WAS"])]
        other: Vec<String>,
    },
    /// Exchange with the shop's other devices.
    #[command(subcommand)]
    Sync(SyncCommand),
    /// Who works here: names, roles, PINs.
    #[command(subcommand)]
    Person(PersonCommand),
    /// The file's integrity and every rule of the books.
    Check {
        /// First throw away what the history adds up to, and add it up anew: mends a file in which the two differ.
        #[arg(long)]
        anew: bool,
    },
    /// One hash of the state.
    Digest,
    /// Copy the shop file while it is open.
    Backup {
        /// Where the copy goes.
        file: PathBuf,
    },
    /// Put a backup in the place of the shop file.
    Restore {
        /// The backup.
        file: PathBuf,
    },
    /// The same screens in a browser, and exchange with the shop's other devices.
    Serve {
        /// Where: an address of this machine alone for its own browser (127.0.0.1:4477 unless said otherwise), or one
        /// on the shop's network for paired devices, phones and tablets.
        #[arg(long, value_name = "ADDR")]
        listen: Option<String>,
        /// For paired devices, phones and tablets too, beside the browser of this machine.
        #[arg(long, value_name = "ADDR")]
        share: Option<String>,
    },
}

#[derive(Subcommand, Debug)]
enum MaterialCommand {
    /// Add a material.
    Add {
        /// The name.
        #[arg(long)]
        name: String,
        /// Nominal thickness.
        #[arg(long)]
        thickness: String,
        /// kg/m³
        #[arg(long)]
        density: Option<String>,
        /// none, long or short
        #[arg(long)]
        grain: Option<String>,
        /// same or differ
        #[arg(long)]
        sides: Option<String>,
        #[command(flatten)]
        fields: MaterialFields,
    },
    /// Change some fields of a material.
    Change {
        /// The material's name.
        material: String,
        /// A new name.
        #[arg(long)]
        name: Option<String>,
        /// kg/m³
        #[arg(long)]
        density: Option<String>,
        /// density, not-for-laser, price, reorder, stock-sizes, sort, made or substitutes have no value any more.
        #[arg(long, value_name = "FIELD")]
        clear: Vec<String>,
        #[command(flatten)]
        fields: MaterialFields,
    },
    /// One material: its prices so far, what worked for it, its history.
    Show {
        /// The material's name.
        material: String,
    },
    /// No longer use a material for anything new.
    Retire {
        /// The material's name.
        material: String,
        /// Take it back into use.
        #[arg(long)]
        back: bool,
        /// The reason, for the history.
        #[arg(long)]
        why: Option<String>,
    },
    /// The materials.
    List,
}

#[derive(ClapArgs, Debug)]
struct MaterialFields {
    /// Width the beam removes.
    #[arg(long)]
    kerf: Option<String>,
    /// Extra distance between parts.
    #[arg(long)]
    gap: Option<String>,
    /// Rim not to be used.
    #[arg(long)]
    margin: Option<String>,
    /// Smallest leftover worth a label.
    #[arg(long, value_name = "WxH")]
    keep_from: Option<String>,
    /// Why no laser may cut it.
    #[arg(long, value_name = "WHY")]
    not_for_laser: Option<String>,
    /// A square metre, today.
    #[arg(long)]
    price: Option<String>,
    /// What an offcut is worth of its share of the sheet, 0 to 100.
    #[arg(long, value_name = "PERCENT")]
    offcut_value: Option<String>,
    /// How much smaller than nominal a sheet may be.
    #[arg(long)]
    size_tolerance: Option<String>,
    /// A size in which sheets can be bought, its price and from whom; once for each size.
    #[arg(long, value_name = "WxH[=PRICE[,SUPPLIER]]")]
    stock_size: Vec<String>,
    /// With so few free sheets on hand more are to be bought …
    #[arg(long, value_name = "SHEETS")]
    reorder_at: Option<String>,
    /// … so many.
    #[arg(long, value_name = "SHEETS")]
    reorder_count: Option<String>,
    /// acrylic, plywood, mdf or other: machines' limits and published tolerances go by it.
    #[arg(long)]
    sort: Option<String>,
    /// cast or extruded.
    #[arg(long)]
    made: Option<String>,
    /// A material that may stand in for it, where you say so each time; once for each.
    #[arg(long, value_name = "MATERIAL")]
    substitute: Vec<String>,
}

#[derive(Subcommand, Debug)]
enum MachineCommand {
    /// Add a machine, or give one its own values for a material.
    Add {
        /// The name.
        #[arg(long)]
        name: String,
        /// Length by width of what lies on it.
        #[arg(long, value_name = "WxH")]
        bed: Option<String>,
        /// laser or router
        #[arg(long)]
        kind: Option<String>,
        /// Most that it cuts through.
        #[arg(long)]
        max_thickness: Option<String>,
        /// The material that it has values of its own for.
        #[arg(long)]
        material: Option<String>,
        /// Width of the cut.
        #[arg(long)]
        kerf: Option<String>,
        /// Extra distance between parts.
        #[arg(long)]
        gap: Option<String>,
        /// Rim not to be used.
        #[arg(long)]
        margin: Option<String>,
    },
    #[command(flatten)]
    More(books::MachineMore),
    /// The machines.
    List,
}

#[derive(Subcommand, Debug)]
enum StockCommand {
    /// The pieces, smallest first.
    List {
        /// Only of this material.
        #[arg(long)]
        material: Option<String>,
        /// Only in this rack.
        #[arg(long)]
        rack: Option<String>,
        /// Only offcuts.
        #[arg(long, conflicts_with = "sheets")]
        offcuts: bool,
        /// Only full sheets.
        #[arg(long)]
        sheets: bool,
        /// free, held, used, written_off or conflict
        #[arg(long)]
        status: Option<String>,
        /// Equal sheets that stand together as one row with their number.
        #[arg(long)]
        stacks: bool,
    },
    /// One piece, whole.
    Show {
        /// The piece's code.
        piece: String,
    },
    /// What is on hand as JSON lines.
    Export,
    /// Pieces from JSON lines: all or none.
    Import {
        /// FILE.jsonl: a piece a line.
        file: PathBuf,
    },
}

#[derive(Subcommand, Debug)]
enum OffcutCommand {
    /// Record a leftover.
    Add {
        /// The material's name.
        #[arg(long)]
        material: String,
        /// A rectangle: length by width.
        #[arg(long, value_name = "WxH")]
        rect: Option<String>,
        /// A drawing: DXF, SVG, PDF or PLT.
        #[arg(long, value_name = "FILE")]
        drawing: Option<PathBuf>,
        /// A shape in JSON.
        #[arg(long, value_name = "FILE.json")]
        shape: Option<PathBuf>,
        #[command(flatten)]
        said: DrawingArgs,
        /// Where it is put.
        #[arg(long)]
        rack: Option<String>,
        /// What the books carry for it.
        #[arg(long)]
        cost: Option<String>,
        /// The piece it came from.
        #[arg(long, value_name = "CODE")]
        from: Option<String>,
        /// machine, tape, guess, or a length
        #[arg(long)]
        known: Option<String>,
        /// Direction of the grain.
        #[arg(long)]
        grain_deg: Option<String>,
        /// A note.
        #[arg(long)]
        note: Option<String>,
        /// The customer whose material it is.
        #[arg(long, value_name = "CUSTOMER")]
        owner: Option<String>,
    },
}

#[derive(Subcommand, Debug)]
#[allow(clippy::large_enum_variant)]
enum OrderCommand {
    /// Open an order.
    New {
        /// The name.
        #[arg(long)]
        name: String,
        /// Who it is for.
        #[arg(long)]
        customer: Option<String>,
        /// YYYY-MM-DD
        #[arg(long)]
        due: Option<String>,
    },
    /// Add parts to an order.
    Add {
        /// The order's code.
        order: String,
        #[command(flatten)]
        parts: PartsArgs,
        /// A CSV list: name, length along grain, width, quantity, material.
        #[arg(long, value_name = "FILE.csv")]
        list: Option<PathBuf>,
        /// The material's name.
        #[arg(long)]
        material: Option<String>,
        /// How many.
        #[arg(long)]
        qty: Option<String>,
        #[command(flatten)]
        turning: TurnArgs,
        /// What the line is called.
        #[arg(long)]
        name: Option<String>,
        /// Only these parts of the drawing.
        #[arg(long, num_args = 1.., value_name = "ID")]
        only: Vec<String>,
        /// What the line's parts must have in common, for colour or running grain: no, lot or piece.
        #[arg(long)]
        alike: Option<String>,
        /// How many of a part, where it is not as many as the drawing has.
        #[arg(long, num_args = 1.., value_name = "ID=N")]
        count: Vec<String>,
    },
    /// Parts that came out good are to be cut again.
    Remake {
        /// The order's code.
        order: String,
        /// The part's name.
        #[arg(long, value_name = "ID")]
        part: String,
        /// The order's line, where more than one has such a part.
        #[arg(long)]
        line: Option<String>,
        /// How many.
        #[arg(long)]
        qty: Option<String>,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
    },
    /// What the customer is asked; left out: nothing any more.
    Price {
        /// The order's code.
        order: String,
        /// The price; left out, there is none any more.
        price: Option<String>,
    },
    /// The order is done with.
    Close {
        /// The order's code.
        order: String,
        /// Open it again.
        #[arg(long)]
        open: bool,
    },
    /// The orders.
    List,
    /// One order, whole.
    Show {
        /// The order's code.
        order: String,
    },
    /// What an order has cost in material.
    Cost {
        /// The order's code.
        order: String,
    },
}

#[derive(Subcommand, Debug)]
enum FlawCommand {
    /// Mark an area as not to be used.
    Add {
        /// The piece's code.
        piece: String,
        /// A rectangle: length by width.
        #[arg(long, value_name = "X,Y,WxH", allow_hyphen_values = true)]
        rect: Option<String>,
        /// At the lower left corner.
        #[arg(long, value_name = "WxH")]
        corner: Option<String>,
        /// A shape in JSON.
        #[arg(long, value_name = "FILE")]
        shape: Option<PathBuf>,
        /// face, back or through
        #[arg(long)]
        side: Option<String>,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
        /// What the supplier credits for it.
        #[arg(long, value_name = "SUM")]
        credit: Option<String>,
    },
    /// Take a flaw off again.
    Remove {
        /// The piece's code.
        piece: String,
        /// Its number as shown.
        flaw: Option<String>,
    },
}

#[derive(ClapArgs, Debug)]
struct PartsArgs {
    /// A rectangle: length by width.
    #[arg(long, value_name = "WxH")]
    rect: Option<String>,
    /// A drawing: DXF, SVG, PDF or PLT.
    #[arg(long, value_name = "FILE")]
    drawing: Option<PathBuf>,
    /// JSON lines: a shape plus "id".
    #[arg(long, value_name = "FILE.jsonl")]
    parts: Option<PathBuf>,
    #[command(flatten)]
    said: DrawingArgs,
}

/// How a drawing is to be read.
#[derive(ClapArgs, Debug)]
struct DrawingArgs {
    /// The drawing's unit, whatever it says: mm, cm, m, in, ft, mil, um, px or pt.
    #[arg(long)]
    unit: Option<String>,
    /// Ends of lines this far apart still meet; 0.05 mm unless said.
    #[arg(long, value_name = "LENGTH")]
    join: Option<String>,
    /// Only these layers are cut: a name, a colour as #rrggbb, or both.
    #[arg(long, num_args = 1.., value_name = "LAYER")]
    layer: Vec<String>,
    /// These layers are not cut.
    #[arg(long, num_args = 1.., value_name = "LAYER")]
    skip_layer: Vec<String>,
}

#[derive(ClapArgs, Debug)]
struct TurnArgs {
    /// any, quarter, half or none
    #[arg(long)]
    turn: Option<String>,
    /// May be mirrored.
    #[arg(long)]
    flip: bool,
}

#[derive(ClapArgs, Debug)]
struct ClearArgs {
    /// Width of the cut.
    #[arg(long)]
    kerf: Option<String>,
    /// Extra distance between parts.
    #[arg(long)]
    gap: Option<String>,
    /// Rim not to be used.
    #[arg(long)]
    margin: Option<String>,
    /// For this machine: its bed, limits and own values.
    #[arg(long)]
    machine: Option<String>,
}

impl ClearArgs {
    fn clearance(&self) -> Clearance {
        Clearance {
            kerf: self.kerf.clone(),
            gap: self.gap.clone(),
            margin: self.margin.clone(),
            machine: self.machine.clone(),
        }
    }
}

impl PartsArgs {
    fn given(&self) -> Result<Given, Error> {
        Ok(Given {
            rect: self.rect.clone(),
            drawing: self.drawing.as_deref().map(files::read).transpose()?,
            parts: self.parts.as_deref().map(files::read).transpose()?,
            ..self.said.given()
        })
    }
}

impl DrawingArgs {
    /// A drawing yet to come, to be read like this.
    fn given(&self) -> Given {
        Given {
            unit: self.unit.clone(),
            join: self.join.clone(),
            layers: self.layer.clone(),
            skip: self.skip_layer.clone(),
            ..Given::default()
        }
    }
}

/// `PART=N`: how many of a part.
fn counts(texts: &[String]) -> Result<Vec<PartQuantity>, Error> {
    let one = |text: &String| match text.split_once('=') {
        Some((part, quantity)) => Ok(PartQuantity { part: part.trim().to_owned(), quantity: quantity.to_owned() }),
        None => Err(Error::bad(say!("error-count", text = text)).at("count")),
    };
    texts.iter().map(one).collect()
}

/// What is left of a piece: a file where there is one, else a size.
pub(crate) fn left(text: &str, unit: Option<&String>) -> Result<Given, Error> {
    let path = Path::new(text);
    if !path.is_file() {
        return Ok(Given { rect: Some(text.to_owned()), ..Given::default() });
    }
    let upload = Some(files::read(path)?);
    Ok(match path.extension().is_some_and(|e| e.eq_ignore_ascii_case("json")) {
        true => Given { shape: upload, ..Given::default() },
        false => Given { drawing: upload, unit: unit.cloned(), ..Given::default() },
    })
}

/// The format that a file's name ends with.
pub fn format(path: &Path, formats: &[&'static str]) -> Result<String, Error> {
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    let known = formats.iter().find(|f| ending.as_deref() == Some(f));
    known.map(|f| (*f).to_owned()).ok_or_else(|| {
        let endings: Vec<String> = formats.iter().map(|f| format!(".{f}")).collect();
        let file = path.display().to_string();
        Error::bad(say!("error-out-format", file = file, endings = endings.join(" or "))).at("out")
    })
}

impl Args {
    /// What to do, as one action.
    pub fn what(&self) -> Result<What, Error> {
        let print = |action: Action| Ok(What::Act { action, output: Out::Print });
        match &self.command {
            Command::Init { unit, currency, name } => {
                print(action::Init { unit: unit.clone(), currency: currency.clone(), name: name.clone() }.into())
            }
            Command::Demo => print(action::Demo {}.into()),
            Command::Shop => print(action::ShowShop {}.into()),
            Command::Now => print(action::Now {}.into()),
            Command::Material(command) => print(command.action()),
            Command::Rack(command) => print(command.action()),
            Command::Count(command) => print(command.action()),
            Command::Pull { plan, text, pulled } => {
                print(action::Pull { plan: plan.clone(), text: text.clone(), pulled: pulled.clone() }.into())
            }
            Command::Machine(MachineCommand::More(command)) => print(command.action()),
            Command::Machine(MachineCommand::List) => print(action::MachineList {}.into()),
            Command::Machine(MachineCommand::Add { name, bed, kind, max_thickness, material, kerf, gap, margin }) => {
                print(
                    action::MachineAdd {
                        name: name.clone(),
                        bed: bed.clone(),
                        kind: kind.clone(),
                        max_thickness: max_thickness.clone(),
                        material: material.clone(),
                        kerf: kerf.clone(),
                        gap: gap.clone(),
                        margin: margin.clone(),
                    }
                    .into(),
                )
            }
            // With --lines there is none of a line's own options; without a line's own options, what is on order arrives.
            Command::Receive {
                lines,
                material: None,
                sheets: None,
                size: None,
                unit_cost: None,
                lot: None,
                rack: None,
                thickness: None,
                damaged: None,
                owner: None,
                freight,
                freight_by,
                duty,
                name,
                note_weight,
                weighed,
                on_order,
                supplier,
            } if lines.is_some() || on_order.is_some() => print(
                action::ReceiveDelivery {
                    lines: Vec::new(),
                    file: lines.as_deref().map(files::read).transpose()?,
                    name: name.clone(),
                    supplier: supplier.clone(),
                    freight: freight.clone(),
                    freight_by: freight_by.clone(),
                    duty: duty.clone(),
                    note_weight: note_weight.clone(),
                    weighed: weighed.clone(),
                    on_order: on_order.clone(),
                }
                .into(),
            ),
            Command::Receive { freight_by, name, note_weight, weighed, .. }
                if freight_by.is_some() || name.is_some() || note_weight.is_some() || weighed.is_some() =>
            {
                Err(Error::bad(say!("error-with-lines")).at("lines"))
            }
            Command::Receive {
                material,
                sheets,
                size,
                unit_cost,
                freight,
                duty,
                lot,
                supplier,
                rack,
                thickness,
                damaged,
                on_order,
                owner,
                ..
            } => print(
                action::Receive {
                    material: material.clone().unwrap_or_default(),
                    sheets: sheets.clone().unwrap_or_default(),
                    size: size.clone().unwrap_or_default(),
                    unit_cost: unit_cost.clone().unwrap_or_default(),
                    freight: freight.clone(),
                    lot: lot.clone(),
                    supplier: supplier.clone(),
                    rack: rack.clone(),
                    thickness: thickness.clone(),
                    damaged: damaged.clone(),
                    duty: duty.clone(),
                    on_order: on_order.clone(),
                    owner: owner.clone(),
                }
                .into(),
            ),
            Command::Worth(command) => print(command.action()?),
            Command::Quote(quote) => quote.what(),
            Command::OnOrder(command) => print(command.action()?),
            Command::Lot(command) => print(command.action()),
            Command::Stock(command) => command.what(),
            Command::Offcut(command) => print(command.action()?),
            Command::Find {
                material,
                parts,
                turning,
                clearance,
                top,
                sheets,
                sort,
                thickness,
                off_grain,
                only,
                owner,
            } => print(
                action::Find {
                    material: material.clone(),
                    given: parts.given()?,
                    turn: turning.turn.clone(),
                    flip: turning.flip,
                    clearance: clearance.clearance(),
                    top: top.clone(),
                    sheets: *sheets,
                    sort: sort.clone(),
                    thickness: thickness.clone(),
                    off_grain: off_grain.clone(),
                    shapes: false,
                    only: only.clone(),
                    owner: owner.clone(),
                }
                .into(),
            ),
            Command::Drawing { file, said, material, order } => {
                let Given { unit, join, layers, skip, .. } = said.given();
                let (material, order) = (material.clone(), order.clone());
                print(action::Drawing { file: files::read(file)?, unit, join, layers, skip, material, order }.into())
            }
            Command::Order(command) => print(command.action()?),
            Command::Plan { orders, .. } if orders.len() == 1 && is_plan(&orders[0]) => {
                print(action::PlanShow { plan: orders[0].clone() }.into())
            }
            Command::Plan {
                orders,
                seconds,
                seed,
                sheets_only,
                urgent,
                may_buy,
                rounds,
                leave,
                saw_kerf,
                instead,
                clearance,
            } => print(
                action::Plan {
                    orders: orders.clone(),
                    seconds: seconds.clone(),
                    seed: seed.clone(),
                    sheets_only: *sheets_only,
                    urgent: *urgent,
                    may_buy: *may_buy,
                    rounds: rounds.clone(),
                    leave: leave.clone(),
                    saw_kerf: saw_kerf.clone(),
                    instead: instead.clone(),
                    clearance: clearance.clearance(),
                }
                .into(),
            ),
            Command::Change { plan, moves, lock, replan, only_try, seconds, seed, rounds } => {
                let moves = moves.iter().map(|text| part_move(text)).collect::<Result<_, _>>()?;
                print(match only_try {
                    true => action::PlanTry { plan: plan.clone(), moves }.into(),
                    false => action::PlanChange {
                        plan: plan.clone(),
                        moves,
                        replan: *replan,
                        lock: lock.clone(),
                        seconds: seconds.clone(),
                        seed: seed.clone(),
                        rounds: rounds.clone(),
                    }
                    .into(),
                })
            }
            Command::Ticket { plan, out } => {
                format(out, &["pdf"])?;
                Ok(What::Act {
                    action: action::Ticket { plan: plan.clone() }.into(),
                    output: Out::File { path: out.clone() },
                })
            }
            Command::Hold { plan, over } => print(action::Hold { plan: plan.clone(), over: over.clone() }.into()),
            Command::Release { plan } => print(action::Release { plan: plan.clone() }.into()),
            Command::Layout { plan, piece, out, face_down, half } => Ok(What::Act {
                action: action::Layout {
                    plan: plan.clone(),
                    piece: piece.clone(),
                    format: format(out, &["dxf", "svg"])?,
                    face_down: *face_down,
                    half: half.clone(),
                }
                .into(),
                output: Out::File { path: out.clone() },
            }),
            Command::Cut { plan, piece, failed, not_started, half_cut, why, drop, keep, straighten, redraw } => print(
                action::Cut {
                    plan: plan.clone(),
                    piece: piece.clone(),
                    failed: failed.clone(),
                    not_started: not_started.clone(),
                    half_cut: half_cut.clone(),
                    why: why.clone(),
                    leftovers: leftover_changes(drop, keep, straighten, redraw)?,
                }
                .into(),
            ),
            Command::Take { piece, left: lefts, all, order, why, unit } => print(
                action::Take {
                    piece: piece.clone(),
                    left: lefts.iter().map(|t| left(t, unit.as_ref())).collect::<Result<_, _>>()?,
                    all: *all,
                    order: order.clone(),
                    why: why.clone(),
                }
                .into(),
            ),
            Command::Flaw(command) => print(command.action()?),
            Command::Scrap { piece, why } => print(action::Scrap { piece: piece.clone(), why: why.clone() }.into()),
            Command::Move { piece, rack } => {
                let (rack, more) = rack.split_last().ok_or_else(|| Error::bad(say!("error-needed")).at("rack"))?;
                let (piece, rack) = (piece.clone(), rack.clone());
                match more {
                    [] => print(action::Move { piece, rack }.into()),
                    more => {
                        let pieces = std::iter::once(piece).chain(more.iter().cloned()).collect();
                        print(action::MoveMany { pieces, rack }.into())
                    }
                }
            }
            Command::Label(args) => args.what(),
            Command::Paper(command) => print(command.action()),
            Command::Printer(command) => print(command.action()),
            Command::Address { address, none } => {
                print(action::LabelAddress { address: address.clone(), none: *none }.into())
            }
            Command::Undo { not_cut } => print(action::Undo { not_cut: *not_cut }.into()),
            Command::Redo => print(action::Redo {}.into()),
            Command::History { piece, order } => {
                print(action::History { piece: piece.clone(), order: order.clone() }.into())
            }
            Command::Scan { photo: Some(photo), .. } => print(action::ScanPhoto { file: files::read(photo)? }.into()),
            Command::Scan { text, photo: None } => {
                print(action::Scan { text: text.clone().unwrap_or_default() }.into())
            }
            Command::Identify { material, rect } => {
                print(action::Identify { material: material.clone(), rect: rect.clone() }.into())
            }
            Command::Report { report, from, to, out: None } => {
                print(action::Report { report: report.clone(), from: from.clone(), to: to.clone() }.into())
            }
            Command::Report { report, from, to, out: Some(out) } => Ok(What::Act {
                action: action::ReportFile {
                    report: report.clone(),
                    from: from.clone(),
                    to: to.clone(),
                    format: format(out, &["csv", "svg", "png", "pdf"])?,
                }
                .into(),
                output: Out::File { path: out.clone() },
            }),
            Command::Conflicts => print(action::Conflicts {}.into()),
            Command::Settle { piece, happened, other } => {
                let (piece, happened) = (piece.clone(), happened.clone());
                print(action::Settle { piece, happened, others: others(other) }.into())
            }
            Command::Sync(command) => print(command.action()),
            Command::Person(command) => print(command.action()),
            Command::Check { anew } => print(action::Check { anew: *anew }.into()),
            Command::Digest => print(action::Digest {}.into()),
            Command::Backup { file } => print(action::Backup { file: file.display().to_string() }.into()),
            Command::Restore { file } => print(action::Restore { file: file.display().to_string() }.into()),
            Command::Serve { listen, share } => Ok(serve(listen.as_deref(), share.as_deref())),
        }
    }
}

/// Where to serve: one address says by itself whether it is for this machine or for the shop's network.
fn serve(listen: Option<&str>, share: Option<&str>) -> What {
    let open = |at: &str| at.parse::<std::net::SocketAddr>().is_ok_and(|a| !a.ip().is_loopback());
    let text = |at: &str| Some(at.to_owned());
    match (listen, share) {
        (Some(at), None) if open(at) => What::Serve { listen: None, share: text(at) },
        (at, share) => What::Serve { listen: text(at.unwrap_or(LISTEN)), share: share.map(str::to_owned) },
    }
}

/// Where a part is to lie: `ID=[PIECE,]TURN,X,Y[,flip]`.
fn part_move(text: &str) -> Result<action::PartMove, Error> {
    let wrong = || Error::bad(say!("error-move-text", text = text)).at("move");
    let (id, rest) = text.split_once('=').ok_or_else(wrong)?;
    let mut fields: Vec<&str> = rest.split(',').map(str::trim).collect();
    let flip = fields.last().is_some_and(|f| f.eq_ignore_ascii_case("flip"));
    if flip {
        fields.pop();
    }
    let piece = (fields.len() == 4).then(|| fields.remove(0).to_owned());
    let numbers: Vec<f64> = fields.iter().map(|f| f.parse().map_err(|_| wrong())).collect::<Result<_, _>>()?;
    let [turn_deg, x, y] = numbers[..] else { return Err(wrong()) };
    Ok(action::PartMove { id: id.to_owned(), piece, turn_deg, flip, move_mm: [x, y] })
}

/// What is to become of leftovers, from their numbers.
fn leftover_changes(
    drop: &[String],
    keep: &[String],
    straighten: &[String],
    redraw: &[String],
) -> Result<Vec<action::LeftoverChange>, Error> {
    let plain = |numbers: &[String], what: &str| -> Vec<action::LeftoverChange> {
        let change = |n: &String| action::LeftoverChange { leftover: n.clone(), what: what.to_owned(), shape: None };
        numbers.iter().map(change).collect()
    };
    let mut changes = plain(drop, "drop");
    changes.extend(plain(keep, "keep"));
    changes.extend(plain(straighten, "straighten"));
    for text in redraw {
        let missing = || Error::bad(say!("error-redraw")).at("redraw");
        let (number, shape) = text.split_once('=').ok_or_else(missing)?;
        let shape = Some(left(shape, None)?);
        changes.push(action::LeftoverChange { leftover: number.to_owned(), what: "redraw".to_owned(), shape });
    }
    Ok(changes)
}

/// Whether a code is a plan's: its prefix says so.
fn is_plan(code: &str) -> bool {
    code.trim().get(..2).is_some_and(|p| p.eq_ignore_ascii_case("P-"))
}

impl MaterialFields {
    fn stock_sizes(&self) -> Vec<action::StockSizeGiven> {
        let one = |text: &String| {
            let (size, rest) = text.split_once('=').map_or((text.as_str(), None), |(s, r)| (s, Some(r)));
            let (price, supplier) = match rest.map(|r| r.split_once(',')) {
                Some(Some((price, supplier))) => (Some(price), Some(supplier)),
                Some(None) => (rest, None),
                None => (None, None),
            };
            action::StockSizeGiven {
                size: size.to_owned(),
                price: price.map(str::to_owned),
                supplier: supplier.map(str::to_owned),
            }
        };
        self.stock_size.iter().map(one).collect()
    }
}

impl MaterialCommand {
    fn action(&self) -> Action {
        match self {
            Self::Add { name, thickness, density, grain, sides, fields } => action::MaterialAdd {
                name: name.clone(),
                thickness: thickness.clone(),
                density: density.clone(),
                grain: grain.clone(),
                sides: sides.clone(),
                kerf: fields.kerf.clone(),
                gap: fields.gap.clone(),
                margin: fields.margin.clone(),
                keep_from: fields.keep_from.clone(),
                not_for_laser: fields.not_for_laser.clone(),
                price: fields.price.clone(),
                offcut_value: fields.offcut_value.clone(),
                size_tolerance: fields.size_tolerance.clone(),
                stock_sizes: fields.stock_sizes(),
                reorder_at: fields.reorder_at.clone(),
                reorder_count: fields.reorder_count.clone(),
                sort: fields.sort.clone(),
                made: fields.made.clone(),
                substitutes: fields.substitute.clone(),
            }
            .into(),
            Self::Change { material, name, density, clear, fields } => action::MaterialChange {
                material: material.clone(),
                name: name.clone(),
                density: density.clone(),
                kerf: fields.kerf.clone(),
                gap: fields.gap.clone(),
                margin: fields.margin.clone(),
                keep_from: fields.keep_from.clone(),
                not_for_laser: fields.not_for_laser.clone(),
                price: fields.price.clone(),
                offcut_value: fields.offcut_value.clone(),
                size_tolerance: fields.size_tolerance.clone(),
                stock_sizes: fields.stock_sizes(),
                reorder_at: fields.reorder_at.clone(),
                reorder_count: fields.reorder_count.clone(),
                sort: fields.sort.clone(),
                made: fields.made.clone(),
                substitutes: fields.substitute.clone(),
                clear: clear.clone(),
            }
            .into(),
            Self::Show { material } => action::MaterialShow { material: material.clone() }.into(),
            Self::Retire { material, back, why } => {
                action::MaterialRetire { material: material.clone(), back: *back, why: why.clone() }.into()
            }
            Self::List => action::MaterialList {}.into(),
        }
    }
}

impl StockCommand {
    fn what(&self) -> Result<What, Error> {
        let print = |action: Action| Ok(What::Act { action, output: Out::Print });
        match self {
            Self::List { material, rack, offcuts, sheets, status, stacks } => print(
                action::StockList {
                    material: material.clone(),
                    rack: rack.clone(),
                    kind: match (offcuts, sheets) {
                        (true, _) => Some("offcut".to_owned()),
                        (_, true) => Some("sheet".to_owned()),
                        _ => None,
                    },
                    status: status.clone(),
                    shapes: false,
                    stacks: *stacks,
                }
                .into(),
            ),
            Self::Show { piece } => print(action::StockShow { piece: piece.clone() }.into()),
            Self::Export => Ok(What::Act { action: action::StockExport {}.into(), output: Out::Raw }),
            Self::Import { file } => print(action::StockImport { file: files::read(file)? }.into()),
        }
    }
}

impl OffcutCommand {
    fn action(&self) -> Result<Action, Error> {
        let Self::Add { material, rect, drawing, shape, said, rack, cost, from, known, grain_deg, note, owner } = self;
        Ok(action::OffcutAdd {
            material: material.clone(),
            given: Given {
                rect: rect.clone(),
                drawing: drawing.as_deref().map(files::read).transpose()?,
                shape: shape.as_deref().map(files::read).transpose()?,
                ..said.given()
            },
            rack: rack.clone(),
            cost: cost.clone(),
            from: from.clone(),
            known: known.clone(),
            grain_deg: grain_deg.clone(),
            note: note.clone(),
            owner: owner.clone(),
        }
        .into())
    }
}

impl OrderCommand {
    fn action(&self) -> Result<Action, Error> {
        Ok(match self {
            Self::New { name, customer, due } => {
                action::OrderNew { name: name.clone(), customer: customer.clone(), due: due.clone() }.into()
            }
            Self::Add { order, parts, list, material, qty, turning, name, only, alike, count } => action::OrderAdd {
                order: order.clone(),
                given: parts.given()?,
                list: list.as_deref().map(files::read).transpose()?,
                material: material.clone(),
                quantity: qty.clone(),
                turn: turning.turn.clone(),
                flip: turning.flip,
                name: name.clone(),
                only: only.clone(),
                alike: alike.clone(),
                quantities: counts(count)?,
            }
            .into(),
            Self::Remake { order, part, line, qty, why } => action::OrderRemake {
                order: order.clone(),
                line: line.clone(),
                part: part.clone(),
                quantity: qty.clone(),
                why: why.clone(),
            }
            .into(),
            Self::Price { order, price } => action::OrderPrice { order: order.clone(), price: price.clone() }.into(),
            Self::Close { order, open } => action::OrderClose { order: order.clone(), open: *open }.into(),
            Self::List => action::OrderList {}.into(),
            Self::Show { order } => action::OrderShow { order: order.clone() }.into(),
            Self::Cost { order } => action::OrderCost { order: order.clone() }.into(),
        })
    }
}

impl FlawCommand {
    fn action(&self) -> Result<Action, Error> {
        Ok(match self {
            Self::Add { piece, rect, corner, shape, side, why, credit } => action::FlawAdd {
                piece: piece.clone(),
                rect: rect.clone(),
                corner: corner.clone(),
                shape: shape.as_deref().map(files::read).transpose()?,
                side: side.clone(),
                why: why.clone(),
                credit: credit.clone(),
            }
            .into(),
            Self::Remove { piece, flaw } => action::FlawRemove { piece: piece.clone(), flaw: flaw.clone() }.into(),
        })
    }
}

/// `EVENT nothing`, `EVENT same`, `EVENT used CODE`, one after the other.
fn others(words: &[String]) -> Vec<action::OtherGiven> {
    let mut found = Vec::new();
    let mut words = words.iter();
    while let Some(event) = words.next() {
        let was = words.next().cloned().unwrap_or_default();
        let piece = if was == "used" { words.next().cloned() } else { None };
        found.push(action::OtherGiven { event: event.clone(), was, piece });
    }
    found
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::Args;

    /// The path of each command or argument of which the help says nothing.
    fn unsaid(command: &clap::Command, path: &str, found: &mut Vec<String>) {
        let path = format!("{path} {}", command.get_name());
        if command.get_about().is_none() {
            found.push(path.clone());
        }
        let silent = command.get_arguments().filter(|a| a.get_help().is_none());
        found.extend(silent.map(|a| format!("{path} --{}", a.get_id())));
        command.get_subcommands().for_each(|c| unsaid(c, &path, found));
    }

    #[test]
    fn the_help_says_what_each_command_and_each_argument_is() {
        let mut found = Vec::new();
        unsaid(&Args::command(), "", &mut found);
        assert!(found.is_empty(), "{found:#?}");
    }
}
