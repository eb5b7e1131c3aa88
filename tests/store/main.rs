//! The store on real databases: SQLite in a temporary folder, and PostgreSQL on the server of `STATIONKEEP_TEST_POSTGRES`,
//! a server on which databases may be made. Each test has a database of its own.

mod folds;
mod good;
mod intake;
mod ledger;
mod opening;
mod outbox;
mod passes;
mod place;
mod processes;
mod stopped;
mod tampering;
