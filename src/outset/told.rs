//! What was guessed where stations or sites are nearly alike: it is shown before anything is written, since the same cell says what a
//! station holds and what is wanted of it from then on, so that a wrong number in it would never be drift.

use std::collections::{BTreeMap, BTreeSet};

use super::profiles::{NEAR, Profile};
use super::rows::StationRow;
use crate::finding::plural;
use crate::inventory::{Column, read_number};
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Kind, Weight};

/// So many stations or sites are named; the rest are counted.
const MOST: usize = 40;
/// So many names stand in one line.
const NAMED: usize = 6;

/// The lines of all that is nearly alike.
pub(super) fn nearly_alike(rows: &[StationRow<'_>], profiles: &[Profile]) -> Vec<String> {
    let mut out = Vec::from_iter(sites(rows));
    out.extend(look_alikes("sites", rows.iter().map(|row| &*row.site)));
    out.extend(look_alikes("stations", rows.iter().map(|row| &*row.name)));
    out.extend(lines(rows));
    out.extend(prefixed(rows));
    out.extend(capped(small_profiles(rows, profiles)));
    out.extend(capped(single_stations(rows, profiles)));
    out
}

fn capped(mut lines: Vec<String>) -> Vec<String> {
    let more = lines.len().saturating_sub(MOST);
    lines.truncate(MOST);
    lines.extend((more > 0).then(|| format!("and {more} more like that")));
    lines
}

fn sites(rows: &[StationRow<'_>]) -> Option<String> {
    let mut sites: BTreeMap<&str, usize> = BTreeMap::new();
    rows.iter().for_each(|row| *sites.entry(&row.site).or_default() += 1);
    let shown: Vec<String> = sites.iter().take(MOST).map(|(site, count)| format!("{site} ({count})")).collect();
    let more = if sites.len() > MOST { format!(" and {} more", sites.len() - MOST) } else { String::new() };
    (sites.len() > 1).then(|| format!("stations at each site: {}{more}", shown.join(", ")))
}

/// Names that differ in upper and lower case, spaces, hyphens or leading zeros only.
fn look_alikes<'n>(what: &str, names: impl Iterator<Item = &'n str>) -> Vec<String> {
    let mut alike: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
    for name in names {
        alike.entry(bare(name)).or_default().insert(name);
    }
    let groups = alike.into_values().filter(|names| names.len() > 1);
    let line = |names: BTreeSet<&str>| {
        let names: Vec<String> = names.into_iter().map(|name| format!("\"{name}\"")).collect();
        format!("WARNING: {what} that differ in case, spaces, hyphens or zeros only: {}", names.join(", "))
    };
    capped(groups.map(line).collect())
}

fn bare(name: &str) -> String {
    let mut out = String::new();
    for sign in name.chars().filter(|sign| sign.is_alphanumeric()) {
        if sign == '0' && !out.ends_with(|last: char| last.is_ascii_digit()) {
            continue;
        }
        out.extend(sign.to_lowercase());
    }
    out
}

/// Which stations have a line that no cell tells of.
fn lines(rows: &[StationRow<'_>]) -> Option<String> {
    let tells = |row: &&StationRow<'_>| row.cells.contains_key(&Column::Line);
    let told: BTreeSet<&str> = rows.iter().filter(tells).map(|row| &*row.site).collect();
    let (sites, direct): (Vec<_>, Vec<_>) =
        rows.iter().filter(|row| !tells(row)).partition(|row| told.contains(&*row.site));
    let said = match (direct.len(), sites.len()) {
        (0, 0) => return None,
        (all, 0) if all == rows.len() => {
            "line: direct at every station, because the sheet has no column \"line\"".to_owned()
        }
        (0, _) => format!("line: as the rest of the site at {}, whose cell is empty", named(&sites)),
        (_, 0) => format!("line: direct at {}, whose cell is empty", named(&direct)),
        (_, _) => format!(
            "line: direct at {}, and as the rest of the site at {}, whose cells are empty",
            named(&direct),
            named(&sites)
        ),
    };
    Some(said)
}

fn named(rows: &[&StationRow<'_>]) -> String {
    let names: Vec<&str> = rows.iter().take(NAMED).map(|row| &*row.name).collect();
    let more = if rows.len() > NAMED { format!(" and {} more", rows.len() - NAMED) } else { String::new() };
    format!("{}{more}", names.join(", "))
}

/// Stored numbers that are whole only behind one more digit: what is dialled to get a line out of an exchange.
fn prefixed(rows: &[StationRow<'_>]) -> Vec<String> {
    let mut found: BTreeMap<(String, char), Vec<&StationRow<'_>>> = BTreeMap::new();
    for row in rows.iter().filter(|row| !row.cells.contains_key(&Column::Outside)) {
        let dials = row.values.keys().map(|id| row.keybook.setting(*id));
        for setting in dials.filter(|setting| matches!(setting.kind, Kind::Dial { .. })) {
            let Some(cell) = row.cells.get(&Column::Setting(setting.name.clone())) else { continue };
            let text = cell.text.trim();
            let mut signs = text.chars();
            let Some(first) = signs.next().filter(char::is_ascii_digit) else { continue };
            let is_whole = |text: &str| matches!(read_number(text, Some(&row.country)), Ok((_, true)));
            if !is_whole(text) && is_whole(signs.as_str().trim_start_matches(',')) {
                found.entry((setting.name.to_string(), first)).or_default().push(row);
            }
        }
    }
    let line = |((name, first), rows): ((String, char), Vec<&StationRow<'_>>)| {
        format!(
            "{name} begins with \"{first}\" before a whole number at {}: if they dial it to get an outside line, add the columns \
             \"line\" (pbx) and \"outside\" ({first})",
            named(&rows)
        )
    };
    found.into_iter().map(line).collect()
}

/// What decides whether a button calls someone.
fn critical<'s>(keybook: &'s Keybook, ids: &'s BTreeSet<SettingId>) -> impl Iterator<Item = SettingId> + 's {
    ids.iter().copied().filter(|id| keybook.setting(*id).weight == Weight::Lifeline)
}

fn shown(value: Option<&String>) -> String {
    value.map_or_else(|| "nothing".into(), String::clone)
}

/// Profiles of a few stations that are nearly one of many.
fn small_profiles(rows: &[StationRow<'_>], profiles: &[Profile]) -> Vec<String> {
    let mut out = Vec::new();
    for (nth, small) in profiles.iter().enumerate() {
        let first = &rows[small.first];
        let larger = profiles[..nth].iter().filter(|large| large.stations > small.stations);
        let near = larger.filter_map(|large| Some((large.apart(first)?, large)));
        let Some((apart, large)) = near.min_by_key(|(apart, _)| apart.len()).filter(|(apart, _)| apart.len() <= NEAR)
        else {
            continue;
        };
        let own: Vec<&StationRow<'_>> =
            rows.iter().filter(|row| small.apart(row).is_some_and(|apart| apart.is_empty())).collect();
        for id in critical(&small.keybook, &apart) {
            out.push(format!(
                "WARNING: {} of {}: {} {}, the {} of {} {}: {}",
                plural(small.stations as u64, "station"),
                small.name,
                small.keybook.setting(id).name,
                shown(small.values.get(&id)),
                large.stations,
                large.name,
                shown(large.values.get(&id)),
                named(&own)
            ));
        }
    }
    out
}

/// Stations that are nearly a profile, and not in what decides whether a button calls someone.
fn single_stations(rows: &[StationRow<'_>], profiles: &[Profile]) -> Vec<String> {
    let mut out = Vec::new();
    for row in rows {
        let near = profiles.iter().filter_map(|profile| Some((profile.apart(row)?, profile)));
        let Some((apart, profile)) = near.min_by_key(|(apart, profile)| (apart.len(), profile.first)) else { continue };
        if apart.len() > NEAR {
            continue;
        }
        let line = row.cells.get(&Column::Station).map(|cell| cell.line).unwrap_or_default();
        for id in critical(&row.keybook, &apart) {
            out.push(format!(
                "WARNING: {} (line {line}): {} {}, the {} of {} {}",
                row.name,
                row.keybook.setting(id).name,
                shown(row.values.get(&id)),
                profile.stations,
                profile.name,
                shown(profile.values.get(&id))
            ));
        }
    }
    out
}
