//! The shop's network: one port over TLS for other devices, which show a certificate, and for browsers, which do not.
//!
//! What a connection is for is seen from its first message (the protocol that it names), before anything is answered;
//! devices and browsers then have routes of their own.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use sheetloft_shop::network::{Print, tls};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, mpsc};
use tokio_rustls::LazyConfigAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::server::Acceptor;
use tokio_rustls::server::TlsStream;

/// Connections that may be in the middle of saying who they are.
const HANDSHAKES: usize = 64;
/// How long that may take.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// Who is at the other end.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Other {
    /// The certificate that it showed, if it is a device.
    pub device: Option<Print>,
}

/// Both ways of speaking, with the one key.
#[derive(Clone)]
pub(crate) struct Configs {
    pub devices: Arc<ServerConfig>,
    pub screens: Arc<ServerConfig>,
}

/// A listener that gives connections once they have said who they are.
pub(crate) struct Secure {
    ready: mpsc::Receiver<(TlsStream<TcpStream>, SocketAddr)>,
    address: SocketAddr,
}

impl Secure {
    /// Takes connections of `listener`, each handshake by itself, so that a slow one holds up nobody.
    pub fn new(listener: TcpListener, configs: Configs) -> io::Result<Self> {
        let address = listener.local_addr()?;
        let (give, ready) = mpsc::channel(HANDSHAKES);
        let room = Arc::new(Semaphore::new(HANDSHAKES));
        tokio::spawn(async move {
            loop {
                let Ok(permit) = room.clone().acquire_owned().await else { return };
                let (tcp, from) = match listener.accept().await {
                    Ok(accepted) => accepted,
                    // Too many files open, or a caller that hung up: wait a little, go on.
                    Err(_) => {
                        tokio::time::sleep(Duration::from_millis(50)).await;
                        continue;
                    }
                };
                if give.is_closed() {
                    return;
                }
                let (give, configs) = (give.clone(), configs.clone());
                tokio::spawn(async move {
                    let shaken = tokio::time::timeout(HANDSHAKE, shake(tcp, &configs)).await;
                    drop(permit);
                    if let Ok(Ok(stream)) = shaken {
                        let _ = give.send((stream, from)).await;
                    }
                });
            }
        });
        Ok(Self { ready, address })
    }
}

async fn shake(tcp: TcpStream, configs: &Configs) -> io::Result<TlsStream<TcpStream>> {
    let _ = tcp.set_nodelay(true);
    let start = LazyConfigAcceptor::new(Acceptor::default(), tcp).await?;
    let is_device = start.client_hello().alpn().is_some_and(|mut names| names.any(|name| name == tls::PROTOCOL));
    start.into_stream(if is_device { configs.devices.clone() } else { configs.screens.clone() }).await
}

impl Listener for Secure {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        match self.ready.recv().await {
            Some(next) => next,
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.address)
    }
}

impl Connected<IncomingStream<'_, Secure>> for Other {
    fn connect_info(stream: IncomingStream<'_, Secure>) -> Self {
        let shown = stream.io().get_ref().1.peer_certificates().and_then(|chain| chain.first());
        Self { device: shown.map(|certificate| Print::of(certificate)) }
    }
}

/// Serves a router to whoever calls on `listener`, until `stop`.
pub(crate) async fn serve(
    listener: Secure,
    router: Router,
    stop: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    axum::serve(listener, router.into_make_service_with_connect_info::<Other>()).with_graceful_shutdown(stop).await
}
