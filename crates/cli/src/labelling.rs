//! `label`, `paper`, `printer`, `address` on the command line.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use sheetloft_shop::action::{self, Action};
use sheetloft_shop::answer::{LabelAnswer, PapersAnswer, PrintersAnswer, SystemPrintersAnswer};
use sheetloft_shop::error::Error;
use sheetloft_shop::say;

use crate::args::{Out, What, format};
use crate::text::{headings, list, or_dash, table};

#[derive(Args, Debug)]
pub struct LabelArgs {
    /// pieces, racks, due, orders, parts (of plans), sample or alignment
    what: Option<String>,
    /// Codes or names; none means all on hand.
    names: Vec<String>,
    /// `list` shows the papers; left out: the paper in the printer.
    #[arg(long, default_value = "")]
    paper: String,
    /// FILE.pdf or FILE.png
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Sent to this printer without a dialogue, at 100 %: one of this machine's list, or of the system.
    #[arg(long, value_name = "PRINTER", conflicts_with_all = ["out", "printer"])]
    print: Option<String>,
    /// Labels already used on the first sheet.
    #[arg(long)]
    skip: Option<String>,
    /// One label for each stack of equal sheets.
    #[arg(long)]
    stacks: bool,
    /// To be folded in the middle, for pieces of which only the side shows.
    #[arg(long)]
    flag: bool,
    /// The printer of this machine whose paper and register count.
    #[arg(long)]
    printer: Option<String>,
}

impl LabelArgs {
    pub fn what(&self) -> Result<What, Error> {
        if self.what.is_none() && self.paper.eq_ignore_ascii_case("list") {
            return Ok(What::Act { action: action::LabelPapers {}.into(), output: Out::Print });
        }
        let missing = |field| Error::bad(say!("error-needed")).at(field);
        if self.out.is_none() && self.print.is_none() {
            return Err(missing("out"));
        }
        let action = action::Label {
            what: self.what.clone().ok_or_else(|| missing("what"))?,
            names: self.names.clone(),
            paper: self.paper.clone(),
            format: self.out.as_ref().map_or(Ok("pdf".to_owned()), |out| format(out, &["pdf", "png"]))?,
            skip: self.skip.clone(),
            stacks: self.stacks,
            flag: self.flag,
            printer: self.print.clone().or_else(|| self.printer.clone()),
            print: self.print.is_some(),
        };
        let output = self.out.clone().map_or(Out::Print, |path| Out::File { path });
        Ok(What::Act { action: action.into(), output })
    }
}

#[derive(Subcommand, Debug)]
#[allow(clippy::large_enum_variant)]
pub enum PaperCommand {
    /// The label papers.
    List,
    /// Add a paper by its measurements, or measure one of the shop's own anew.
    Add {
        /// The paper's name.
        name: String,
        /// One label.
        #[arg(long, value_name = "WxH")]
        label: String,
        /// The page; left out: one label is the page.
        #[arg(long, value_name = "WxH")]
        page: Option<String>,
        /// Dots to the inch; 300 unless said otherwise.
        #[arg(long)]
        dpi: Option<String>,
        /// Labels side by side.
        #[arg(long)]
        columns: Option<String>,
        /// Labels one below the other.
        #[arg(long)]
        rows: Option<String>,
        /// From one label to the next, left edge to left edge.
        #[arg(long, value_name = "LENGTH")]
        pitch_right: Option<String>,
        /// From one label to the next, upper edge to upper edge.
        #[arg(long, value_name = "LENGTH")]
        pitch_down: Option<String>,
        /// From the page's left edge to the first label.
        #[arg(long, value_name = "LENGTH")]
        margin_left: Option<String>,
        /// From the page's upper edge to the first label.
        #[arg(long, value_name = "LENGTH")]
        margin_top: Option<String>,
        /// Rim inside each label that nothing is printed on; 2 mm unless said otherwise.
        #[arg(long, value_name = "LENGTH")]
        inset: Option<String>,
    },
    /// Take one of the shop's own papers off the list.
    Drop {
        /// The name.
        name: String,
    },
}

impl PaperCommand {
    pub fn action(&self) -> Action {
        match self {
            Self::List => action::LabelPapers {}.into(),
            Self::Drop { name } => action::PaperDrop { name: name.clone() }.into(),
            Self::Add {
                name,
                label,
                page,
                dpi,
                columns,
                rows,
                pitch_right,
                pitch_down,
                margin_left,
                margin_top,
                inset,
            } => action::PaperAdd {
                name: name.clone(),
                label: label.clone(),
                page: page.clone(),
                dpi: dpi.clone(),
                columns: columns.clone(),
                rows: rows.clone(),
                pitch_right: pitch_right.clone(),
                pitch_down: pitch_down.clone(),
                margin_left: margin_left.clone(),
                margin_top: margin_top.clone(),
                inset: inset.clone(),
            }
            .into(),
        }
    }
}

#[derive(Subcommand, Debug)]
pub enum PrinterCommand {
    /// The label printers of this machine.
    List,
    /// Say what paper is in a printer, and how far its labels are to be moved to lie right.
    Set {
        /// The printer's name.
        printer: String,
        /// The paper's name.
        #[arg(long)]
        paper: Option<String>,
        /// To the right; to the left with a minus.
        #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
        right: Option<String>,
        /// Down; up with a minus.
        #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
        down: Option<String>,
        /// Its name in the system, to print without a dialogue; left out: the same name.
        #[arg(long, value_name = "NAME")]
        system: Option<String>,
    },
    /// The printers that the system has.
    System,
    /// Take a printer off the list.
    Drop {
        /// The printer's name.
        printer: String,
    },
}

impl PrinterCommand {
    pub fn action(&self) -> Action {
        match self {
            Self::List => action::PrinterList {}.into(),
            Self::System => action::PrinterSystem {}.into(),
            Self::Set { printer, paper, right, down, system } => action::PrinterSet {
                printer: printer.clone(),
                paper: paper.clone(),
                right: right.clone(),
                down: down.clone(),
                system: system.clone(),
            }
            .into(),
            Self::Drop { printer } => action::PrinterDrop { printer: printer.clone() }.into(),
        }
    }
}

pub fn papers(a: &PapersAnswer) -> String {
    let far = |mm: Option<f64>| match mm {
        Some(mm) => say!("cli-cm", cm = format!("{:.0}", mm / 10.0)).text(),
        None => "—".to_owned(),
    };
    let rows: Vec<_> = a
        .papers
        .iter()
        .map(|p| {
            vec![
                p.name.clone(),
                p.title.clone(),
                p.dpi.to_string(),
                format!("{} × {}", p.width_mm, p.height_mm),
                p.per_page.to_string(),
                far(p.reads_pieces_mm),
                far(p.reads_racks_mm),
            ]
        })
        .collect();
    table(&headings(say!("cli-head-papers").text()), &rows)
}

pub fn printers(a: &PrintersAnswer) -> String {
    if a.printers.is_empty() {
        return say!("cli-no-printers").text() + "\n";
    }
    let row = |p: &sheetloft_shop::answer::PrinterRow| {
        vec![p.printer.clone(), p.paper.clone(), p.right_mm.to_string(), p.down_mm.to_string(), or_dash(&p.system)]
    };
    table(&headings(say!("cli-head-printers").text()), &a.printers.iter().map(row).collect::<Vec<_>>())
}

pub fn system_printers(a: &SystemPrintersAnswer) -> String {
    let row = |p: &sheetloft_shop::answer::SystemPrinterRow| match p.usual {
        true => say!("cli-system-printer-usual", printer = &p.printer).text() + "\n",
        false => p.printer.clone() + "\n",
    };
    a.why.iter().map(|why| format!("{why}\n")).chain(a.printers.iter().map(row)).collect()
}

pub fn printed(a: &LabelAnswer) -> String {
    let Some(printer) = &a.printed else { return String::new() };
    say!("cli-labels-printed", count = a.labels, pages = a.pages, printer = printer).text() + "\n" + &list(&a.notes)
}
