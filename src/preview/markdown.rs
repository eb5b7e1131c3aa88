//! A change as a comment in a review shows it: tables, the most urgent first, the rest folded.
//!
//! Markdown is rendered by a forge, and names, notes and values come from files: they stand in code spans or fences alone, where
//! nothing in them is markup, a link or a mention (CommonMark 0.31.2, 6.1 and 4.5; tables by the GFM specification 0.29, 4.10).

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::groups::{Heading, Ring, elsewheres, facts, let_go, lifelines, rings};
use super::show::{LET_GO, NAMED, diff_text, keying_sentence, keys_text, stations_sentence};
use super::{FactPreview, KeybookPreview, Preview, SettingPreview, WeightPreview};
use crate::drift::value_text;
use crate::finding::{as_name, plural};
use crate::inventory::Wanted;
use crate::setting::Name;

/// The most rows of a table; the rest are counted.
const ROWS: usize = 20;

/// A text as a code span, also within a table.
pub fn literal(text: &str) -> String {
    let is_plain = |sign: char| !sign.is_control() && !"`|\\".contains(sign);
    if !text.is_empty() && text.trim() == text && text.chars().all(is_plain) {
        return format!("`{text}`");
    }
    // What a code span cannot hold, or a table would take for the end of a cell, is spelt out.
    let spelt = |sign: char| match sign {
        sign if sign.is_alphanumeric() || " -,+".contains(sign) => sign.to_string(),
        sign if sign.is_control() => " ".into(),
        sign => format!("&#{};", sign as u32),
    };
    format!("<code>{}</code>", text.chars().map(spelt).collect::<String>())
}

/// A text as a block that ends at its own fence and nowhere before.
pub fn fenced(language: &str, text: &str) -> String {
    let longest = text.split(|sign| sign != '`').map(str::len).max().unwrap_or(0);
    let fence = "`".repeat(longest.max(2) + 1);
    let end = if text.is_empty() || text.ends_with('\n') { "" } else { "\n" };
    format!("{fence}{language}\n{text}{end}{fence}\n")
}

/// The worst of it in one line, without a full stop; nothing where no station changes.
pub fn headline(change: &Preview) -> Option<String> {
    let stations = |count: usize| plural(count as u64, "station");
    let unwatched = change.stations.iter().filter(|station| {
        let gone = |lifeline: &super::LifelinePreview| lifeline.was == super::Watch::Watched;
        station.lifelines.iter().any(|lifeline| gone(lifeline) && lifeline.becomes != super::Watch::Watched)
    });
    let stations_of =
        |rings: Vec<Ring<'_>>| rings.iter().flat_map(|ring| ring.stations.clone()).collect::<BTreeSet<_>>().len();
    let (called, let_go) = (stations_of(rings(change)), stations_of(let_go(change)));
    Some(match (unwatched.count(), change.stuck.len(), called) {
        _ if change.is_empty() => return None,
        (0, 0, _) if let_go > 0 => format!("at {} a setting of a button would no longer be managed", stations(let_go)),
        (0, 0, 0) => stations_sentence(change),
        (0, 0, count) => format!("at {} a button would call another number", stations(count)),
        (0, count, _) => format!("no script could be written for {}", stations(count)),
        (count, _, _) => format!("at {} a button would no longer be watched", stations(count)),
    })
}

/// The change: what a press of a button would do, what technicians will have to key, what else becomes of stations; every setting
/// of it is folded. `before` says what is compared with, `brake` what would be held, in Markdown.
pub fn tables(change: &Preview, before: &str, brake: &str) -> String {
    if change.is_empty() {
        let mut out = "The same is wanted at every station.\n".into();
        apart(&mut out, change);
        return out;
    }
    let mut out = format!("{}.\n", stations_sentence(change));
    lifeline_table(&mut out, change);
    stuck(&mut out, change);
    unmanaged_table(&mut out, change);
    ring_table(&mut out, change);
    let _ = writeln!(out, "\n**Technicians.** {}", keying_sentence(change, &literal(before)));
    if !brake.is_empty() {
        let _ = writeln!(out, "\n**Brake.** {brake}");
    }
    weights(&mut out, change);
    stations(&mut out, change);
    fact_table(&mut out, change);
    apart(&mut out, change);
    let diff = diff_text(change, before, "here");
    if !diff.is_empty() {
        let fenced = fenced("diff", &diff);
        let _ = write!(out, "\n<details><summary>Every setting that changes</summary>\n\n{fenced}\n</details>\n");
    }
    out
}

/// What is not of stations alone.
fn apart(out: &mut String, change: &Preview) {
    if let Some((was, name)) = &change.fleet {
        let _ = writeln!(out, "\nThe fleet is called {} instead of {}, in alerts too.", literal(name), literal(was));
    }
    for (model, KeybookPreview { stations, keys, weights, diff }) in &change.keybooks {
        let count = plural(*stations as u64, "station");
        if !keys.is_empty() {
            let keys: Vec<String> = keys.iter().map(|keys| keys_text(keys, literal)).collect();
            let _ = writeln!(
                out,
                "\n**Keys that change** in keybook {} ({count}): {}. Key one station and listen before you commit.",
                literal(model),
                keys.join("; ")
            );
        }
        for WeightPreview { setting, from, to } in weights {
            let (setting, model) = (literal(setting), literal(model));
            let _ = writeln!(out, "\nThe weight of {setting} in keybook {model} becomes {to}, was {from} ({count}).");
        }
        let _ = writeln!(out, "\n**Keybook.** {} changes, at {count}. Hold it against the manual:", literal(model));
        let _ = write!(out, "\n{}", fenced("diff", diff));
    }
}

fn fact_table(out: &mut String, change: &Preview) {
    let shown = |text: &str| if text.is_empty() { "nothing".to_owned() } else { literal(text) };
    let groups = facts(change);
    let row = |(FactPreview { what, from, to }, stations): (&&FactPreview, &Vec<&Name>)| {
        vec![literal(what), shown(from), shown(to), counted(stations)]
    };
    let rows: Vec<Vec<String>> = groups.iter().map(row).collect();
    table(out, "What else is said of stations", &["key", "was", "becomes", "stations"], &rows);
}

/// Names, the first of them spelt out.
fn named<'n>(names: impl IntoIterator<Item = &'n Name>) -> String {
    let names: Vec<String> = names.into_iter().map(|name| literal(name)).collect();
    let rest = names.len().saturating_sub(NAMED);
    let shown = names[..names.len() - rest].join(", ");
    if rest == 0 { shown } else { format!("{shown} and {rest} more") }
}

fn spelt(wanted: Option<&Wanted>) -> String {
    match wanted {
        None => "nothing (left alone)".into(),
        Some(Wanted { value, contact: Some(contact), .. }) => {
            format!("{} ({})", literal(contact), literal(&value_text(value)))
        }
        Some(Wanted { value, contact: None, .. }) => literal(&value_text(value)),
    }
}

/// A table with its heading, of at most so many rows; nothing where there are none.
fn table(out: &mut String, title: &str, head: &[&str], rows: &[Vec<String>]) {
    if rows.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n**{title}**\n\n| {} |\n|{}", head.join(" | "), "---|".repeat(head.len()));
    for row in rows.iter().take(ROWS) {
        let _ = writeln!(out, "| {} |", row.join(" | "));
    }
    if rows.len() > ROWS {
        let _ = writeln!(out, "\nThere are {} more rows; `--format json` has all.", rows.len() - ROWS);
    }
}

fn counted(stations: &[&Name]) -> String {
    format!("{}: {}", stations.len(), named(stations.iter().copied()))
}

fn unmanaged_table(out: &mut String, change: &Preview) {
    let row = |Ring { setting: SettingPreview { name, from, .. }, stations }: &Ring<'_>| {
        vec![literal(name), spelt(from.as_deref()), counted(stations)]
    };
    let rows: Vec<Vec<String>> = let_go(change).iter().map(row).collect();
    table(out, LET_GO, &["setting", "was", "stations"], &rows);
}

fn ring_table(out: &mut String, change: &Preview) {
    let row = |Ring { setting, stations }: &Ring<'_>| {
        let SettingPreview { name, from, to, .. } = setting;
        vec![literal(name), spelt(from.as_deref()), spelt(to.as_deref()), counted(stations)]
    };
    // What most stations share is what the edit is about.
    let mut groups = rings(change);
    groups.sort_by_key(|ring| std::cmp::Reverse(ring.stations.len()));
    let rows: Vec<Vec<String>> = groups.iter().map(row).collect();
    table(out, "Buttons that would call another number", &["setting", "was", "becomes", "stations"], &rows);
}

fn lifeline_table(out: &mut String, change: &Preview) {
    let groups = lifelines(change);
    for heading in [Heading::NoLonger, Heading::Newly, Heading::Otherwise, Heading::StillNot] {
        let of = groups.iter().filter(|((other, ..), _)| *other == heading);
        let rows: Vec<Vec<String>> =
            of.map(|((_, name, why), stations)| vec![literal(name), why.clone(), counted(stations)]).collect();
        table(out, heading.as_str(), &["lifeline", "why", "stations"], &rows);
    }
}

fn stuck(out: &mut String, change: &Preview) {
    let rows: Vec<Vec<String>> =
        change.stuck.iter().map(|(station, why)| vec![literal(station), literal(&why.to_string())]).collect();
    table(out, "No script could be written", &["station", "why"], &rows);
}

fn weights(out: &mut String, change: &Preview) {
    let counts = change.counts();
    let row = |(weight, (stations, settings)): (&crate::setting::Weight, &(u64, u64))| {
        vec![weight.to_string(), settings.to_string(), stations.to_string()]
    };
    let rows: Vec<Vec<String>> = counts.iter().rev().map(row).collect();
    table(
        out,
        "Settings by what they mean for a person pressing the button",
        &["weight", "settings", "stations"],
        &rows,
    );
}

/// What becomes of stations as a whole.
fn stations(out: &mut String, change: &Preview) {
    let mut lines: Vec<String> = Vec::new();
    for (was, name) in &change.renamed {
        lines.push(format!(
            "{} has the number that {} had, and has no record under its new name. If it is the same station, write {} in it.",
            literal(name),
            literal(was),
            literal(&format!("formerly: {}", as_name(was)))
        ));
    }
    for (one, other) in &change.swapped {
        lines.push(format!(
            "{} and {} swap their numbers. Both become untested: ring each and ask which station answers.",
            literal(one),
            literal(other)
        ));
    }
    for (said, stations) in elsewheres(change, literal) {
        lines.push(match &stations[..] {
            [one] => format!("{} {said}.", literal(one)),
            several => {
                format!("{}: each {said}: {}.", plural(several.len() as u64, "station"), named(several.iter().copied()))
            }
        });
    }
    let new: Vec<&Name> = change.stations.iter().filter(|s| s.was.is_none()).map(|s| &s.station.name).collect();
    if !new.is_empty() {
        lines.push(format!("New: {}.", named(new)));
    }
    if !change.gone.is_empty() {
        lines.push(format!("Gone, to be reported as withdrawn, their records kept: {}.", named(&change.gone)));
    }
    if !lines.is_empty() {
        out.push_str("\n**Stations**\n\n");
    }
    for line in lines.iter().take(ROWS) {
        let _ = writeln!(out, "- {line}");
    }
    if lines.len() > ROWS {
        let _ = writeln!(out, "- and {} more; `--format json` has all", lines.len() - ROWS);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use pulldown_cmark::{Event, Options, Parser, Tag, TagEnd};

    /// The cells of the only row below the head of a table, as text; and whether all of it stood in code.
    fn cells(markdown: &str) -> (Vec<String>, bool) {
        let options = Options::ENABLE_TABLES | Options::ENABLE_GFM | Options::ENABLE_STRIKETHROUGH;
        let (mut cells, mut only_code, mut in_code, mut rows) = (Vec::new(), true, false, 0);
        for event in Parser::new_ext(markdown, options) {
            match event {
                Event::Start(Tag::TableRow) => rows += 1,
                Event::Start(Tag::TableCell) if rows > 0 => cells.push(String::new()),
                Event::Code(text) if rows > 0 => *cells.last_mut().unwrap() += &text,
                Event::InlineHtml(tag) if rows > 0 => match &*tag {
                    "<code>" if !in_code => in_code = true,
                    "</code>" if in_code => in_code = false,
                    _ => only_code = false,
                },
                Event::Text(text) if rows > 0 => {
                    only_code &= in_code;
                    *cells.last_mut().unwrap() += &text;
                }
                Event::End(TagEnd::TableRow | TagEnd::TableCell) => {}
                _ if rows > 0 && !matches!(event, Event::End(TagEnd::Table)) => only_code = false,
                _ => {}
            }
        }
        assert_eq!(rows, 1, "{markdown}");
        (cells, only_code)
    }

    fn stays_text(text: &str) {
        let (first, second) = (literal(text), literal("x"));
        let (cells, only_code) = cells(&format!("| a | b |\n|---|---|\n| {first} | {second} |\n"));
        assert!(only_code, "{text:?} {first}");
        let shown: String = text.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).collect();
        // A parser takes spaces at the ends of a line and runs of them for what they look like.
        let plain = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!((plain(&cells[0]), cells[1].as_str()), (plain(&shown), "x"), "{first}");
    }

    #[test]
    fn what_looks_like_markup_is_shown_as_it_is_written() {
        for text in [
            "<img src=x onerror=alert(1)>",
            "[press here](https://bad.example)",
            "![x](https://bad.example/x.png)",
            "`code` and ``more``",
            "a|b \\| c \\\\",
            "@everyone #12 !3",
            "https://bad.example www.bad.example a@bad.example",
            "**bold** ~~gone~~ <!-- gone -->",
            "&lt;b&gt; &#64;",
            "</code><b>",
            "two\nlines\r\n# heading",
            "```",
            "`",
            " ends with spaces ",
            "",
            "\u{202e}EQ-01",
        ] {
            stays_text(text);
        }
    }

    proptest! {
        #[test]
        fn any_text_stays_text_in_its_cell(text in "[a-z`|\\\\<>&\\[\\]()*_~#@! \\n\"'{}$:/.ü-]{0,24}") {
            stays_text(&text);
        }

        #[test]
        fn a_fence_ends_where_it_should(text in "[a`~ \\n<-]{0,40}") {
            let fenced = format!("{}after\n", fenced("text", &text));
            let mut held = String::new();
            let mut outside = String::new();
            let mut within = false;
            for event in Parser::new(&fenced) {
                match event {
                    Event::Start(Tag::CodeBlock(_)) => within = true,
                    Event::End(TagEnd::CodeBlock) => within = false,
                    Event::Text(text) if within => held += &text,
                    Event::Text(text) => outside += &text,
                    _ => {}
                }
            }
            prop_assert_eq!(outside, "after");
            prop_assert_eq!(held.trim_end_matches('\n'), text.trim_end_matches('\n'));
        }
    }
}
