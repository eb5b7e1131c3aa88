//! What a script is asked for: one station, all that is known and wanted of it, and who its buttons call.

use std::collections::BTreeMap;

use crate::drift::StationDrift;
use crate::inventory::{Contact, Station};
use crate::ledger::Record;
use crate::setting::{Codes, Name};

/// One station, at one moment.
#[derive(Clone, Copy)]
pub struct Request<'a> {
    /// What is wanted of it.
    pub station: &'a Station,
    /// What it is known to hold.
    pub record: &'a Record,
    /// How it is: which settings are overdue, which buttons are to be tested.
    pub drift: &'a StationDrift,
    /// Everybody that a button of the fleet may call.
    pub contacts: &'a BTreeMap<Name, Contact>,
    /// The codes that its keys may need.
    pub codes: &'a Codes,
}
