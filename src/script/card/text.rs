//! A card as text for 80 columns, and its keys alone.

use std::fmt::Write as _;

use textwrap::{Options, fill};

use super::contents::{Card, CardCall, CardLine, Label};
use crate::ledger::CARD_END;
use crate::script::delta::{Call, Script};
use crate::setting::Codes;

const WIDTH: usize = 80;

const RULE: &str = "--------------------------------------------------------------------------------";

/// The card as text.
pub fn text(card: &Card) -> String {
    let mut out = String::new();
    card.rehearsal.iter().for_each(|rehearsal| paragraph(&mut out, rehearsal));
    paragraph(&mut out, format!("{}  {}", card.station, card.location).trim_end());
    if let Some(back) = card.back {
        paragraph(&mut out, &format!("THE WAY BACK: {back}"));
    }
    card.lead.iter().for_each(|text| paragraph(&mut out, text));
    if card.way_back.is_some() {
        paragraph(&mut out, &format!("The way back: stationkeep script {} --back", card.station));
    }
    paragraph(&mut out, &format!("script {}, model: {}", card.digest, card.model));
    card.facts.iter().for_each(|fact| paragraph(&mut out, fact));
    section(&mut out, "BEFORE YOU RING");
    card.cautions.iter().for_each(|caution| bullet(&mut out, caution));
    card.notes.iter().for_each(|note| bullet(&mut out, &format!("NOTE: {note}")));
    for (nth, call) in card.calls.iter().enumerate() {
        section(&mut out, &card.call_title(nth).to_uppercase());
        call_text(&mut out, call, &card.number_read);
    }
    if !card.tests.is_empty() {
        section(&mut out, "TEST");
        card.tests.iter().for_each(|test| bullet(&mut out, test));
    }
    section(&mut out, CARD_END);
    paragraph(&mut out, &format!("{}\n", card.how_to_report));
    out.push_str(&card.report);
    out
}

fn section(out: &mut String, title: &str) {
    let _ = writeln!(out, "\n{title} {}", &RULE[..WIDTH.saturating_sub(title.len() + 1)]);
}

fn paragraph(out: &mut String, text: &str) {
    let _ = writeln!(out, "{}", fill(text, WIDTH));
}

fn bullet(out: &mut String, text: &str) {
    let options = Options::new(WIDTH).initial_indent("  * ").subsequent_indent("    ");
    let _ = writeln!(out, "{}", fill(text, options));
}

/// Below the keys of a step.
fn inset(out: &mut String, text: &str) {
    let options = Options::new(WIDTH).initial_indent("        ").subsequent_indent("        ");
    let _ = writeln!(out, "{}", fill(text, options));
}

fn call_text(out: &mut String, call: &CardCall, number: &str) {
    paragraph(out, &format!("Ring {number}. {}", call.answers));
    paragraph(out, &format!("Accepted is {}.", call.accepted));
    paragraph(out, &format!("Refused is {}.", call.refused));
    paragraph(out, &call.limits);
    call.tight.iter().for_each(|tight| paragraph(out, tight));
    out.push('\n');
    call.lines.iter().for_each(|one| line(out, one));
    if let Some(end) = call.end {
        let _ = writeln!(out, "  {end}");
    }
}

/// One thing to key: what it is called, its keys in groups, what it does, what to listen for, what to know.
fn line(out: &mut String, line: &CardLine) {
    let label = match line.label {
        Label::Open => "open".into(),
        Label::Step(number) => number.to_string(),
        Label::Close => "close".into(),
    };
    let options = Options::new(WIDTH).initial_indent("").subsequent_indent("        ");
    line.warns.iter().for_each(|warns| inset(out, warns));
    let _ = writeln!(out, "{}", fill(&format!("{label:>5}   {}", line.keys.join(" ")), options));
    inset(out, &line.what);
    for code in 1..=line.tries {
        let code = if line.tries > 1 { format!("code {code}:   ") } else { String::new() };
        let _ = writeln!(out, "        {code}[ ] accepted   [ ] refused   [ ] nothing");
    }
    if let Some(bare) = &line.bare {
        inset(out, &format!("! {bare}"));
    }
    if let Some(fails) = &line.fails {
        inset(out, &format!("! {fails}"));
    }
    if let Some(remarks) = &line.remarks {
        inset(out, remarks);
    }
    if let Some(note) = &line.note {
        inset(out, note);
    }
}

/// The keys alone: a line for each opening, command and closing, an empty line between calls.
pub fn keys(script: &Script, codes: &Codes) -> String {
    let call = |call: &Call| {
        let steps = call.steps.iter().map(|step| &step.keys);
        let pressed = [&call.open].into_iter().chain(steps).chain(&call.close);
        pressed.map(|keys| keys.reveal(codes) + "\n").collect::<String>()
    };
    script.calls.iter().map(call).collect::<Vec<_>>().join("\n")
}
