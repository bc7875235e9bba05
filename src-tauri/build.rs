//! Reads `tauri.conf.json` and the icons into the program.

fn main() {
    tauri_build::build();
}
