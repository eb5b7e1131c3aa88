//! A fleet on one page: how many stations are how, site by site, the most urgent ones, and what it takes to put all of it right.
//! At most 40 lines of 80 columns, however large the fleet is.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use jiff::Timestamp;
use serde_json::{Value as Json, json};

use super::rows::Row;
use super::view::View;
use crate::brake::Held;
use crate::drift::{Standing, Totals};
use crate::finding::{Paint, minute, plural};
use crate::inventory::Extent;
use crate::script::{Due, Errand, Laid, Memory, Work, WorkList};
use crate::setting::{Name, Weight};

/// The columns of a page.
const WIDTH: usize = 80;
/// The most sites that are listed, and the most urgent stations.
const SITES: usize = 14;
const URGENT: usize = 10;
/// How much of a site's name the table has room for.
const SITE: usize = 20;

/// How each standing is shown: its character in the picture, the head and width of its column, its colour on a terminal.
const SHOWN: [(Standing, char, &str, usize, &str); 7] = [
    (Standing::OutOfService, 'X', "out", 5, "31"),
    (Standing::Adrift, '!', "adrift", 7, "33"),
    (Standing::InDoubt, '?', "doubt", 6, "33"),
    (Standing::Unproven, '-', "unproven", 9, "35"),
    (Standing::Untested, 't', "untested", 9, "36"),
    (Standing::Overdue, 'o', "overdue", 8, "36"),
    (Standing::Aligned, '=', "aligned", 8, "32"),
];
/// The character of a station of which nothing is compared, or only what is set aside is not as wanted.
const ASIDE: char = '_';

/// Some stations of a fleet, counted.
#[derive(Debug)]
pub struct Summary {
    fleet: Name,
    at: Timestamp,
    totals: Totals,
    sites: BTreeMap<Name, Totals>,
    list: WorkList,
    tests: usize,
    held: Option<Held>,
}

impl View {
    /// Counts some stations, and works out what they need. Nothing is issued. `progress` hears of each station.
    pub fn summary(&self, rows: &[&Row], progress: impl FnMut()) -> Summary {
        let mut by_site: BTreeMap<Name, Vec<&Row>> = BTreeMap::new();
        for row in rows {
            by_site.entry(row.station.site.clone()).or_default().push(row);
        }
        let counted = |rows: &[&Row]| Totals::of(rows.iter().map(|row| &*row.drift));
        let (list, _) = self.work_list(rows, &mut Memory::for_a_fleet(), progress);
        let tests = list.errands().iter().map(Errand::test_calls).sum();
        Summary {
            fleet: self.effective.fleet.clone(),
            at: self.at,
            totals: counted(rows),
            sites: by_site.into_iter().map(|(site, rows)| (site, counted(&rows))).collect(),
            list,
            tests,
            held: self.held(),
        }
    }
}

impl Summary {
    /// Whether every station is as wanted.
    pub fn is_aligned(&self) -> bool {
        self.totals.is_aligned()
    }

    /// The page for people; on a terminal the picture has colours beside its characters.
    pub fn text(&self, paint: Paint) -> String {
        let mut out = String::new();
        let fleet = if self.fleet.is_empty() { String::new() } else { format!("{}, ", self.fleet) };
        line(&mut out, &format!("{fleet}{}: {}.", minute(self.at), self.totals.counted()));
        out += &self.picture(paint);
        out.push('\n');
        self.sites(&mut out);
        if let Some(urgent) = self.urgent() {
            out += "\nMost urgent\n";
            out += &urgent;
        }
        out += "\nTo put it right\n";
        self.to_do().iter().for_each(|one| line(&mut out, &format!("  {one}")));
        out
    }

    /// A character a station, the worst first; of a large fleet each stands for several, and no standing is left out.
    fn picture(&self, paint: Paint) -> String {
        let aside =
            self.totals.all().saturating_sub(SHOWN.iter().map(|(standing, ..)| self.totals.get(*standing)).sum());
        let room = WIDTH - 2;
        let each = self.totals.all().div_ceil(2 * room - SHOWN.len() - 1).max(1);
        let parts = SHOWN.iter().map(|(standing, sign, _, _, colour)| (*sign, self.totals.get(*standing), *colour));
        let signs: Vec<(char, &str)> = parts
            .chain([(ASIDE, aside, "90")])
            .flat_map(|(sign, count, colour)| std::iter::repeat_n((sign, colour), count.div_ceil(each)))
            .collect();
        let mut out = String::new();
        for row in signs.chunks(room) {
            out.push_str("  ");
            for same in row.chunk_by(|one, other| one == other) {
                let text: String = same.iter().map(|(sign, _)| *sign).collect();
                match paint {
                    Paint::Plain => out += &text,
                    Paint::Colour => out += &format!("\x1b[{}m{text}\x1b[0m", same[0].1),
                }
            }
            out.push('\n');
        }
        if each > 1 {
            let _ = writeln!(out, "  Each character is up to {each} stations.");
        }
        out
    }

    fn sites(&self, out: &mut String) {
        let head = |cell: fn(&(Standing, char, &str, usize, &str)) -> String| -> String {
            SHOWN.iter().map(|one| format!("{:>width$}", cell(one), width = one.3)).collect()
        };
        let _ = writeln!(out, "{:SITE$}{:>7}{}", "Site", "all", head(|one| one.2.to_owned()));
        let _ = writeln!(out, "{:SITE$}{:>7}{}", "", "", head(|one| one.1.to_string()));
        let mut sites: Vec<(&Name, &Totals)> = self.sites.iter().collect();
        // Those with the most that is worst come first: what is left out is the least urgent.
        sites.sort_by_key(|(_, totals)| std::cmp::Reverse(SHOWN.map(|(standing, ..)| totals.get(standing))));
        let row = |name: &str, totals: &Totals| {
            let counts = SHOWN.iter().map(|(standing, _, _, width, _)| match totals.get(*standing) {
                0 => format!("{:>width$}", "."),
                count => format!("{count:>width$}"),
            });
            format!("{:SITE$}{:>7}{}", clip(name, SITE - 1), totals.all(), counts.collect::<String>())
        };
        let shown = if sites.len() > SITES { SITES - 1 } else { sites.len() };
        sites[..shown].iter().for_each(|(site, totals)| line(out, &row(site, totals)));
        if sites.len() > shown {
            // At least two, for there are more than are shown of those there is room for.
            line(out, &format!("and {} more sites", sites.len() - shown));
        }
        if sites.len() > 1 {
            line(out, &row("all", &self.totals));
        }
        if self.totals.set_aside() > 0 {
            let verb = if self.totals.set_aside() == 1 { "is" } else { "are" };
            line(out, &format!("{} of them {verb} set aside, in whole or in part ({ASIDE}).", self.totals.set_aside()));
        }
    }

    fn most_urgent(&self) -> &[Errand] {
        let all = self.list.errands();
        &all[..all.len().min(URGENT)]
    }

    fn urgent(&self) -> Option<String> {
        let widest = |text: fn(&Errand) -> &str, most: usize| {
            self.most_urgent().iter().map(|errand| text(errand).chars().count()).max().map(|widest| widest.min(most))
        };
        let (name, site) = (widest(|errand| &errand.station.name, 12)?, widest(|errand| &errand.station.site, 16)?);
        let mut out = String::new();
        for errand in self.most_urgent() {
            let (station, at) = (clip(&errand.station.name, name), clip(&errand.station.site, site));
            let standing = errand.drift.standing.as_str();
            line(&mut out, &format!("  {station:name$}  {at:site$}  {standing:14}  {}", meaning(errand)));
        }
        let more = self.list.errands().len() - self.most_urgent().len();
        if more > 0 {
            line(&mut out, &format!("  and {more} more: \"stationkeep script --all{}\" lists them", self.of_site()));
        }
        Some(out)
    }

    /// What a command needs that is about the same stations: all of one site. A name that has no room stays with its reader.
    fn of_site(&self) -> String {
        let is_plain = |sign: char| sign.is_alphanumeric() || "_-./".contains(sign);
        match self.sites.keys().next().filter(|_| self.sites.len() == 1) {
            Some(site) if site.chars().count() > 16 || site.contains('\'') => " --site SITE".into(),
            Some(site) if site.chars().all(is_plain) => format!(" --site {site}"),
            Some(site) => format!(" --site '{site}'"),
            None => String::new(),
        }
    }

    fn to_do(&self) -> Vec<String> {
        let work = self.list.work();
        let keying = (work.stations > 0).then(|| {
            format!(
                "{} to key: {}, {}, about {} min of calls",
                plural(work.stations, "station"),
                plural(work.calls, "call"),
                plural(work.presses, "key"),
                work.minutes()
            )
        });
        let tests = (self.tests > 0).then(|| format!("{} to make", plural(self.tests as u64, "test call")));
        let some =
            |count: usize, what: &str, why: &str| (count > 0).then(|| format!("{} {why}", plural(count as u64, what)));
        let release = self.held.as_ref().map(|held| held.change.list()).unwrap_or_default();
        let held = some(self.list.held().count(), "script", &format!("held: \"{release}\" lists why"));
        let stuck =
            some(self.list.stuck().count(), "station", "without a script: \"stationkeep script STATION\" says why");
        let all: Vec<String> = [keying, tests, held, stuck].into_iter().flatten().collect();
        if all.is_empty() { vec!["nothing: no station needs anyone".into()] } else { all }
    }

    /// The same for programs.
    pub fn json(&self) -> Json {
        let Work { stations, calls, presses, .. } = self.list.work();
        let sites = self.sites.iter().map(|(site, totals)| {
            json!({ "site": &**site, "stations": totals.all(), "totals": totals.json(), "set_aside": totals.set_aside_json() })
        });
        let urgent = self.most_urgent().iter().map(|errand| {
            json!({
                "station": &*errand.station.name,
                "site": &*errand.station.site,
                "standing": errand.drift.standing.as_str(),
                "weight": errand.drift.weight.map(Weight::as_str),
                "notes": errand.mind(),
                "task": errand.task(),
            })
        });
        json!({
            "fleet": &*self.fleet,
            "at": self.at.to_string(),
            "stations": self.totals.all(),
            "totals": self.totals.json(),
            "set_aside": self.totals.set_aside_json(),
            "sites": sites.collect::<Vec<_>>(),
            "urgent": urgent.collect::<Vec<_>>(),
            "work": {
                "stations": stations,
                "calls": calls,
                "presses": presses,
                "minutes": self.list.work().minutes(),
                "tests": self.tests,
                "held": self.list.held().count(),
                "change": self.held.as_ref().map(|held| held.change.digest.to_string()),
                "no_script": self.list.stuck().count(),
            },
        })
    }
}

/// What an errand means for a person pressing a button there; where it means nothing for one, what to do. In a few words.
fn meaning(errand: &Errand) -> String {
    let aside = if errand.station.for_now.set_aside == Extent::Nothing { "" } else { ", partly set aside" };
    let button = errand.mind().into_iter().next();
    let said = button.map(|button| button.split(" (").next().unwrap_or_default().to_owned());
    let to_do = || match &errand.due {
        Due::Keying(Laid { script, codes }) => {
            let work = Work::of(script, &errand.station, codes);
            format!("{}, {}", plural(work.calls, "call"), plural(work.presses, "key"))
        }
        Due::Test(_) => match errand.test_calls() {
            0 => "key again what is overdue".into(),
            count => plural(count as u64, "test call"),
        },
        Due::Stuck(_) => "no script".into(),
        Due::Decide(undecided) => undecided.what(),
        Due::Held(_) => {
            let worst = errand.drift.settings.iter().rev().max_by_key(|setting| setting.weight);
            let differs = worst.map(|setting| format!("{} {}, ", setting.spoken(), setting.drift.as_str()));
            format!("{}script held", differs.unwrap_or_default())
        }
    };
    format!("{}{aside}", said.unwrap_or_else(to_do))
}

/// A line of at most so many columns.
fn line(out: &mut String, text: &str) {
    out.push_str(clip(text, WIDTH).trim_end());
    out.push('\n');
}

fn clip(text: &str, room: usize) -> String {
    match text.chars().count() > room {
        true => text.chars().take(room.saturating_sub(3)).collect::<String>() + "...",
        false => text.to_owned(),
    }
}
