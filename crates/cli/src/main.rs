//! The command `sheetloft`.
fn main() {}
