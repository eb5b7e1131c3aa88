//! The JSON Schema of each kind of file (draft 2020-12), for editors and for the tables of the guide; and that of alerts, for
//! those who read them by program.

mod own;

use std::fmt;

pub use own::{Names, own};

/// A kind of file that people write, or an alert.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Kind {
    /// What every station should hold.
    Inventory,
    /// What one model stores and which keys store it.
    Keybook,
    /// What was keyed, heard, found, left and tested.
    Report,
    /// Where everything lies, and whom to alert.
    Config,
    /// What a webhook gets.
    Alert,
}

impl Kind {
    /// Every kind of file; an alert is none.
    pub const ALL: [Kind; 4] = [Kind::Inventory, Kind::Keybook, Kind::Report, Kind::Config];

    /// The schema as it is kept beside the sample fleet.
    pub fn text(self) -> &'static str {
        match self {
            Kind::Inventory => include_str!("inventory.json"),
            Kind::Keybook => include_str!("keybook.json"),
            Kind::Report => include_str!("report.json"),
            Kind::Config => include_str!("config.json"),
            Kind::Alert => include_str!("alert.json"),
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Kind::Inventory => "inventory",
            Kind::Keybook => "keybook",
            Kind::Report => "report",
            Kind::Config => "config",
            Kind::Alert => "alert",
        })
    }
}
