//! A script laid out in the format that was asked for.

use uuid::Uuid;

use super::context::Context;
use super::format::ScriptFormat;
use crate::inventory::Station;
use crate::script::card::{self, Card};
use crate::script::{self, Script};
use crate::setting::Codes;
use crate::web;

/// A script in a format.
pub fn shown(script: &Script, station: &Station, context: &Context, codes: &Codes, format: ScriptFormat) -> String {
    let card = || {
        let commit = context.view.reading.commit.as_deref();
        Card::of(script, station, codes, commit, Uuid::now_v7()).rehearsed(context.rehearsal)
    };
    match format {
        ScriptFormat::Keys => {
            warn(&card());
            card::keys(script, codes)
        }
        ScriptFormat::Json => format!(
            "{:#}
",
            context.with_commit(script::rehearsed(script::json(script, station, codes), context.rehearsal))
        ),
        ScriptFormat::Html => web::card_page(&card(), context.view.good_since(), None, web::Leads::Nowhere),
        ScriptFormat::Card => card::text(&card()),
    }
}

/// What bare keys would keep to themselves goes to standard error.
fn warn(card: &Card) {
    if let Some(rehearsal) = card.rehearsal {
        eprintln!("stationkeep: {}: {rehearsal}", card.station);
    }
    for text in card.lead.iter().chain(&card.notes) {
        eprintln!("stationkeep: {}: {text}", card.station);
    }
    if card.calls.is_empty() {
        eprintln!("stationkeep: {}: Nothing needs keying. Only a test call is asked for.", card.station);
    }
}
