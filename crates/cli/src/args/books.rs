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
        #[arg(long, required_unless_present = "lines")]
        material: Option<String>,
        #[arg(long, required_unless_present = "lines")]
        sheets: Option<String>,
        #[arg(long, value_name = "WxH", required_unless_present = "lines")]
        size: Option<String>,
        #[arg(long)]
        unit_cost: Option<String>,
        /// Several lines: CSV with the columns material, size, sheets and unit_cost.
        #[arg(long, value_name = "FILE.csv", conflicts_with_all = ["material", "sheets", "size", "unit_cost"])]
        lines: Option<PathBuf>,
        /// The number of the purchase.
        #[arg(long)]
        name: Option<String>,
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
        name: String,
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
        #[arg(long)]
        material: Option<String>,
    },
    /// One lot, whole.
    Show {
        lot: String,
        /// Where lots of several materials have this name.
        #[arg(long)]
        material: Option<String>,
    },
    /// A cost that came later, shared over the lot's sheets.
    Cost {
        lot: String,
        #[arg(long)]
        material: Option<String>,
        #[arg(long)]
        amount: String,
        #[arg(long)]
        why: String,
    },
    /// A credit from the supplier, shared over the lot's sheets.
    Credit {
        lot: String,
        #[arg(long)]
        material: Option<String>,
        #[arg(long)]
        amount: String,
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
        lot: String,
        #[arg(long)]
        material: Option<String>,
        #[arg(long)]
        amount: Option<String>,
        #[arg(long)]
        why: String,
    },
    /// What was said of a delivery line was wrong: what is right.
    Correct {
        lot: String,
        #[arg(long)]
        material: Option<String>,
        #[arg(long)]
        name: Option<String>,
        #[arg(long)]
        supplier: Option<String>,
        #[arg(long)]
        sheets: Option<String>,
        #[arg(long)]
        damaged: Option<String>,
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
                why: why.clone(),
            }
            .into(),
        }
    }
}
