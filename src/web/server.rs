//! Listens on one loopback address and serves the routes. Slow clients, huge headers and crowds cost a bounded number of
//! connections for a bounded time; they never hold up a pass, which knows nothing of them.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use thiserror::Error;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};
use tokio_util::sync::{CancellationToken, DropGuard};

use super::routes::routes;
use super::status::Status;

/// Connections served at once; more wait until one ends.
const MOST_CONNECTIONS: usize = 64;

/// The head of a request must come in this time; an idle connection ends after it.
const HEAD_TIME: Duration = Duration::from_secs(5);

/// And be no longer than this, in bytes.
const HEAD_ROOM: usize = 16 * 1024;

/// No connection lives longer, whatever its client does.
const LIFE: Duration = Duration::from_secs(60);

/// After a connection could not be accepted (no file descriptor left).
const PAUSE: Duration = Duration::from_millis(200);

/// Why an address cannot be listened on.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Error)]
pub enum ListenError {
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
}

/// A server that listens; it stops when dropped.
#[derive(Debug)]
pub struct Server {
    asked: SocketAddr,
    address: SocketAddr,
    _stop: DropGuard,
}

impl Server {
    /// Listens on an address and serves a status there. Port 0 takes any that is free.
    ///
    /// # Errors
    /// The address cannot be listened on.
    pub async fn start(asked: SocketAddr, status: Arc<Status>) -> Result<Server, ListenError> {
        let listener = TcpListener::bind(asked).await.map_err(|source| ListenError::new(asked, source))?;
        let address = listener.local_addr().map_err(|source| ListenError::new(asked, source))?;
        let stop = CancellationToken::new();
        tokio::spawn(accept(listener, routes(status), stop.clone()));
        Ok(Server { asked, address, _stop: stop.drop_guard() })
    }

    /// The address that was asked for.
    pub fn asked(&self) -> SocketAddr {
        self.asked
    }

    /// The address that is listened on, with its real port.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

async fn accept(listener: TcpListener, routes: Router, stop: CancellationToken) {
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let next = async {
            // The semaphore is never closed.
            let place = room.clone().acquire_owned().await.ok();
            (place, listener.accept().await)
        };
        let (place, accepted) = tokio::select! {
            () = stop.cancelled() => return,
            next = next => next,
        };
        match accepted {
            Ok((stream, _)) => {
                let (routes, stop) = (routes.clone(), stop.clone());
                tokio::spawn(async move {
                    tokio::select! {
                        () = stop.cancelled() => {}
                        // How a connection ends changes nothing.
                        _ = timeout(LIFE, serve(stream, routes)) => {}
                    }
                    drop(place);
                });
            }
            Err(error) => {
                tracing::warn!(%error, "a connection could not be accepted");
                sleep(PAUSE).await;
            }
        }
    }
}

async fn serve(stream: TcpStream, routes: Router) {
    let service = TowerToHyperService::new(routes);
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
