//! Prints the TypeScript types of the door: `cargo run -p sheetloft-shop --example types > ui/src/lib/door.ts`.

fn main() {
    print!("{}", sheetloft_shop::typescript::typescript());
}
