//! Listens on one loopback address and serves the routes. Slow clients, huge headers and crowds cost a bounded number of
//! connections for a bounded time, and keep no probe out; they never hold up a pass, which knows nothing of them. An address
//! that cannot be listened on is tried again until it can.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use thiserror::Error;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::time::{sleep, timeout};
use tokio_util::sync::{CancellationToken, DropGuard};

use super::crowd::{Crowd, Place};
use super::routes::routes;
use super::status::Status;

/// Connections open at once, few enough for the usual limit of 1,024 open files.
const MOST_CONNECTIONS: usize = 256;

/// The head of a request must come in this time; an idle connection ends after it.
const HEAD_TIME: Duration = Duration::from_secs(5);

/// And be no longer than this, in bytes.
const HEAD_ROOM: usize = 16 * 1024;

/// No connection lives longer, whatever its client does.
const LIFE: Duration = Duration::from_secs(60);

/// After a connection could not be accepted (no file descriptor left).
const PAUSE: Duration = Duration::from_millis(20);

/// Between two tries to listen.
const RETRY: Duration = Duration::from_secs(5);

/// Why an address cannot be listened on.
#[derive(Debug, Error)]
enum ListenError {
    #[error(
        "cannot listen on {address}: another program does. Stop it, or write another port at \"listen\" in the \
         configuration (port 0 takes any that is free)"
    )]
    Taken { address: SocketAddr, source: io::Error },
    #[error("cannot listen on {address}; write another address at \"listen\" in the configuration")]
    Denied { address: SocketAddr, source: io::Error },
}

impl ListenError {
    fn new(address: SocketAddr, source: io::Error) -> ListenError {
        if source.kind() == io::ErrorKind::AddrInUse {
            ListenError::Taken { address, source }
        } else {
            ListenError::Denied { address, source }
        }
    }

    /// In a few words.
    fn reason(&self) -> Arc<str> {
        match self {
            ListenError::Taken { .. } => "another program listens there".into(),
            ListenError::Denied { source, .. } => format!("the system does not let it listen ({source})").into(),
        }
    }
}

/// Where a server listens, or why it cannot.
pub type Listening = Result<SocketAddr, Arc<str>>;

/// A server that listens, or tries to; it stops when dropped.
#[derive(Debug)]
pub struct Server {
    asked: SocketAddr,
    listening: watch::Receiver<Listening>,
    _stop: DropGuard,
}

impl Server {
    /// Listens on an address and serves a status there. Port 0 takes any that is free. Where it cannot listen, it says so
    /// and tries again every few seconds; `before` listens until then.
    pub async fn start(asked: SocketAddr, status: Arc<Status>, before: Option<Server>) -> Server {
        let stop = CancellationToken::new();
        let first = listen(asked).await;
        let now = first.as_ref().map(|(_, address)| *address).map_err(ListenError::reason);
        let (bound, listening) = watch::channel(now);
        let serving = {
            let stop = stop.clone();
            async move {
                let (listener, address) = match first {
                    Ok(listener) => listener,
                    Err(error) => listen_at_last(asked, &error).await,
                };
                bound.send_modify(|listening| *listening = Ok(address));
                tracing::info!(%address, "listening");
                drop(before);
                accept(listener, routes(status), stop).await;
            }
        };
        let stopped = stop.clone();
        tokio::spawn(async move { stopped.run_until_cancelled(serving).await });
        Server { asked, listening, _stop: stop.drop_guard() }
    }

    /// The address that was asked for.
    pub fn asked(&self) -> SocketAddr {
        self.asked
    }

    /// The address that is listened on, with its real port; nothing while it cannot be.
    pub fn address(&self) -> Option<SocketAddr> {
        self.listening.borrow().clone().ok()
    }

    /// Where it listens, or why it cannot, now and whenever that changes.
    pub fn listening(&self) -> watch::Receiver<Listening> {
        self.listening.clone()
    }
}

async fn listen(asked: SocketAddr) -> Result<(TcpListener, SocketAddr), ListenError> {
    let listener = TcpListener::bind(asked).await.map_err(|source| ListenError::new(asked, source))?;
    let address = listener.local_addr().map_err(|source| ListenError::new(asked, source))?;
    Ok((listener, address))
}

/// Tries until it can; the first failure is said.
async fn listen_at_last(asked: SocketAddr, error: &ListenError) -> (TcpListener, SocketAddr) {
    tracing::error!(
        retry_s = RETRY.as_secs(),
        "the pages and probes cannot be reached, the fleet is watched all the same: {error}"
    );
    loop {
        sleep(RETRY).await;
        match listen(asked).await {
            Ok(listener) => return listener,
            Err(error) => tracing::debug!(%error, "still not listening"),
        }
    }
}

async fn accept(listener: TcpListener, routes: Router, stop: CancellationToken) {
    let crowd = Crowd::new(MOST_CONNECTIONS);
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                let (routes, stop, place) = (routes.clone(), stop.clone(), crowd.enter());
                tokio::spawn(async move {
                    tokio::select! {
                        () = stop.cancelled() => {}
                        () = place.let_go() => {}
                        // How a connection ends changes nothing.
                        _ = timeout(LIFE, serve(stream, routes, &place)) => {}
                    }
                });
            }
            Err(error) => {
                tracing::warn!(%error, "a connection could not be accepted");
                crowd.make_room();
                sleep(PAUSE).await;
            }
        }
    }
}

async fn serve(stream: TcpStream, routes: Router, place: &Arc<Place>) {
    let inner = TowerToHyperService::new(routes);
    let service = service_fn(|request: Request<Incoming>| {
        let (serving, answer) = (place.serve(), inner.call(request));
        async move {
            let answer = answer.await;
            drop(serving);
            answer
        }
    });
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIME)
        .max_buf_size(HEAD_ROOM)
        .serve_connection(TokioIo::new(stream), service)
        .await;
    if let Err(error) = served {
        tracing::debug!(%error, "a connection ended badly");
    }
}
