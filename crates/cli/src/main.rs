//! The command `sheetloft`.

use std::io::IsTerminal;
use std::process::ExitCode;

use sheetloft_cli::{Console, Interrupt};

static INTERRUPT: Interrupt = Interrupt::new();

fn main() -> ExitCode {
    let args: Vec<_> = std::env::args_os().collect();
    let console = Console { terminal: std::io::stderr().is_terminal(), interrupt: Some(&INTERRUPT) };
    ExitCode::from(sheetloft_cli::run(args, &mut std::io::stdout(), &mut std::io::stderr(), console))
}
