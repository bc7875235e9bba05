//! The desktop window: the screens, the one door, and files for the person's folder. Nothing else.

#![cfg_attr(not(debug_assertions), windows_subsystem = "windows")]

mod save;

use std::process::ExitCode;
use std::sync::Arc;

use serde_json::{Value, json};
use sheetloft_shop::answer::Refused;
use sheetloft_shop::door::{self, Door, Face};
use sheetloft_shop::error::Error;
use sheetloft_shop::{host, say};
use sheetloft_web::Shared;
use tauri::{App, State, WebviewWindowBuilder, async_runtime};

fn main() -> ExitCode {
    let to_shop = Arc::new(Door::new(host::default_shop()));
    let network = Shared::start(to_shop.clone());
    let ran = tauri::Builder::default()
        .manage(to_shop)
        .invoke_handler(tauri::generate_handler![door, save_file])
        .setup(show)
        .run(tauri::generate_context!());
    drop(network);
    match ran {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("{}", say!("error-window", why = e.to_string()).text());
            ExitCode::FAILURE
        }
    }
}

/// Opens the window described in `tauri.conf.json`. It shows the program's own screens and goes nowhere else.
fn show(app: &mut App) -> Result<(), Box<dyn std::error::Error>> {
    for window in &app.config().app.windows.clone() {
        WebviewWindowBuilder::from_config(app.handle(), window)?
            .on_navigation(|to| to.scheme() == "tauri" || to.host_str() == Some("tauri.localhost"))
            .build()?;
    }
    Ok(())
}

/// One request through the door, off the window's own thread.
#[tauri::command]
async fn door(door: State<'_, Arc<Door>>, request: Value) -> Result<Value, Refused> {
    let door = Arc::clone(&door);
    in_background(move || Ok(door.ask(&request, Face::Window))).await
}

/// Writes a file that an answer carried (`data` in base 64) where the person finds it, and opens it with the
/// program that the system has for it. Gives `{"path"}`.
#[tauri::command]
async fn save_file(name: String, data: String) -> Result<Value, Refused> {
    in_background(move || {
        let bytes = door::download(&data)?;
        let path = save::save(&save::folder()?, &name, &bytes)?;
        if save::may_open(&path) {
            // The file is there and the screen says where; a system without a program for it is no failure.
            let _ = open::that_detached(&path);
        }
        Ok(json!({ "path": path }))
    })
    .await
}

/// Runs `work` on a thread that may block.
async fn in_background<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Error> + Send + 'static,
) -> Result<T, Refused> {
    async_runtime::spawn_blocking(work)
        .await
        .unwrap_or_else(|_| Err(Error::fault(say!("error-panic"))))
        .map_err(|e| e.to_answer())
}
