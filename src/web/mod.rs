//! What the program says of itself over HTTP, to probes and to whoever gathers metrics: `/healthz`, `/readyz`, `/metrics`.
//! It shows what the program last put on its [`Board`] and asks the store; it never makes a pass, changes anything, or
//! shows a secret. However many clients hang, each holds one of a bounded number of connections for a bounded time.

mod board;
mod metrics;
mod problem;
mod probe;
mod routes;
mod server;

pub use board::{Board, Clocks, Health, View};
pub use server::{ListenError, Server};
