//! Every bound of the program, in one place.
//!
//! A limit is there so that no input can make the program run away; each is far above honest use.

/// Furthest a coordinate may lie from the origin, in µm (20 m).
pub const COORDINATE_UM: i64 = 20_000_000;
/// Most corners in one ring.
pub const CORNERS_PER_RING: usize = 10_000;
/// Most rings (outline and holes) in one shape.
pub const RINGS_PER_SHAPE: usize = 1_000;
/// Most corners in one shape, all rings together.
pub const CORNERS_PER_SHAPE: usize = 20_000;
/// Largest event, in bytes as stored.
pub const EVENT_BYTES: usize = 1 << 20;
/// Longest name, note or reason a person may type, in characters.
pub const TEXT_CHARS: usize = 200;
/// Most sheets in one delivery line.
pub const SHEETS_PER_LINE: u32 = 1_000;
/// Most lines of one delivery, or of what is on order by one name.
pub const DELIVERY_LINES: usize = 200;
/// Most pieces of one part in one order line.
pub const QUANTITY: u32 = 10_000;
/// Most parts to be placed by one plan.
pub const PARTS_PER_PLAN: usize = 5_000;
/// Most lines of one imported file.
pub const IMPORT_LINES: usize = 200_000;
/// Most rows of one cutting list.
pub const LIST_ROWS: usize = 2_000;
/// Largest file taken from outside (drawing, list, import), in bytes.
pub const FILE_BYTES: usize = 64 << 20;
/// Largest request to the door over HTTP, in bytes: a file of [`FILE_BYTES`] in base 64, and what goes with it.
pub const REQUEST_BYTES: usize = 96 << 20;
/// Most entities of one drawing after blocks are expanded.
pub const DRAWING_ENTITIES: usize = 500_000;
/// Most lines, arcs and curves of one drawing after blocks are expanded.
pub const DRAWING_SEGMENTS: usize = 1_000_000;
/// Most pairs of outlines and edges of one drawing that are compared before it is called too involved.
pub const DRAWING_PAIRS: usize = 8_000_000;
/// Deepest nesting of blocks, groups or forms in a drawing.
pub const DRAWING_DEPTH: usize = 32;
/// Deepest nesting of elements in a drawing that is a tree of them.
pub const DRAWING_ELEMENT_DEPTH: usize = 200;
/// Most pages of one drawing.
pub const DRAWING_PAGES: usize = 200;
/// Most bytes that what is packed in one drawing may unpack to, all together.
pub const DRAWING_UNPACKED_BYTES: usize = 256 << 20;
/// Most writings of a drawing that may name its parts.
pub const DRAWING_WORDS: usize = 20_000;
/// Most things of a drawing that are listed each with its own place; more are counted.
pub const DRAWING_LISTED: usize = 200;
/// Largest sum of money, in minor units.
pub const MONEY_MINOR: i64 = 1_000_000_000_000;
/// Boxes that one solve of "does this part fit this piece" may open before it says "too close to call".
pub const BOXES_PER_SOLVE: usize = 400_000;
/// Time the search for one part of a `find` may take before the rest is "too close to call", in ms. Held by the caller's clock, not here.
pub const FIND_MS: u64 = 30_000;
/// Most labels in one document.
pub const LABELS: usize = 10_000;
/// Longest content of a code on a label, in characters.
pub const LABEL_PAYLOAD_CHARS: usize = 300;
/// Longest text that is taken for what a scanner read, in characters.
pub const SCAN_CHARS: usize = 400;
/// Most labels side by side, or one under the other, on a page.
pub const LABELS_PER_SIDE: usize = 50;
/// Least and most dots to the inch of a label printer.
pub const LABEL_DPI: (u32, u32) = (100, 2_400);
/// Shortest and longest side of a label or a page of labels, in mm.
pub const LABEL_PAPER_MM: (f64, f64) = (5.0, 1_000.0);
/// Furthest that labels may be moved on their paper to suit a printer, in mm.
pub const LABEL_SHIFT_MM: f64 = 20.0;
/// Most label papers that people described themselves.
pub const LABEL_PAPERS: usize = 200;
/// Largest picture in which codes are looked for, in bytes.
pub const PHOTO_BYTES: usize = 32 << 20;
/// Most dots of such a picture.
pub const PHOTO_DOTS: u64 = 64_000_000;
/// Largest description of a label paper, in bytes.
pub const LABEL_PAPER_BYTES: usize = 16 << 10;
/// Most dots of one label page as PNG.
pub const LABEL_PNG_DOTS: u64 = 100_000_000;
/// A leftover into which no square of this size fits is scrap, whatever was asked to be kept, in µm.
pub const LEAST_KEPT_UM: i64 = 1_000;
/// Largest kerf, gap, margin or tolerance, in µm.
pub const ALLOWANCE_UM: i64 = 200_000;
/// Events of one batch that goes from device to device, in bytes; one action may be larger by itself.
pub const BATCH_BYTES: usize = 4 << 20;
/// Largest batch that is taken from outside, in bytes.
pub const BATCH_BYTES_TAKEN: usize = 256 << 20;
/// Events or things of one part of what a new device starts from, in bytes; a single thing may be larger.
pub const START_PART_BYTES: usize = 4 << 20;
/// Largest such part that is taken from outside, in bytes.
pub const START_PART_BYTES_TAKEN: usize = 64 << 20;
/// Largest file that a new device starts from, in bytes.
pub const START_BYTES: u64 = 16 << 30;
/// Fewest events for which such a file is left for others in a folder or on a hub.
pub const START_EVENTS: u64 = 2_000;
/// Most files of one folder through which devices exchange.
pub const EXCHANGE_FILES: usize = 200_000;
/// Most devices that are listed when others are looked for on the network.
pub const NEARBY_DEVICES: usize = 64;
/// Longest name of a shop that is said or heard on the network, in bytes.
pub const NEARBY_NAME_BYTES: usize = 80;
/// Fewest and most digits of a person's PIN.
pub const PIN_DIGITS: std::ops::RangeInclusive<usize> = 4..=12;
/// Wrong PINs in a row after which a screen takes none for a while.
pub const PIN_ATTEMPTS: u32 = 5;
/// How long that is, in ms.
pub const PIN_PAUSE_MS: u64 = 60_000;
/// Most second names that are followed one after the other.
pub const SECOND_NAMES: usize = 16;
