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
/// Most pieces of one part in one order line.
pub const QUANTITY: u32 = 10_000;
/// Most parts to be placed by one plan.
pub const PARTS_PER_PLAN: usize = 5_000;
/// Most lines of one imported file.
pub const IMPORT_LINES: usize = 200_000;
/// Largest file taken from outside (drawing, list, import), in bytes.
pub const FILE_BYTES: usize = 64 << 20;
/// Most entities of one drawing after blocks are expanded.
pub const DRAWING_ENTITIES: usize = 500_000;
/// Most lines, arcs and curves of one drawing after blocks are expanded.
pub const DRAWING_SEGMENTS: usize = 1_000_000;
/// Most pairs of outlines and edges of one drawing that are compared before it is called too involved.
pub const DRAWING_PAIRS: usize = 20_000_000;
/// Deepest nesting of blocks in a drawing.
pub const DRAWING_DEPTH: usize = 32;
/// Largest sum of money, in minor units.
pub const MONEY_MINOR: i64 = 1_000_000_000_000;
/// Boxes that one solve of "does this part fit this piece" may open before it says "too close to call".
pub const BOXES_PER_SOLVE: usize = 400_000;
/// Time one `find` may take before the rest is "too close to call", in ms. Held by the caller's clock, not here.
pub const FIND_MS: u64 = 30_000;
