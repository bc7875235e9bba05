//! What is asked and answered: paths, and bodies as JSON; events travel as a [`crate::batch`].

use serde::{Deserialize, Serialize};
use sheetloft_ledger::exchange::Runs;
use uuid::Uuid;

/// The first half of pairing.
pub const PAIR_HELLO: &str = "/pair/hello";
/// The second half.
pub const PAIR_PROVE: &str = "/pair/prove";
/// Who has what.
pub const RUNS: &str = "/exchange/runs";
/// Gets what the caller lacks.
pub const TAKE: &str = "/exchange/take";
/// Hands over what the server lacks.
pub const GIVE: &str = "/exchange/give";
/// Answers as soon as the server has something that the caller lacks.
pub const WAIT: &str = "/exchange/wait";
/// Makes a start for the caller to begin with.
pub const START: &str = "/exchange/start";
/// Gets bytes of it.
pub const START_BYTES: &str = "/exchange/start/bytes";
/// Asks for pieces before they are used.
pub const CLAIM: &str = "/exchange/claim";
/// Gives them free again.
pub const RELEASE: &str = "/exchange/release";

/// Largest body of a request other than [`GIVE`], and of an answer other than to [`TAKE`], in bytes.
pub const SMALL_BYTES: usize = 4 << 20;
/// Most bytes of a start in one answer.
pub const START_STEP: u64 = 4 << 20;
/// Largest body of a request by somebody who is not paired, in bytes.
pub const UNPAIRED_BYTES: usize = 4 << 10;
/// How long [`WAIT`] is answered at the latest, in ms.
pub const WAIT_MS: u64 = 20_000;
/// How long a claim stands unless it is given free, in ms.
pub const CLAIM_MS: u64 = 15_000;
/// Most pieces of one claim.
pub const CLAIM_PIECES: usize = 10_000;

/// A caller begins to pair.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PairHello {
    /// Base 64.
    pub message: String,
}

/// The server's half.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PairHelloBack {
    pub session: Uuid,
    /// Base 64.
    pub message: String,
}

/// The caller proves that it has the code.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PairProve {
    pub session: Uuid,
    /// Base 64.
    pub proof: String,
    /// The caller's device.
    pub device: Uuid,
    /// Its shop; none where it joins.
    pub shop: Option<Uuid>,
}

/// The server proves it too, and says who it is.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PairProveBack {
    /// Base 64.
    pub proof: String,
    pub shop: Uuid,
    pub device: Uuid,
}

/// Who has what.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct RunsSaid {
    pub shop: Uuid,
    pub runs: Runs,
}

/// A caller wants to begin.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct StartWanted {
    pub shop: Uuid,
}

/// What it can begin with.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct StartMade {
    pub id: Uuid,
    pub bytes: u64,
}

/// Which bytes of that the caller wants.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct StartBytes {
    pub id: Uuid,
    pub from: u64,
}

/// What became of events that were handed over.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Taken {
    pub new: u64,
    /// How many were not let in; who keeps them names them.
    pub refused: u64,
}

/// Pieces that are about to be used, or are no longer.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Claim {
    pub pieces: Vec<Uuid>,
}

/// Whether they may be.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Claimed {
    /// The device that is about to use one of them, and which; none where the caller may.
    pub by: Option<(Uuid, Uuid)>,
}

/// Why a request was not answered.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// The caller is not paired, or was sent away since.
    Unknown,
    /// No pairing is offered now, or it was used up.
    NoOffer,
    /// The code was another one.
    WrongCode,
    /// The caller is of another shop.
    OtherShop,
    /// The request cannot be read.
    Unreadable,
    /// It is too large.
    TooLarge,
    /// There is no such request.
    NoSuch,
    /// The server has a fault of its own.
    Fault,
    /// Too much is asked at once.
    Busy,
}

impl Why {
    /// The status under which it travels.
    pub fn status(self) -> u16 {
        match self {
            Self::Unknown | Self::WrongCode | Self::OtherShop => 403,
            Self::NoOffer => 409,
            Self::Unreadable => 400,
            Self::TooLarge => 413,
            Self::NoSuch => 404,
            Self::Fault => 500,
            Self::Busy => 503,
        }
    }
}

/// The body of an answer that is none.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct NotAnswered {
    pub why: Why,
}
