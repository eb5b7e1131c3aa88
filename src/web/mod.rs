//! What the program shows over HTTP: to probes and gatherers of metrics what it says of itself (`/healthz`, `/readyz`,
//! `/metrics`), to people the card of a script (`/card/{digest}?station=NAME`)
//! and the guide (`/guide`).
//!
//! It shows what the program last put on its [`Status`] and asks the store; a card is made from a look of its own
//! ([`Cards`]), so that it is the script of that moment. It never makes a pass and never holds one up; of everything here
//! only a card shows access codes, and only to whom [`Access`] or a signed link lets see it. However many clients hang, each
//! holds one of a bounded number of connections for a bounded time, and makes room for whoever comes.

mod access;
mod api;
mod catalogue;
mod guide_page;
mod host;
mod status;
mod card_page;
mod cards;
mod crowd;
mod link;
mod metrics;
mod outcome;
mod page;
mod problem;
mod probe;
mod routes;
mod server;
mod start;
mod style;
mod visit;

pub use access::{Access, Role, Token};
pub use api::addresses;
pub use card_page::{HandOn, Leads, card_page, nothing_page};
pub use cards::{Cards, Outside};
pub use catalogue::METRICS;
pub use host::is_loopback;
pub use server::Server;
pub use status::{Clocks, Health, PassStatus, Status};
