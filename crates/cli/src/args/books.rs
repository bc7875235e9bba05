//! Commands of the books: what is on order, lots and what comes later for them.

use std::path::PathBuf;

use clap::Subcommand;
use sheetloft_shop::action::{self, Action, DeliveryLine};
use sheetloft_shop::error::Error;

use crate::files;

#[derive(Subcommand, Debug)]
pub(super) enum OnOrderCommand {
    /// Record that sheets are on order from a supplier.
    Add {
        /// The material's name.
        #[arg(long, required_unless_present = "lines")]
        material: Option<String>,
        /// How many.
        #[arg(long, required_unless_present = "lines")]
        sheets: Option<String>,
        /// Length by width, such as 2440x1220 or 8ftx4ft.
        #[arg(long, value_name = "WxH", required_unless_present = "lines")]
        size: Option<String>,
        /// Price of one.
        #[arg(long)]
        unit_cost: Option<String>,
        /// Several lines: CSV with the columns material, size, sheets and unit_cost.
        #[arg(long, value_name = "FILE.csv", conflicts_with_all = ["material", "sheets", "size", "unit_cost"])]
        lines: Option<PathBuf>,
        /// The number of the purchase.
        #[arg(long)]
        name: Option<String>,
        /// Who it came from.
        #[arg(long)]
        supplier: Option<String>,
        /// YYYY-MM-DD
        #[arg(long, value_name = "DATE")]
        due: Option<String>,
    },
    /// What is on order.
    List {
        /// What has come or was given up, too.
        #[arg(long)]
        all: bool,
    },
    /// What has not come will not come.
    Drop {
        /// The number of the purchase.
        name: String,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
    },
}

impl OnOrderCommand {
    pub(super) fn action(&self) -> Result<Action, Error> {
        Ok(match self {
            Self::Add { material, sheets, size, unit_cost, lines, name, supplier, due } => action::OnOrderAdd {
                lines: match lines {
                    Some(_) => Vec::new(),
                    None => vec![DeliveryLine {
                        material: material.clone().unwrap_or_default(),
                        sheets: sheets.clone().unwrap_or_default(),
                        size: size.clone().unwrap_or_default(),
                        unit_cost: unit_cost.clone(),
                        ..DeliveryLine::default()
                    }],
                },
                file: lines.as_deref().map(files::read).transpose()?,
                name: name.clone(),
                supplier: supplier.clone(),
                due: due.clone(),
            }
            .into(),
            Self::List { all } => action::OnOrderList { all: *all }.into(),
            Self::Drop { name, why } => action::OnOrderDrop { name: name.clone(), why: why.clone() }.into(),
        })
    }
}

#[derive(Subcommand, Debug)]
pub(super) enum LotCommand {
    /// The lots, newest first.
    List {
        /// Only lots of this material.
        #[arg(long)]
        material: Option<String>,
    },
    /// One lot, whole.
    Show {
        /// The lot's name.
        lot: String,
        /// Where lots of several materials have this name.
        #[arg(long)]
        material: Option<String>,
    },
    /// A cost that came later, shared over the lot's sheets.
    Cost {
        /// The lot's name.
        lot: String,
        /// Where several lots have the name: of which material.
        #[arg(long)]
        material: Option<String>,
        /// The sum.
        #[arg(long)]
        amount: String,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
    },
    /// A credit from the supplier, shared over the lot's sheets.
    Credit {
        /// The lot's name.
        lot: String,
        /// Where several lots have the name: of which material.
        #[arg(long)]
        material: Option<String>,
        /// The sum.
        #[arg(long)]
        amount: String,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
        /// For this sheet alone: damaged, but usable.
        #[arg(long, value_name = "CODE")]
        piece: Option<String>,
        /// For this claim, by its number: what was written off on arrival.
        #[arg(long, value_name = "N")]
        claim: Option<String>,
    },
    /// Claim something from the supplier: what was written off on arrival, unless said.
    Claim {
        /// The lot's name.
        lot: String,
        /// Where several lots have the name: of which material.
        #[arg(long)]
        material: Option<String>,
        /// The sum; left out, what was written off on arrival.
        #[arg(long)]
        amount: Option<String>,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
    },
    /// What was said of a delivery line was wrong: what is right.
    Correct {
        /// The lot's name.
        lot: String,
        /// Where several lots have the name: of which material.
        #[arg(long)]
        material: Option<String>,
        /// What its name really is.
        #[arg(long)]
        name: Option<String>,
        /// Who it really came from.
        #[arg(long)]
        supplier: Option<String>,
        /// How many sheets really arrived, damaged ones included.
        #[arg(long)]
        sheets: Option<String>,
        /// How many of them were really damaged.
        #[arg(long)]
        damaged: Option<String>,
        /// What one really cost.
        #[arg(long)]
        unit_cost: Option<String>,
        /// Its part of the freight.
        #[arg(long)]
        freight: Option<String>,
        /// Its part of the duty.
        #[arg(long)]
        duty: Option<String>,
        /// As measured.
        #[arg(long)]
        thickness: Option<String>,
        /// The size that the sheets really have; what was cut keeps the one that the cut saw.
        #[arg(long, value_name = "WxH")]
        size: Option<String>,
        /// The material that they really are of; only while none of them was used or promised.
        #[arg(long, value_name = "NAME")]
        right_material: Option<String>,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
    },
}

impl LotCommand {
    pub(super) fn action(&self) -> Action {
        match self {
            Self::List { material } => action::LotList { material: material.clone() }.into(),
            Self::Show { lot, material } => action::LotShow { lot: lot.clone(), material: material.clone() }.into(),
            Self::Cost { lot, material, amount, why } => action::LotCost {
                lot: lot.clone(),
                material: material.clone(),
                amount: amount.clone(),
                why: why.clone(),
            }
            .into(),
            Self::Credit { lot, material, amount, why, piece, claim } => action::LotCredit {
                lot: lot.clone(),
                material: material.clone(),
                amount: amount.clone(),
                why: why.clone(),
                piece: piece.clone(),
                claim: claim.clone(),
            }
            .into(),
            Self::Claim { lot, material, amount, why } => action::LotClaim {
                lot: lot.clone(),
                material: material.clone(),
                amount: amount.clone(),
                why: why.clone(),
            }
            .into(),
            Self::Correct {
                lot,
                material,
                name,
                supplier,
                sheets,
                damaged,
                unit_cost,
                freight,
                duty,
                thickness,
                size,
                right_material,
                why,
            } => action::LotCorrect {
                lot: lot.clone(),
                material: material.clone(),
                name: name.clone(),
                supplier: supplier.clone(),
                sheets: sheets.clone(),
                damaged: damaged.clone(),
                unit_cost: unit_cost.clone(),
                freight: freight.clone(),
                duty: duty.clone(),
                thickness: thickness.clone(),
                size: size.clone(),
                right_material: right_material.clone(),
                why: why.clone(),
            }
            .into(),
        }
    }
}

/// What a piece is worth, whose it is, what became of it after all.
#[derive(Subcommand, Debug)]
pub(super) enum WorthCommand {
    /// A piece is worth less than it carries and stays on hand.
    WriteDown {
        /// The piece's code.
        piece: String,
        /// What it carries from now on.
        #[arg(long, value_name = "SUM")]
        to: Option<String>,
        /// By how much less.
        #[arg(long, value_name = "SUM")]
        by: Option<String>,
        /// The reason, for the history.
        #[arg(long)]
        why: String,
    },
    /// Split a piece by hand, along a straight line or into what you say; nobody pays.
    Split {
        /// The piece's code.
        piece: String,
        /// Along a line up, so far from the left.
        #[arg(long, value_name = "LENGTH")]
        x: Option<String>,
        /// Along a line across, so far from the bottom.
        #[arg(long, value_name = "LENGTH")]
        y: Option<String>,
        /// What the cut takes away.
        #[arg(long)]
        kerf: Option<String>,
        /// Into sizes, drawings or shapes.
        #[arg(long, num_args = 1.., value_name = "WxH|FILE")]
        into: Vec<String>,
        /// The reason, for the history.
        #[arg(long)]
        why: Option<String>,
    },
    /// A piece that was thrown away is there after all.
    Found {
        /// The piece's code.
        piece: String,
        /// Where it is put.
        #[arg(long)]
        rack: Option<String>,
    },
    /// A customer's own piece goes back to the customer.
    HandBack {
        /// The piece's code.
        piece: String,
        /// The reason, for the history.
        #[arg(long)]
        why: Option<String>,
    },
    /// Which faces of a piece have their protective film; neither: it is off.
    Film {
        /// The piece's code.
        piece: String,
        /// On the face.
        #[arg(long)]
        face: bool,
        /// On the back.
        #[arg(long)]
        back: bool,
        /// YYYY-MM-DD
        #[arg(long, value_name = "DATE")]
        since: Option<String>,
    },
}

impl WorthCommand {
    pub(super) fn action(&self) -> Result<Action, Error> {
        Ok(match self {
            Self::WriteDown { piece, to, by, why } => {
                action::WriteDown { piece: piece.clone(), to: to.clone(), by: by.clone(), why: why.clone() }.into()
            }
            Self::Split { piece, x, y, kerf, into, why } => action::Split {
                piece: piece.clone(),
                x: x.clone(),
                y: y.clone(),
                kerf: kerf.clone(),
                into: into.iter().map(|t| super::left(t, None)).collect::<Result<_, _>>()?,
                why: why.clone(),
            }
            .into(),
            Self::Found { piece, rack } => action::FindAgain { piece: piece.clone(), rack: rack.clone() }.into(),
            Self::HandBack { piece, why } => action::HandBack { piece: piece.clone(), why: why.clone() }.into(),
            Self::Film { piece, face, back, since } => {
                action::FilmNote { piece: piece.clone(), face: *face, back: *back, since: since.clone() }.into()
            }
        })
    }
}

/// More of machines: their limits, and what worked on them.
#[derive(Subcommand, Debug)]
pub(super) enum MachineMore {
    /// Change some fields of a machine.
    Change {
        /// The machine's name.
        machine: String,
        /// Length by width of what lies on it.
        #[arg(long, value_name = "WxH")]
        bed: Option<String>,
        /// laser or router
        #[arg(long)]
        kind: Option<String>,
        /// Most that it cuts through.
        #[arg(long)]
        max_thickness: Option<String>,
        /// The most thickness of one sort of material; once for each, all of them.
        #[arg(long, value_name = "SORT=THICKNESS")]
        limit: Vec<String>,
        /// Above this thickness the focus is set another way; 0: at none.
        #[arg(long, value_name = "THICKNESS")]
        focus_above: Option<String>,
    },
    /// No longer use a machine for anything new.
    Retire {
        /// The machine's name.
        machine: String,
        /// Take it back into use.
        #[arg(long)]
        back: bool,
        /// The reason, for the history.
        #[arg(long)]
        why: Option<String>,
    },
    /// Note what worked for a material.
    Note {
        /// The machine's name.
        machine: String,
        /// The material's name.
        #[arg(long)]
        material: String,
        /// Percent.
        #[arg(long)]
        power: Option<String>,
        /// A length a second.
        #[arg(long)]
        speed: Option<String>,
        /// How many times over the line.
        #[arg(long)]
        passes: Option<String>,
        /// Air assist, in words.
        #[arg(long)]
        air: Option<String>,
        /// Lens, bit or focus.
        #[arg(long)]
        lens: Option<String>,
        /// A note.
        #[arg(long)]
        note: Option<String>,
        /// Who found it out.
        #[arg(long)]
        by: Option<String>,
    },
    /// What worked, newest first.
    Notes {
        /// Only on this machine.
        machine: Option<String>,
        /// Only for this material.
        #[arg(long)]
        material: Option<String>,
    },
}

impl MachineMore {
    pub(super) fn action(&self) -> Action {
        match self {
            Self::Change { machine, bed, kind, max_thickness, limit, focus_above } => action::MachineChange {
                machine: machine.clone(),
                bed: bed.clone(),
                kind: kind.clone(),
                max_thickness: max_thickness.clone(),
                limits: limit.clone(),
                focus_above: focus_above.clone(),
            }
            .into(),
            Self::Retire { machine, back, why } => {
                action::MachineRetire { machine: machine.clone(), back: *back, why: why.clone() }.into()
            }
            Self::Note { machine, material, power, speed, passes, air, lens, note, by } => action::CuttingNote {
                machine: machine.clone(),
                material: material.clone(),
                power: power.clone(),
                speed: speed.clone(),
                passes: passes.clone(),
                air: air.clone(),
                lens: lens.clone(),
                note: note.clone(),
                by: by.clone(),
            }
            .into(),
            Self::Notes { machine, material } => {
                action::CuttingNotes { machine: machine.clone(), material: material.clone() }.into()
            }
        }
    }
}

/// What a quote is made of.
#[derive(clap::Args, Debug)]
pub(super) struct QuoteArgs {
    /// The order's code.
    order: String,
    /// The plan it goes by; left out: the order's last one.
    #[arg(long)]
    plan: Option<String>,
    /// Percent on the material.
    #[arg(long, value_name = "PERCENT")]
    markup: Option<String>,
    /// Asked at least.
    #[arg(long, value_name = "SUM")]
    minimum: Option<String>,
    /// area: what is used up, with scrap; sheets: each piece whole.
    #[arg(long)]
    waste: Option<String>,
    /// Labour and time in words, and what is asked for it.
    #[arg(long, value_name = "TEXT=SUM")]
    labour: Option<String>,
    /// Keep it as it is said now.
    #[arg(long)]
    keep: bool,
    /// One that was kept, by its number, or "last".
    #[arg(long, value_name = "NUMBER", conflicts_with = "keep")]
    number: Option<String>,
    /// As a sheet of paper, which keeps it: .pdf
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

impl QuoteArgs {
    pub(super) fn what(&self) -> Result<super::What, Error> {
        let (labour, labour_sum) = match self.labour.as_deref().map(|t| t.rsplit_once('=')) {
            Some(Some((text, sum))) => (Some(text.to_owned()), Some(sum.to_owned())),
            Some(None) => (self.labour.clone(), None),
            None => (None, None),
        };
        let (order, plan, markup) = (self.order.clone(), self.plan.clone(), self.markup.clone());
        let (minimum, waste, number) = (self.minimum.clone(), self.waste.clone(), self.number.clone());
        let print = |action: Action| super::What::Act { action, output: super::Out::Print };
        Ok(match &self.out {
            None if self.keep => {
                print(action::QuoteKeep { order, plan, markup, minimum, waste, labour, labour_sum }.into())
            }
            None => print(action::Quote { order, plan, markup, minimum, waste, labour, labour_sum, number }.into()),
            Some(out) => {
                super::format(out, &["pdf"])?;
                super::What::Act {
                    action: action::QuoteFile { order, plan, markup, minimum, waste, labour, labour_sum, number }
                        .into(),
                    output: super::Out::File { path: out.clone() },
                }
            }
        })
    }
}
