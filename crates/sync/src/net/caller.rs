//! The calling side: one connection to a device that serves, and an exchange over it.

use std::future::Future;
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
use sheetloft_ledger::exchange::Runs;
use tokio::net::TcpStream;
use tokio::runtime::Runtime;
use tokio_rustls::TlsConnector;
use uuid::Uuid;

use super::identity::{Fingerprint, Identity};
use super::pair::{self, Side};
use super::tls;
use super::wire::{
    self, Claim, Claimed, NotAnswered, PairHello, PairHelloBack, PairProve, PairProveBack, RunsSaid, Taken, Why,
};
use crate::batch;
use crate::limits;
use crate::replica::{Problem, Replica, Report};

/// How long an answer may take, beside the work itself.
const ANSWER: Duration = Duration::from_secs(60);

/// Why an exchange over the network came to nothing, or not to its end.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum NetError<E> {
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
    #[error("the shop file")]
    Shop(E),
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
    pub fn connect<E>(
        address: &str,
        identity: &Identity,
        pin: Option<Fingerprint>,
        within: Duration,
    ) -> Result<Self, NetError<E>> {
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
    fn post<E>(&mut self, path: &str, body: Vec<u8>, most: usize, within: Duration) -> Result<Vec<u8>, NetError<E>> {
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

    fn ask<T: DeserializeOwned, E>(
        &mut self,
        path: &str,
        body: &impl Serialize,
        within: Duration,
    ) -> Result<T, NetError<E>> {
        let body = serde_json::to_vec(body).map_err(|_| self.bad())?;
        let bytes = self.post(path, body, wire::SMALL_BYTES, within)?;
        serde_json::from_slice(&bytes).map_err(|_| self.bad())
    }

    fn bad<E>(&self) -> NetError<E> {
        NetError::BadAnswer { address: self.address.clone() }
    }

    /// Pairs with the other side by a code. Nothing of this device but its certificate is shown before the other side
    /// has the code too.
    pub fn pair<E>(&mut self, code: &str, device: Uuid, shop: Option<Uuid>) -> Result<Paired, NetError<E>> {
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

    /// What the other side has.
    pub fn runs<E>(&mut self, shop: Uuid, own: Runs) -> Result<Runs, NetError<E>> {
        let said: RunsSaid = self.ask(wire::RUNS, &RunsSaid { shop, runs: own }, ANSWER)?;
        Ok(said.runs)
    }

    /// Waits until the other side has something that whoever has `own` lacks; false where it had nothing for a while.
    pub fn wait<E>(&mut self, shop: Uuid, own: Runs) -> Result<bool, NetError<E>> {
        self.ask(wire::WAIT, &RunsSaid { shop, runs: own }, ANSWER + Duration::from_millis(wire::WAIT_MS))
    }

    /// Asks for pieces before they are used; gives the device that is about to use one of them, and which.
    pub fn claim<E>(&mut self, pieces: &[Uuid], within: Duration) -> Result<Option<(Uuid, Uuid)>, NetError<E>> {
        let claimed: Claimed = self.ask(wire::CLAIM, &Claim { pieces: pieces.to_vec() }, within)?;
        Ok(claimed.by)
    }

    /// Gives them free again.
    pub fn release<E>(&mut self, pieces: &[Uuid], within: Duration) -> Result<(), NetError<E>> {
        let _: Claimed = self.ask(wire::RELEASE, &Claim { pieces: pieces.to_vec() }, within)?;
        Ok(())
    }

    /// Takes in everything that the other side has and this one lacks.
    pub fn take_all<R: Replica>(&mut self, replica: &mut R, report: &mut Report) -> Result<(), NetError<R::Error>> {
        loop {
            let said = RunsSaid { shop: replica.shop(), runs: replica.runs().map_err(NetError::Shop)? };
            let body = serde_json::to_vec(&said).map_err(|_| self.bad())?;
            let bytes = self.post(wire::TAKE, body, limits::BATCH_BYTES_TAKEN, ANSWER)?;
            let events = batch::read(&bytes).map_err(|_| self.bad())?;
            if events.is_empty() {
                return Ok(());
            }
            let taken = replica.take_in(events).map_err(NetError::Shop)?;
            report.received += taken.new;
            for refused in taken.refused {
                let problem = Problem::Refused(refused);
                if !report.problems.contains(&problem) {
                    report.problems.push(problem);
                }
            }
            // What it sends again and again without any of it being let in would never end.
            if taken.new == 0 {
                return Ok(());
            }
        }
    }

    /// Hands over everything that this side has and the other one lacks.
    pub fn give_all<R: Replica>(&mut self, replica: &R, report: &mut Report) -> Result<(), NetError<R::Error>> {
        let mut before = None;
        loop {
            let own = replica.runs().map_err(NetError::Shop)?;
            let theirs = self.runs(replica.shop(), own)?;
            let events = replica.lacking(&theirs, limits::BATCH_BYTES).map_err(NetError::Shop)?;
            // Nothing left, or nothing of the last batch was let in.
            if events.is_empty() || before.as_ref() == Some(&theirs) {
                return Ok(());
            }
            let bytes = self.post(wire::GIVE, batch::write(&events), wire::SMALL_BYTES, ANSWER)?;
            let taken: Taken = serde_json::from_slice(&bytes).map_err(|_| self.bad())?;
            report.sent += taken.new;
            before = Some(theirs);
        }
    }
}

/// An exchange with a device that serves.
pub fn exchange<R: Replica>(caller: &mut Caller, replica: &mut R) -> Result<Report, NetError<R::Error>> {
    let mut report = Report::default();
    caller.take_all(replica, &mut report)?;
    caller.give_all(replica, &mut report)?;
    Ok(report)
}

fn within_time<T>(runtime: &Runtime, within: Duration, work: impl Future<Output = T>) -> Option<T> {
    runtime.block_on(async { tokio::time::timeout(within, work).await.ok() })
}
