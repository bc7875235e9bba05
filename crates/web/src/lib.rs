//! The same door over HTTP, and the screens.
//!
//! On this machine: one route for the door (`POST /door`, JSON in and out), one for the screens, for pages that were
//! served here. On the shop's network, over TLS: exchange for devices that were paired, and the same screens for phones
//! and tablets that were. Nothing is asked of any machine but these.

mod guard;
mod network;
mod paired;
mod routes;
mod screens;

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use sheetloft_shop::door::Door;
use sheetloft_shop::error::Error;
use sheetloft_shop::network as shop_network;
use sheetloft_shop::network::{Announced, Live};
use sheetloft_shop::say;
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio::sync::watch;

pub use screens::has_screens;

/// Actions that may be in work at once, and screens and devices that may wait for news; further ones wait their turn.
const WORKERS: usize = 128;
/// How often it is looked whether others are to be served.
const LOOK: Duration = Duration::from_millis(500);
/// How often a port that could not be had is tried again.
const AGAIN: Duration = Duration::from_secs(5);

/// Where to serve.
#[derive(Clone, Copy, Default, Debug)]
pub struct At<'a> {
    /// The screens for a browser of this machine: an address of this machine alone.
    pub here: Option<&'a str>,
    /// Other devices, phones and tablets; where this is left out, the switch on the screens says where, if at all.
    pub share: Option<&'a str>,
}

/// Where it is served, once it is.
#[derive(Clone, Default, Debug)]
pub struct Served {
    /// The screens for a browser of this machine.
    pub here: Option<String>,
    /// Others.
    pub share: Option<String>,
}

fn address(text: &str, field: &'static str) -> Result<SocketAddr, Error> {
    shop_network::listening(text).map_err(|e| e.at(field))
}

/// Serves until the process is asked to stop (SIGINT, SIGTERM). What is in work then is finished first; a second
/// request to stop ends without it. `on_ready` gets the addresses once the server answers there: with port 0, the
/// system chooses the port. Lines to other devices are kept open meanwhile.
///
/// # Errors
/// `BadInput` where an address is none or cannot be had, or `here` is open to other machines; `Fault` where the
/// system fails.
pub fn serve_blocking(door: Arc<Door>, at: At<'_>, on_ready: impl FnOnce(&Served)) -> Result<(), Error> {
    let here = at.here.map(|text| address(text, "listen")).transpose()?;
    let share = at.share.map(|text| address(text, "share")).transpose()?;
    if let Some(open) = here.filter(|a| !a.ip().is_loopback()) {
        return Err(Error::bad(say!("error-listen-loopback", address = open.to_string())).at("listen"));
    }
    let runtime = runtime()?;
    let served = runtime.block_on(serve(door, here, share, on_ready));
    // What is still in work after a second request to stop does not hold up the end: every write is one transaction.
    runtime.shutdown_background();
    served
}

fn runtime() -> Result<Runtime, Error> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(WORKERS)
        .enable_all()
        .build()
        .map_err(|e| failed(&e))
}

async fn listen(at: SocketAddr, field: &'static str) -> Result<(TcpListener, SocketAddr), Error> {
    let taken =
        |e: io::Error| Error::bad(say!("error-listen", address = at.to_string(), why = e.to_string())).at(field);
    let listener = TcpListener::bind(at).await.map_err(taken)?;
    let address = listener.local_addr().map_err(taken)?;
    Ok((listener, address))
}

/// Ends once the word to stop has been said.
async fn told(mut stop: watch::Receiver<bool>) {
    // An error: whoever would say it is gone.
    let _ = stop.wait_for(|stop| *stop).await;
}

async fn serve(
    door: Arc<Door>,
    here: Option<SocketAddr>,
    share: Option<SocketAddr>,
    on_ready: impl FnOnce(&Served),
) -> Result<(), Error> {
    let mut signals = Signals::new().map_err(|e| failed(&e))?;
    let (stop, stopped) = watch::channel(false);
    let mut served = Served::default();
    let mut servers = tokio::task::JoinSet::new();
    if let Some(at) = here {
        let (listener, address) = listen(at, "listen").await?;
        let (router, stopped) = (routes::router(door.clone()), stopped.clone());
        servers.spawn(async move { axum::serve(listener, router).with_graceful_shutdown(told(stopped)).await });
        served.here = Some(format!("http://{address}"));
    }
    let mut announced = None;
    let mut lines = None;
    let mut switch = None;
    match share {
        Some(at) => {
            let (address, serving) = shared(door.clone(), at, stopped.clone()).await?;
            servers.spawn(serving);
            announced = Announced::start(door.clone(), address);
            served.share = Some(format!("https://{address}"));
            lines = Some(Live::start(door.clone()));
        }
        None => switch = Some(Shared::start(door.clone())),
    }
    on_ready(&served);
    let ended = tokio::select! {
        ended = servers.join_next() => match ended {
            Some(Ok(Err(e))) => Err(failed(&e)),
            _ => Ok(()),
        },
        () = signals.next() => Ok(()),
    };
    door.end();
    let _ = stop.send(true);
    drop((announced, switch));
    tokio::select! {
        () = async { while servers.join_next().await.is_some() {} } => {}
        () = signals.next() => {}
    }
    if share.is_some() {
        shop_network::no_longer_serving(&door);
    }
    drop(lines);
    ended
}

/// Opens the port for others; gives where, and what serves there until it is told to stop.
async fn shared(
    door: Arc<Door>,
    at: SocketAddr,
    stop: watch::Receiver<bool>,
) -> Result<(SocketAddr, impl Future<Output = io::Result<()>> + Send + use<>), Error> {
    let (listener, address) = listen(at, "share").await?;
    let identity = shop_network::begin_serving(&door, address)?;
    let fault = |e: tokio_rustls::rustls::Error| Error::fault(say!("error-network-key", why = e.to_string()));
    let configs = network::Configs {
        devices: shop_network::tls::for_devices(&identity).map_err(fault)?,
        screens: shop_network::tls::for_screens(&identity).map_err(fault)?,
    };
    let secure = network::Secure::new(listener, configs).map_err(|e| failed(&e))?;
    Ok((address, network::serve(secure, paired::router(door), told(stop))))
}

/// A program's part in the shop's network: its lines to other devices, and its port for others while that is turned on
/// on its screens. It ends when this is dropped.
pub struct Shared {
    stop: Arc<AtomicBool>,
    watch: Option<JoinHandle<()>>,
    _lines: Live,
}

/// A port for others, while it is open.
struct Open {
    wanted: SocketAddr,
    stop: watch::Sender<bool>,
    _announced: Option<Announced>,
}

impl Open {
    fn begin(runtime: &Runtime, door: &Arc<Door>, wanted: SocketAddr) -> Result<Self, Error> {
        let (stop, stopped) = watch::channel(false);
        let (address, serving) = runtime.block_on(shared(door.clone(), wanted, stopped))?;
        runtime.spawn(serving);
        Ok(Self { wanted, stop, _announced: Announced::start(door.clone(), address) })
    }

    fn end(self, door: &Door) {
        let _ = self.stop.send(true);
        shop_network::no_longer_serving(door);
    }
}

impl Shared {
    /// Follows what is set up in the door's shop.
    pub fn start(door: Arc<Door>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let (ending, lines) = (stop.clone(), Live::start(door.clone()));
        let watch = thread::spawn(move || {
            let Ok(runtime) = runtime() else { return };
            let mut open: Option<Open> = None;
            let mut failed: Option<(SocketAddr, Instant)> = None;
            while !ending.load(Ordering::Relaxed) {
                let want = shop_network::wanted_at(&door);
                if open.as_ref().map(|open| open.wanted) != want
                    && let Some(open) = open.take()
                {
                    open.end(&door);
                    door.changed();
                }
                let waits = failed.is_some_and(|(at, when)| Some(at) == want && when.elapsed() < AGAIN);
                if let Some(want) = want.filter(|_| open.is_none() && !waits) {
                    match Open::begin(&runtime, &door, want) {
                        Ok(begun) => (open, failed) = (Some(begun), None),
                        // A port that is taken is tried again by and by; the screen says why nothing is served.
                        Err(e) => {
                            shop_network::cannot_serve(&door, &e);
                            failed = Some((want, Instant::now()));
                        }
                    }
                    door.changed();
                }
                thread::park_timeout(LOOK);
            }
            if let Some(open) = open {
                open.end(&door);
            }
            door.end();
            runtime.shutdown_background();
        });
        Self { stop, watch: Some(watch), _lines: lines }
    }
}

impl Drop for Shared {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(watch) = self.watch.take() {
            watch.thread().unpark();
            let _ = watch.join();
        }
    }
}

fn failed(error: &io::Error) -> Error {
    Error::fault(say!("error-serve", why = error.to_string()))
}

/// The system's requests to stop.
struct Signals {
    #[cfg(unix)]
    terminate: tokio::signal::unix::Signal,
}

impl Signals {
    fn new() -> io::Result<Self> {
        Ok(Self {
            #[cfg(unix)]
            terminate: tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())?,
        })
    }

    /// Waits for the next one.
    async fn next(&mut self) {
        #[cfg(unix)]
        tokio::select! {
            _ = tokio::signal::ctrl_c() => {}
            _ = self.terminate.recv() => {}
        }
        #[cfg(not(unix))]
        let _ = tokio::signal::ctrl_c().await;
    }
}
