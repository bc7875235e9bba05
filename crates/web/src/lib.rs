//! The same door over HTTP, and the screens.
//!
//! One route for the door (`POST /door`, JSON in and out), one for the screens. The server listens on this
//! machine only, answers only pages that it served itself, and asks nothing of any other machine.

mod guard;
mod routes;
mod screens;

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;

use sheetloft_shop::door::Door;
use sheetloft_shop::error::Error;
use sheetloft_shop::say;
use tokio::net::TcpListener;
use tokio::sync::oneshot;

pub use screens::has_screens;

/// Actions that may be in work at once; further ones wait their turn.
const WORKERS: usize = 32;

/// Serves the door and the screens at `listen` until the process is asked to stop (SIGINT, SIGTERM). What is in
/// work then is finished first; a second request to stop ends without it. `on_ready` gets the address once the
/// server answers there: with port 0, the system chooses the port.
///
/// # Errors
/// `BadInput` where `listen` is not an address of this machine alone or cannot be had, `Fault` where the system
/// fails.
pub fn serve_blocking(door: Arc<Door>, listen: &str, on_ready: impl FnOnce(&str)) -> Result<(), Error> {
    let wrong = |say| Error::bad(say).at("listen");
    let address: SocketAddr = listen.trim().parse().map_err(|_| wrong(say!("error-listen-address", text = listen)))?;
    if !address.ip().is_loopback() {
        return Err(wrong(say!("error-listen-loopback", address = listen)));
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(WORKERS)
        .enable_all()
        .build()
        .map_err(|e| failed(&e))?;
    let served = runtime.block_on(serve(door, address, on_ready));
    // What is still in work after a second request to stop does not hold up the end: every write is one transaction.
    runtime.shutdown_background();
    served
}

async fn serve(door: Arc<Door>, listen: SocketAddr, on_ready: impl FnOnce(&str)) -> Result<(), Error> {
    let taken =
        |e: io::Error| Error::bad(say!("error-listen", address = listen.to_string(), why = e.to_string())).at("listen");
    let mut signals = Signals::new().map_err(|e| failed(&e))?;
    let listener = TcpListener::bind(listen).await.map_err(taken)?;
    let address = listener.local_addr().map_err(taken)?;
    let (stop, stopped) = oneshot::channel::<()>();
    let server = axum::serve(listener, routes::router(door)).with_graceful_shutdown(async {
        // Only ever dropped: that is the word to stop.
        let _ = stopped.await;
    });
    on_ready(&format!("http://{address}"));
    tokio::select! {
        ended = async { server.await } => ended.map_err(|e| failed(&e)),
        () = async {
            signals.next().await;
            drop(stop);
            signals.next().await;
        } => Ok(()),
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
