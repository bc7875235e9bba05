//! Why an action was not done: one plain sentence that says what to do next.

use sheetloft_ledger::code::CodeError;
use sheetloft_ledger::money::MoneyError;
use sheetloft_ledger::rules::Refusal;
use sheetloft_ledger::units::LengthError;
use sheetloft_shapes::ShapeError;
use sheetloft_store::StoreError;

use crate::answer::Refused;
use crate::say;
use crate::say::Say;

/// What sort of no it is; the command line makes its exit status of it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Sort {
    /// What was given is wrong.
    BadInput,
    /// The shop's state does not allow it.
    Refused,
    /// The program or the machine failed.
    Fault,
}

/// Why an action was not done.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[error("{}", say.text())]
pub struct Error {
    /// What sort of no.
    pub sort: Sort,
    /// The sentence.
    pub say: Say,
    /// The action's field that is wrong.
    pub field: Option<&'static str>,
}

impl Error {
    /// What was given is wrong.
    pub fn bad(say: Say) -> Self {
        Self { sort: Sort::BadInput, say, field: None }
    }

    /// The shop's state does not allow it.
    pub fn refused(say: Say) -> Self {
        Self { sort: Sort::Refused, say, field: None }
    }

    /// The program or the machine failed.
    pub fn fault(say: Say) -> Self {
        Self { sort: Sort::Fault, say, field: None }
    }

    /// The same, about a field of the action.
    pub fn at(mut self, field: &'static str) -> Self {
        self.field.get_or_insert(field);
        self
    }

    /// As it goes out through the door.
    pub fn to_answer(&self) -> Refused {
        Refused {
            kind: match self.sort {
                Sort::BadInput => "bad_input",
                Sort::Refused => "refused",
                Sort::Fault => "fault",
            }
            .to_owned(),
            key: self.say.key.clone().into_owned(),
            text: self.to_string(),
            field: self.field.map(str::to_owned),
        }
    }
}

impl From<StoreError> for Error {
    fn from(error: StoreError) -> Self {
        let path = |p: &std::path::Path| p.display().to_string();
        match &error {
            StoreError::Missing { path: p } => Self::bad(say!("error-file-missing", file = path(p))),
            StoreError::Exists { path: p } => Self::bad(say!("error-file-exists", file = path(p))),
            StoreError::NotAShop { path: p } => Self::bad(say!("error-not-a-shop", file = path(p))),
            StoreError::Newer => Self::refused(say!("error-newer-shop")),
            StoreError::DiskFull => Self::fault(say!("error-disk-full")),
            StoreError::OpenElsewhere => Self::refused(say!("refused-open-elsewhere")),
            StoreError::Locked => Self::refused(say!("error-locked")),
            StoreError::Claimed { piece, device } => {
                Self::refused(say!("refused-claimed", piece = piece.to_string(), device = device.to_string()))
            }
            StoreError::Forked => Self::refused(say!("refused-forked")),
            StoreError::ReadOnly => Self::refused(say!("error-read-only")),
            StoreError::Damaged { what } => Self::fault(say!("error-damaged", what = what)),
            StoreError::File { path: p, source } if source.kind() == std::io::ErrorKind::StorageFull => {
                let _ = p;
                Self::fault(say!("error-disk-full"))
            }
            StoreError::File { path: p, source } => {
                Self::bad(say!("error-file", file = path(p), why = source.to_string()))
            }
            StoreError::Event(sheetloft_ledger::event::EventError::TooLarge { .. }) => {
                Self::bad(say!("error-too-much-at-once"))
            }
            StoreError::Event(_) | StoreError::Database(_) => {
                Self::fault(say!("error-database", what = error.to_string()))
            }
        }
    }
}

impl From<LengthError> for Error {
    fn from(error: LengthError) -> Self {
        Self::bad(match error {
            LengthError::NotALength { text } => say!("error-length", text = text),
            LengthError::NotASize { text } => say!("error-size", text = text),
            LengthError::TooLong { text } => say!("error-too-long", text = text),
            LengthError::TooWide { text } => say!("error-too-wide", text = text),
            LengthError::NotPositive { text } => say!("error-not-positive", text = text),
        })
    }
}

impl From<MoneyError> for Error {
    fn from(error: MoneyError) -> Self {
        Self::bad(match error {
            MoneyError::NotANumber { text } => say!("error-money", text = text),
            MoneyError::TooFine { text, decimals } => {
                say!("error-money-fine", text = text, decimals = u32::from(decimals))
            }
            MoneyError::TooLarge { text } => say!("error-money-large", text = text),
            MoneyError::NotACurrency { text } => say!("error-currency", text = text),
        })
    }
}

impl From<CodeError> for Error {
    fn from(error: CodeError) -> Self {
        Self::bad(match error {
            CodeError::NotACode { text } => say!("error-not-a-code", text = text),
            CodeError::WrongCheck { text } => say!("error-wrong-check", text = text),
        })
    }
}

impl From<ShapeError> for Error {
    fn from(error: ShapeError) -> Self {
        // Rings are named as people see them: the outline, hole 1, hole 2; corners count from 1.
        let ring = |n: usize| if n == 0 { say!("ring-outline").text() } else { say!("ring-hole", n = n).text() };
        Self::bad(match error {
            ShapeError::TooFewCorners { ring: r } => say!("error-shape-few-corners", ring = ring(r)),
            ShapeError::NoArea { ring: r } => say!("error-shape-no-area", ring = ring(r)),
            ShapeError::SelfCrossing { ring: r, corner, other } => {
                say!("error-shape-crossing", ring = ring(r), corner = corner + 1, other = other + 1)
            }
            ShapeError::OutOfRange { ring: r, corner } => {
                say!("error-shape-range", ring = ring(r), corner = corner + 1)
            }
            ShapeError::HoleOutside { hole } => say!("error-shape-hole-outside", ring = ring(hole)),
            ShapeError::HolesOverlap { hole, other } => {
                say!("error-shape-holes-overlap", ring = ring(hole), other = ring(other))
            }
            ShapeError::NothingLeft => say!("error-shape-nothing-left"),
            ShapeError::TooManyCorners { ring: r, corners, most } => {
                say!("error-shape-many-corners", ring = ring(r), corners = corners, most = most)
            }
            ShapeError::TooManyRings { rings, most } => say!("error-shape-many-rings", rings = rings, most = most),
        })
    }
}

impl From<Refusal> for Error {
    fn from(refusal: Refusal) -> Self {
        Self::refused(match refusal {
            Refusal::Used { piece } => say!("refused-used", piece = piece),
            Refusal::WrittenOff { piece } => say!("refused-written-off", piece = piece),
            Refusal::InConflict { piece } => say!("refused-conflict", piece = piece),
            Refusal::HeldForOther { piece } => say!("refused-held-other", piece = piece),
            Refusal::IsHeld { piece } => say!("refused-held", piece = piece),
            Refusal::PlanHeld { plan } => say!("refused-plan-held", plan = plan),
            Refusal::PlanNotHeld { plan } => say!("refused-plan-not-held", plan = plan),
            Refusal::PlanCut { plan } => say!("refused-plan-cut", plan = plan),
            Refusal::PieceCut { piece, plan } => say!("refused-piece-cut", piece = piece, plan = plan),
            Refusal::Owned { piece, owner } => say!("refused-owned", piece = piece, owner = owner),
            Refusal::NotOwned { piece } => say!("refused-not-owned", piece = piece),
            Refusal::CarriesLess { piece } => say!("refused-carries-less", piece = piece),
            Refusal::NotAsPlanned { piece, plan } => say!("refused-not-as-planned", piece = piece, plan = plan),
            Refusal::NotWrittenOff { piece } => say!("refused-not-written-off", piece = piece),
            Refusal::OrderClosed { order } => say!("refused-order-closed", order = order),
            Refusal::Frozen { thing } => say!("refused-frozen", thing = thing),
        })
    }
}
