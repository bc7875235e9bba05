//! The command `sheetloft`.

use std::io::IsTerminal;
use std::process::ExitCode;

fn main() -> ExitCode {
    let args: Vec<_> = std::env::args_os().collect();
    let terminal = std::io::stderr().is_terminal();
    ExitCode::from(sheetloft_cli::run(args, &mut std::io::stdout(), &mut std::io::stderr(), terminal))
}
