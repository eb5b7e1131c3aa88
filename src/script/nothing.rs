//! What is said where a script keys nothing and no test call is asked for.

use super::aim::{NoWayBack, Way, has_failed, leads_on, no_way_back};
use super::card::WITHOUT_WAY_BACK;
use super::dead::calls_nobody;
use crate::drift::{Drift, StationDrift};
use crate::inventory::{Extent, Station};
use crate::ledger::Record;

/// In place of a card, a line a sentence.
pub fn nothing_text(station: &Station, record: &Record, drift: &StationDrift, way: Way) -> String {
    match way {
        Way::Back => nothing_to_go_back_to(station, record),
        Way::There => nothing_to_do(station, record, drift),
    }
}

fn nothing_to_do(station: &Station, record: &Record, drift: &StationDrift) -> String {
    let dead: String = calls_nobody(station, record).iter().map(|dead| dead.warning() + "\n").collect();
    let mut text = format!("{dead}Nothing needs keying at {}.\n", station.name);
    match drift.set_aside {
        Extent::Nothing => {}
        Extent::Settings => text.push_str("Some of its settings are set aside: see \"stationkeep aside\".\n"),
        Extent::Whole => text.push_str("It is set aside, out of service: see \"stationkeep aside\".\n"),
    }
    let overdue = drift.settings.iter().filter(|drifting| drifting.drift == Drift::Overdue);
    let overdue: Vec<&str> = overdue.map(|drifting| &*drifting.name).collect();
    if !overdue.is_empty() {
        text.push_str(&format!(
            "Confirmed too long ago: {}. To key them again: stationkeep script {} --renew\n",
            overdue.join(", "),
            station.name
        ));
    }
    text
}

fn nothing_to_go_back_to(station: &Station, record: &Record) -> String {
    let why = match no_way_back(station, record) {
        NoWayBack::HoldsWhatWorked => "The station holds what last worked.",
        NoWayBack::HoldsWhatItHeld => "The station holds what it held before its last card.",
        NoWayBack::AllFailed => "A test call failed with all that the station held before.",
        NoWayBack::NobodyKnows => "No report says what the station held before.",
    };
    let advice = match (has_failed(station, record), leads_on(station, record)) {
        (false, _) => String::new(),
        (true, true) => format!("Key the card to what is wanted: stationkeep script {}\n", station.name),
        (true, false) => format!("{WITHOUT_WAY_BACK}\n"),
    };
    format!("There is nothing to go back to at {}.\n{why}\n{advice}", station.name)
}
