//! The calling side: one connection to a device that serves, and an exchange over it.

use std::fs::File;
use std::future::Future;
use std::io::Write as _;
use std::net::{SocketAddr, ToSocketAddrs as _};
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use http_body_util::{BodyExt as _, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1::SendRequest;
use hyper::{Request, StatusCode};
use hyper_util::rt::TokioIo;
use rustls::pki_types::ServerName;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sheetloft_ledger::exchange::{Runs, Sealed};
use tokio::net::TcpStream;
use tokio::runtime::Runtime;
use tokio_rustls::TlsConnector;
use uuid::Uuid;

use super::identity::{Fingerprint, Identity};
use super::pair::{self, Side};
use super::tls;
use super::wire::{
    self, Claim, Claimed, NotAnswered, PairHello, PairHelloBack, PairProve, PairProveBack, RunsSaid, StartBytes,
    StartMade, StartWanted, Taken, Why,
};
use crate::batch;
use crate::carrier::Carrier;
use crate::limits;

/// How long an answer may take, beside the work itself.
const ANSWER: Duration = Duration::from_secs(60);
/// How long making a start of a long history may take.
const START_MADE: Duration = Duration::from_secs(600);

/// Why an exchange over the network came to nothing, or not to its end.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum NetError {
    #[error("{address} is not an address")]
    Address { address: String },
    #[error("{address} cannot be reached: {why}")]
    Unreachable { address: String, why: String },
    /// Somebody answers there who is not the device that was paired.
    #[error("another device answers at {address}")]
    OtherDevice { address: String },
    #[error("{address} does not answer")]
    Silent { address: String },
    #[error("{address} answers something that is no answer")]
    BadAnswer { address: String },
    #[error("{address} does not want to: {why:?}")]
    Refused { address: String, why: Why },
}

/// What pairing came to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub struct Paired {
    pub shop: Uuid,
    pub device: Uuid,
    pub fingerprint: Fingerprint,
}

/// A connection to a device that serves.
pub struct Caller {
    runtime: Runtime,
    sender: SendRequest<Full<Bytes>>,
    address: String,
    own: Fingerprint,
    /// What the other side showed.
    pub theirs: Fingerprint,
}

impl Caller {
    /// Connects to `address` (a name or number, with a port), within `within`. With a `pin`, only to that device.
    pub fn connect(
        address: &str,
        identity: &Identity,
        pin: Option<Fingerprint>,
        within: Duration,
    ) -> Result<Self, NetError> {
        let unreachable = |why: String| NetError::Unreachable { address: address.to_owned(), why };
        let places: Vec<SocketAddr> =
            address.to_socket_addrs().map_err(|_| NetError::Address { address: address.to_owned() })?.collect();
        let config = tls::for_calling(identity, pin).map_err(|e| unreachable(e.to_string()))?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|e| unreachable(e.to_string()))?;
        let (sender, theirs) = runtime.block_on(async {
            let connected = async {
                let tcp = TcpStream::connect(&places[..]).await.map_err(|e| unreachable(e.to_string()))?;
                // Small questions are sent at once.
                let _ = tcp.set_nodelay(true);
                let name = ServerName::try_from("sheetloft.local").map_err(|e| unreachable(e.to_string()))?;
                let stream = TlsConnector::from(config).connect(name, tcp).await.map_err(|e| {
                    let inner = e.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
                    match inner {
                        Some(rustls::Error::InvalidCertificate(_)) if pin.is_some() => {
                            NetError::OtherDevice { address: address.to_owned() }
                        }
                        _ => unreachable(e.to_string()),
                    }
                })?;
                let shown = stream.get_ref().1.peer_certificates().and_then(|chain| chain.first());
                let theirs = Fingerprint::of(shown.ok_or_else(|| unreachable(String::new()))?);
                let (sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream))
                    .await
                    .map_err(|e| unreachable(e.to_string()))?;
                // It lives as long as the runtime, and moves while an answer is waited for.
                tokio::spawn(connection);
                Ok((sender, theirs))
            };
            tokio::time::timeout(within, connected)
                .await
                .unwrap_or_else(|_| Err(NetError::Silent { address: address.to_owned() }))
        })?;
        Ok(Self { runtime, sender, address: address.to_owned(), own: identity.fingerprint(), theirs })
    }

    /// Asks, and gives the answer's bytes, `most` at most.
    fn post(&mut self, path: &str, body: Vec<u8>, most: usize, within: Duration) -> Result<Vec<u8>, NetError> {
        let address = self.address.clone();
        let bad = || NetError::BadAnswer { address: address.clone() };
        let silent = || NetError::Silent { address: address.clone() };
        let request = Request::post(path)
            .header("host", "sheetloft.local")
            .header("content-type", "application/octet-stream")
            .body(Full::new(Bytes::from(body)))
            .map_err(|_| bad())?;
        let sender = &mut self.sender;
        let (status, bytes) = within_time(&self.runtime, within, async {
            sender.ready().await.map_err(|_| silent())?;
            let answer = sender.send_request(request).await.map_err(|_| silent())?;
            let status = answer.status();
            let bytes = Limited::new(answer.into_body(), most).collect().await.map_err(|_| bad())?.to_bytes();
            Ok((status, bytes))
        })
        .unwrap_or_else(|| Err(silent()))?;
        if status == StatusCode::OK {
            return Ok(bytes.to_vec());
        }
        match serde_json::from_slice::<NotAnswered>(&bytes) {
            Ok(not) => Err(NetError::Refused { address, why: not.why }),
            Err(_) => Err(bad()),
        }
    }

    fn ask<T: DeserializeOwned>(&mut self, path: &str, body: &impl Serialize, within: Duration) -> Result<T, NetError> {
        let body = serde_json::to_vec(body).map_err(|_| self.bad())?;
        let bytes = self.post(path, body, wire::SMALL_BYTES, within)?;
        serde_json::from_slice(&bytes).map_err(|_| self.bad())
    }

    fn bad(&self) -> NetError {
        NetError::BadAnswer { address: self.address.clone() }
    }

    /// Pairs with the other side by a code. Nothing of this device but its certificate is shown before the other side
    /// has the code too.
    pub fn pair(&mut self, code: &str, device: Uuid, shop: Option<Uuid>) -> Result<Paired, NetError> {
        let (begun, message) = pair::call(code);
        let back: PairHelloBack =
            self.ask(wire::PAIR_HELLO, &PairHello { message: STANDARD.encode(message) }, ANSWER)?;
        let agreed = STANDARD.decode(&back.message).ok().and_then(|m| begun.finish(&m));
        let agreed = agreed.ok_or_else(|| self.bad())?;
        let proof = STANDARD.encode(agreed.prove(Side::Calls, self.own, self.theirs));
        let back: PairProveBack =
            self.ask(wire::PAIR_PROVE, &PairProve { session: back.session, proof, device, shop }, ANSWER)?;
        let proof = STANDARD.decode(&back.proof).unwrap_or_default();
        match agreed.holds(Side::Serves, self.own, self.theirs, &proof) {
            true => Ok(Paired { shop: back.shop, device: back.device, fingerprint: self.theirs }),
            false => Err(NetError::Refused { address: self.address.clone(), why: Why::WrongCode }),
        }
    }

    /// Waits until the other side has something that whoever has `own` lacks; false where it had nothing for a while.
    pub fn wait(&mut self, shop: Uuid, own: Runs) -> Result<bool, NetError> {
        self.ask(wire::WAIT, &RunsSaid { shop, runs: own }, ANSWER + Duration::from_millis(wire::WAIT_MS))
    }

    /// Asks for pieces before they are used; gives the device that is about to use one of them, and which.
    pub fn claim(&mut self, pieces: &[Uuid], within: Duration) -> Result<Option<(Uuid, Uuid)>, NetError> {
        let claimed: Claimed = self.ask(wire::CLAIM, &Claim { pieces: pieces.to_vec() }, within)?;
        Ok(claimed.by)
    }

    /// Gives them free again.
    pub fn release(&mut self, pieces: &[Uuid], within: Duration) -> Result<(), NetError> {
        let _: Claimed = self.ask(wire::RELEASE, &Claim { pieces: pieces.to_vec() }, within)?;
        Ok(())
    }
}

impl Carrier for Caller {
    type Error = NetError;

    fn runs(&mut self, shop: Uuid, mine: &Runs) -> Result<Runs, NetError> {
        let said: RunsSaid = self.ask(wire::RUNS, &RunsSaid { shop, runs: mine.clone() }, ANSWER)?;
        Ok(said.runs)
    }

    fn lacking(&mut self, shop: Uuid, mine: &Runs) -> Result<Vec<Sealed>, NetError> {
        let said = RunsSaid { shop, runs: mine.clone() };
        let body = serde_json::to_vec(&said).map_err(|_| self.bad())?;
        let bytes = self.post(wire::TAKE, body, limits::BATCH_BYTES_TAKEN, ANSWER)?;
        batch::read(&bytes).map_err(|_| self.bad())
    }

    fn give(&mut self, _: Uuid, events: Vec<Sealed>) -> Result<u64, NetError> {
        let bytes = self.post(wire::GIVE, batch::write(&events), wire::SMALL_BYTES, ANSWER)?;
        let taken: Taken = serde_json::from_slice(&bytes).map_err(|_| self.bad())?;
        Ok(taken.new)
    }

    fn start(&mut self, shop: Uuid, to: &mut File) -> Result<bool, NetError> {
        let made: StartMade = match self.ask(wire::START, &StartWanted { shop }, START_MADE) {
            Ok(made) => made,
            // It has none to give, or is of a program that knows of none.
            Err(NetError::Refused { why: Why::NoSuch | Why::Busy, .. }) => return Ok(false),
            Err(e) => return Err(e),
        };
        let mut from = 0;
        while from < made.bytes.min(limits::START_BYTES) {
            let body = serde_json::to_vec(&StartBytes { id: made.id, from }).map_err(|_| self.bad())?;
            let bytes = self.post(wire::START_BYTES, body, wire::SMALL_BYTES, ANSWER)?;
            if bytes.is_empty() || to.write_all(&bytes).is_err() {
                return Ok(false);
            }
            from += bytes.len() as u64;
        }
        Ok(true)
    }
}

fn within_time<T>(runtime: &Runtime, within: Duration, work: impl Future<Output = T>) -> Option<T> {
    runtime.block_on(async { tokio::time::timeout(within, work).await.ok() })
}
