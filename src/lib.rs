//! stationkeep keeps a fleet of emergency call stations programmed as their owners want them.
//!
//! The order of the modules is the order of the layers: each uses only those named before it. First the pure
//! core (no files, clock, chance, async, SQL, HTTP), then the edges (one outside thing each), then the program.

// It watches over calls for help, so it does not end itself. `unreachable!` may be, with its reason.
#![warn(clippy::exit, clippy::expect_used, clippy::panic, clippy::unwrap_used)]

pub mod finding;
pub mod setting;
pub mod yaml;
pub mod table;
pub mod keybook;
pub mod inventory;
pub mod ledger;
pub mod effective;
pub mod drift;
pub mod brake;
pub mod script;
pub mod preview;
pub mod alert;
pub mod schema;
pub mod guide;
pub mod outset;

pub mod files;
pub mod git;
pub mod store;
pub mod webhook;
pub mod fleet;
pub mod web;

pub mod config;
pub mod daemon;
pub mod cli;
