//! An inventory drafted from the rows of a sheet. Rows that hold the same share a profile, so that an edit is one line. The
//! draft is read by the rules of every inventory; what they find is told at the cell that it comes from.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::sync::Arc;

use super::frame::{Answers, CONFIG, FIRST_KEYBOOK, INVENTORY, NewFile, example_code, frame, quoted};
use super::rows::{REQUIRED, RowsReader, StationRow};
use crate::finding::{Finding, Place, as_name, plural, settle};
use crate::inventory::{self, Column, Columns, Keybooks, Strangers};
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Codes, Kind, Weight};
use crate::table::Table;

/// In how many settings a station may differ from a profile that it is given all the same.
const NEAR: usize = 2;

/// An inventory made from a sheet.
#[derive(Debug)]
pub struct Draft {
    /// The text of its file.
    pub text: String,
    /// What was guessed, a line each.
    pub guesses: Vec<String>,
    /// What is wrong with rows; they are not in it.
    pub findings: Vec<Finding>,
    /// Rows that were left out, each with something among the findings.
    pub left_out: usize,
    /// Stations that are in it.
    pub stations: usize,
}

/// Drafts an inventory of the rows that nothing is wrong with.
///
/// # Errors
/// What is wrong with the sheet as a whole, or with the draft beside its rows.
pub fn draft(table: &Table, keybooks: &Keybooks, answers: &Answers) -> Result<Draft, Vec<Finding>> {
    let columns = Columns::read(table, keybooks, &REQUIRED, Strangers::Named)?;
    // Rows by the lines in which they begin, wherever in a row something is wrong.
    let (mut without, mut findings) = (BTreeSet::new(), Vec::new());
    // Every turn leaves out a row more, or is the last.
    loop {
        let mut reader = RowsReader::new(table, &columns, keybooks, &answers.country);
        let rows = reader.rows(&without);
        findings.append(&mut reader.findings);
        let written = Writer::new(table, answers).inventory(&rows, keybooks, &columns);
        let wrong = if rows.is_empty() { Vec::new() } else { written.wrong(keybooks) };
        let begins = |one: &Finding| Some(table.row_at(one.place.line)).filter(|_| one.place.file == *table.file());
        let of_rows: BTreeSet<u32> = wrong.iter().filter_map(begins).collect();
        let is_done = of_rows.is_subset(&without);
        if is_done && !wrong.is_empty() {
            return Err(wrong);
        }
        without.extend(findings.iter().filter_map(begins).chain(of_rows));
        findings.extend(wrong);
        if is_done {
            settle(&mut findings);
            let guesses = guesses(&rows, &written, &columns, answers);
            return Ok(Draft { text: written.text, guesses, left_out: without.len(), findings, stations: rows.len() });
        }
    }
}

/// An installation with a drafted inventory, and with keybooks by the names of their files; with none, the first keybook and its code.
pub fn drafted(answers: &Answers, draft: &Draft, keybooks: &[(String, String)]) -> Vec<NewFile> {
    let mut files = frame(answers);
    files.push(NewFile::plain(INVENTORY, draft.text.clone()));
    let own = keybooks.iter().map(|(name, text)| NewFile::plain(format!("{CONFIG}keybooks/{name}"), text.clone()));
    files.extend(own);
    if keybooks.is_empty() {
        files.push(NewFile::plain(format!("{CONFIG}keybooks/heron-1.yaml"), FIRST_KEYBOOK));
        files.push(example_code());
    }
    files
}

fn guesses(rows: &[StationRow<'_>], written: &Writer<'_>, columns: &Columns, answers: &Answers) -> Vec<String> {
    let sites: BTreeSet<&str> = rows.iter().map(|row| &*row.site).collect();
    let mut out = vec![format!("{}, {}", plural(sites.len() as u64, "site"), plural(rows.len() as u64, "station"))];
    out.extend(written.profiles.iter().map(Profile::said));
    let count = |near: bool| written.apart.iter().filter(|apart| **apart == near).count();
    let near = count(true);
    if near > 0 {
        out.push(format!("{} from a profile in one or two settings", differ(near)));
    }
    let own = count(false);
    if own > 0 {
        out.push(format!("{} no profile: what they hold is written at each", with(own)));
    }
    let national = rows.iter().filter(|row| row.was_national).count();
    if national > 0 {
        let are = if national == 1 { "is" } else { "are" };
        out.push(format!("{} {are} read as dialled inside {}", plural(national as u64, "number"), answers.country.id));
    }
    let profile = columns.all.contains(&Column::Profile).then_some("profile");
    let unread: Vec<&str> = columns.unknown.iter().map(|name| &**name).chain(profile).collect();
    if !unread.is_empty() {
        let names: Vec<String> = unread.iter().map(|name| format!("\"{name}\"")).collect();
        out.push(format!("columns that are not read: {}", names.join(", ")));
    }
    out
}

fn differ(count: usize) -> String {
    if count == 1 { "1 station differs".into() } else { format!("{count} stations differ") }
}

fn with(count: usize) -> String {
    if count == 1 { "1 station has".into() } else { format!("{count} stations have") }
}

/// What stations hold that do not locate them.
type Shared = BTreeMap<SettingId, String>;

/// Settings that rows share.
#[derive(Debug)]
struct Profile {
    name: String,
    keybook: Arc<Keybook>,
    values: Shared,
    stations: usize,
    /// The first row that holds them, by its place among the rows.
    first: usize,
}

impl Profile {
    fn said(&self) -> String {
        let each = self.values.iter().map(|(id, value)| format!("{} {value}", self.keybook.setting(*id).name));
        let held: Vec<String> = each.collect();
        format!("profile {}: {}: {}", self.name, plural(self.stations as u64, "station"), held.join(", "))
    }

    /// In which settings a row differs from it.
    fn apart(&self, row: &StationRow<'_>) -> Option<BTreeSet<SettingId>> {
        let shared = shared(row);
        let ids: BTreeSet<SettingId> = self.values.keys().chain(shared.keys()).copied().collect();
        let apart = ids.into_iter().filter(|id| self.values.get(id) != shared.get(id)).collect();
        (self.keybook.model == row.keybook.model).then_some(apart)
    }
}

fn shared(row: &StationRow<'_>) -> Shared {
    let is_shared = |id: &SettingId| row.keybook.setting(*id).weight != Weight::Locating;
    row.values.iter().filter(|(id, _)| is_shared(id)).map(|(id, value)| (*id, value.clone())).collect()
}

/// Groups of rows that hold the same, the largest first.
fn profiles(rows: &[StationRow<'_>]) -> Vec<Profile> {
    let mut groups: BTreeMap<(&str, Shared), Vec<usize>> = BTreeMap::new();
    for (at, row) in rows.iter().enumerate() {
        groups.entry((&*row.keybook.model, shared(row))).or_default().push(at);
    }
    let mut all: Vec<((&str, Shared), Vec<usize>)> =
        groups.into_iter().filter(|((_, values), rows)| rows.len() > 1 && !values.is_empty()).collect();
    all.sort_by_key(|(_, rows)| (std::cmp::Reverse(rows.len()), rows[0]));
    let named = all.into_iter().enumerate().map(|(nth, ((model, values), group))| Profile {
        name: format!("{model}-group-{}", nth + 1),
        keybook: rows[group[0]].keybook.clone(),
        values,
        stations: group.len(),
        first: group[0],
    });
    named.collect()
}

/// Writes an inventory line by line, with the cell that each line comes from.
struct Writer<'t> {
    table: &'t Table,
    answers: &'t Answers,
    text: String,
    origins: Vec<Option<Place>>,
    profiles: Vec<Profile>,
    /// Of each station that holds something else than its profile: whether it has one.
    apart: Vec<bool>,
}

impl<'t> Writer<'t> {
    fn new(table: &'t Table, answers: &'t Answers) -> Writer<'t> {
        Writer { table, answers, text: String::new(), origins: Vec::new(), profiles: Vec::new(), apart: Vec::new() }
    }

    fn line(&mut self, line: &str, origin: Option<Place>) {
        let _ = writeln!(self.text, "{line}");
        self.origins.push(origin);
    }

    fn inventory(mut self, rows: &[StationRow<'_>], keybooks: &Keybooks, columns: &Columns) -> Writer<'t> {
        self.profiles = profiles(rows);
        let head = include_str!("skeleton/from-sheet.yaml").replace("FLEET", &quoted(&self.answers.fleet));
        head.lines().for_each(|line| self.line(line, None));
        self.codes(keybooks, columns);
        self.write_profiles(rows);
        self.line("sites:", None);
        let mut sites: BTreeMap<&str, Vec<&StationRow<'_>>> = BTreeMap::new();
        for row in rows {
            sites.entry(&row.site).or_default().push(row);
        }
        for (site, rows) in sites {
            let first = rows[0];
            self.line(&format!("  {}:", as_name(site)), self.place(first, &Column::Site));
            let line = self.line_of(first);
            self.line(&format!("    line: {line}"), self.line_place(first));
            self.line("    stations:", None);
            rows.iter().for_each(|row| self.station(row, &line));
        }
        self
    }

    /// The references of codes that the sheet has no column for.
    fn codes(&mut self, keybooks: &Keybooks, columns: &Columns) {
        let settings = keybooks.values().flat_map(|keybook| &keybook.settings);
        let secrets = settings.filter(|setting| matches!(setting.kind, Kind::Secret { .. }));
        let missing = secrets
            .map(|setting| &setting.name)
            .filter(|name| !columns.all.contains(&Column::Setting((*name).clone())));
        let missing: BTreeSet<_> = missing.collect();
        if missing.is_empty() {
            return;
        }
        self.line("settings:", None);
        for name in missing {
            let reference = quoted(&format!("file:secrets/{name}"));
            self.line(&format!("  {}: {{secret: {reference}}}", as_name(name)), None);
        }
        self.line("", None);
    }

    fn write_profiles(&mut self, rows: &[StationRow<'_>]) {
        if self.profiles.is_empty() {
            return;
        }
        self.line("profiles:", None);
        for profile in std::mem::take(&mut self.profiles) {
            let first = &rows[profile.first];
            self.line(&format!("  {}:", as_name(&profile.name)), self.place(first, &Column::Station));
            self.line(&format!("    model: {}", as_name(&profile.keybook.model)), self.place(first, &Column::Model));
            self.line("    settings:", None);
            self.settings("      ", first, &profile.values, &profile.keybook);
            self.profiles.push(profile);
        }
        self.line("", None);
    }

    fn settings(&mut self, indent: &str, row: &StationRow<'_>, values: &Shared, keybook: &Keybook) {
        for (id, value) in values {
            let name = &keybook.setting(*id).name;
            let origin = self.place(row, &Column::Setting(name.clone()));
            self.line(&format!("{indent}{}: {value}", as_name(name)), origin);
        }
    }

    fn station(&mut self, row: &StationRow<'_>, line_of_site: &str) {
        self.line(&format!("      {}:", as_name(&row.name)), self.place(row, &Column::Station));
        self.line(&format!("        number: {}", quoted(&row.number.to_string())), self.place(row, &Column::Number));
        if let Some(place) = row.cells.get(&Column::Where) {
            let text: String =
                place.text.trim().chars().map(|sign| if sign.is_control() { ' ' } else { sign }).collect();
            self.line(&format!("        where: {}", quoted(&text)), Some(self.table.place(place)));
        }
        let line = self.line_of(row);
        if line != line_of_site {
            self.line(&format!("        line: {line}"), self.line_place(row));
        }
        let near = self.profiles.iter().filter_map(|profile| Some((profile.apart(row)?, profile)));
        let near =
            near.min_by_key(|(apart, profile)| (apart.len(), profile.first)).filter(|(apart, _)| apart.len() <= NEAR);
        let near = near.map(|(apart, profile)| (apart, profile.name.clone()));
        let mut own = row.values.clone();
        match near {
            Some((apart, name)) => {
                self.line(&format!("        profiles: [{}]", as_name(&name)), self.place(row, &Column::Model));
                own.retain(|id, _| apart.contains(id) || row.keybook.setting(*id).weight == Weight::Locating);
                // What the profile says and the row does not is not managed here.
                own.extend(apart.iter().filter(|id| !row.values.contains_key(id)).map(|id| (*id, "null".to_owned())));
                self.apart.extend((!apart.is_empty()).then_some(true));
            }
            None => {
                self.line(&format!("        model: {}", as_name(&row.keybook.model)), self.place(row, &Column::Model));
                self.apart.extend((!shared(row).is_empty()).then_some(false));
            }
        }
        if let (Some((id, value)), 1) = (own.first_key_value(), own.len()) {
            let name = &row.keybook.setting(*id).name;
            let line = format!("        settings: {{{}: {value}}}", as_name(name));
            self.line(&line, self.place(row, &Column::Setting(name.clone())));
        } else if !own.is_empty() {
            self.line("        settings:", None);
            self.settings("          ", row, &own, &row.keybook.clone());
        }
    }

    fn line_of(&self, row: &StationRow<'_>) -> String {
        let cell = |column: &Column| row.cells.get(column).map(|cell| quoted(cell.text.trim()));
        let kind = cell(&Column::Line).unwrap_or_else(|| "direct".into());
        let country = cell(&Column::Country).unwrap_or_else(|| self.answers.country.id.to_string());
        let outside = cell(&Column::Outside).map(|outside| format!(", outside: {outside}")).unwrap_or_default();
        format!("{{kind: {kind}, country: {country}{outside}}}")
    }

    fn line_place(&self, row: &StationRow<'_>) -> Option<Place> {
        let all = [Column::Line, Column::Country, Column::Outside, Column::Station];
        all.iter().find_map(|column| self.place(row, column).filter(|_| row.cells.contains_key(column)))
    }

    /// The cell of a row, or the row's station.
    fn place(&self, row: &StationRow<'_>, column: &Column) -> Option<Place> {
        row.cells.get(column).or_else(|| row.cells.get(&Column::Station)).map(|cell| self.table.place(cell))
    }

    /// What the rules of an inventory have against it, at the cells that it comes from.
    fn wrong(&self, keybooks: &Keybooks) -> Vec<Finding> {
        let (raw, mut findings) = inventory::read(&INVENTORY.into(), self.text.as_bytes());
        if !findings.iter().any(Finding::is_error) {
            findings.extend(inventory::resolve(&[Arc::new(raw)], keybooks, &Codes::default()).1);
        }
        let origin = |place: &Place| {
            let line = (place.line.max(1) - 1) as usize;
            Some(&*place.file).filter(|file| **file == *INVENTORY).and_then(|_| self.origins.get(line)?.clone())
        };
        let moved = findings.into_iter().filter(Finding::is_error).map(|mut finding| {
            finding.place = origin(&finding.place).unwrap_or(finding.place);
            finding.replacement = None;
            for (place, _) in &mut finding.related {
                *place = origin(place).unwrap_or_else(|| place.clone());
            }
            finding
        });
        let mut moved: Vec<Finding> = moved.collect();
        settle(&mut moved);
        moved
    }
}
