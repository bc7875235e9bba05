//! Who may do what. A role allows actions; whether a person sees what things cost is apart from it.

use sheetloft_ledger::body::Role;
use uuid::Uuid;

use crate::action::Action;
use crate::error::Error;
use crate::say;

/// Who is about to do something, and what they may.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Worker {
    /// The person, where one has said who they are.
    pub person: Option<Uuid>,
    /// What they may do.
    pub role: Role,
    /// Whether they see costs.
    pub costs: bool,
}

impl Worker {
    /// Whoever has the shop file itself, and nobody in particular: the command line, and every screen of a shop that
    /// knows no people.
    pub const OWNER: Self = Self { person: None, role: Role::Owner, costs: true };
    /// Nobody has said who they are yet.
    pub const NOBODY: Self = Self { person: None, role: Role::Viewer, costs: false };

    /// Refuses what is not allowed.
    pub fn may(&self, action: &Action) -> Result<(), Error> {
        let needs = needs(action);
        if self.role < needs {
            return Err(Error::refused(match needs {
                Role::Owner => say!("refused-role-owner"),
                Role::Hand | Role::Viewer => say!("refused-role-hand"),
            }));
        }
        if is_about_money(action) && !self.costs {
            return Err(Error::refused(say!("refused-role-costs")));
        }
        Ok(())
    }
}

/// The least role that may do an action. A new action has to be given its place here.
fn needs(action: &Action) -> Role {
    match action {
        // It writes, and takes long.
        Action::Check(with) if with.anew => Role::Owner,
        // Looking, searching, scanning, and saying who one is.
        Action::ShowShop(_)
        | Action::Now(_)
        | Action::MaterialShow(_)
        | Action::MaterialList(_)
        | Action::RackShow(_)
        | Action::RackList(_)
        | Action::CuttingNotes(_)
        | Action::MachineList(_)
        | Action::OnOrderList(_)
        | Action::LotList(_)
        | Action::LotShow(_)
        | Action::StockList(_)
        | Action::StockShow(_)
        | Action::Find(_)
        | Action::Drawing(_)
        | Action::OrderList(_)
        | Action::OrderShow(_)
        | Action::OrderCost(_)
        | Action::PlanShow(_)
        | Action::Layout(_)
        | Action::Ticket(_)
        | Action::CountShow(_)
        | Action::CountList(_)
        | Action::CountNext(_)
        | Action::Pull(_)
        | Action::LabelPapers(_)
        | Action::PrinterList(_)
        | Action::PrinterSystem(_)
        | Action::Scan(_)
        | Action::ScanPhoto(_)
        | Action::Identify(_)
        | Action::Report(_)
        | Action::ReportFile(_)
        | Action::History(_)
        | Action::Conflicts(_)
        | Action::SyncStatus(_)
        | Action::Check(_)
        | Action::Digest(_)
        | Action::PersonList(_)
        | Action::PersonEnter(_)
        | Action::PersonLeave(_) => Role::Viewer,
        // The work with material and orders.
        Action::RackAdd(_)
        | Action::RackDescribe(_)
        | Action::CuttingNote(_)
        | Action::Receive(_)
        | Action::ReceiveDelivery(_)
        | Action::OnOrderAdd(_)
        | Action::OnOrderDrop(_)
        | Action::OffcutAdd(_)
        | Action::OrderNew(_)
        | Action::OrderAdd(_)
        | Action::OrderRemake(_)
        | Action::Plan(_)
        | Action::PlanChange(_)
        | Action::PlanTry(_)
        | Action::Hold(_)
        | Action::Release(_)
        | Action::Cut(_)
        | Action::Take(_)
        | Action::FlawAdd(_)
        | Action::FlawRemove(_)
        | Action::Scrap(_)
        | Action::Split(_)
        | Action::FindAgain(_)
        | Action::HandBack(_)
        | Action::FilmNote(_)
        | Action::Move(_)
        | Action::MoveMany(_)
        | Action::CountStart(_)
        | Action::CountSeen(_)
        | Action::CountPause(_)
        | Action::CountSettle(_)
        | Action::CountFinish(_)
        | Action::Label(_)
        | Action::Undo(_)
        | Action::Redo(_)
        | Action::SyncNow(_) => Role::Hand,
        // Money, settings, people, devices, and the file as a whole.
        Action::Init(_)
        | Action::Demo(_)
        | Action::MaterialAdd(_)
        | Action::MaterialChange(_)
        | Action::MaterialRetire(_)
        | Action::MachineAdd(_)
        | Action::MachineChange(_)
        | Action::MachineRetire(_)
        | Action::LotCost(_)
        | Action::LotCredit(_)
        | Action::LotClaim(_)
        | Action::LotCorrect(_)
        | Action::StockExport(_)
        | Action::StockImport(_)
        | Action::OrderPrice(_)
        | Action::OrderClose(_)
        | Action::Quote(_)
        | Action::QuoteKeep(_)
        | Action::QuoteFile(_)
        | Action::WriteDown(_)
        | Action::PaperAdd(_)
        | Action::PaperDrop(_)
        | Action::PrinterSet(_)
        | Action::PrinterDrop(_)
        | Action::LabelAddress(_)
        | Action::Settle(_)
        | Action::SyncFolder(_)
        | Action::SyncHub(_)
        | Action::SyncOffer(_)
        | Action::SyncPair(_)
        | Action::SyncNearby(_)
        | Action::SyncRevoke(_)
        | Action::SyncShare(_)
        | Action::SyncRename(_)
        | Action::SyncRescue(_)
        | Action::PersonAdd(_)
        | Action::PersonChange(_)
        | Action::Backup(_)
        | Action::Restore(_) => Role::Owner,
    }
}

/// Whether an action is of no use to somebody who does not see costs.
fn is_about_money(action: &Action) -> bool {
    matches!(
        action,
        Action::OrderCost(_) | Action::LotShow(_) | Action::LotList(_) | Action::Report(_) | Action::ReportFile(_)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::action::Check;

    #[test]
    fn everybody_may_check_and_an_owner_alone_adds_up_anew() {
        assert!(Worker::NOBODY.may(&Check { anew: false }.into()).is_ok());
        assert!(Worker::NOBODY.may(&Check { anew: true }.into()).is_err());
        assert!(Worker::OWNER.may(&Check { anew: true }.into()).is_ok());
    }
}
