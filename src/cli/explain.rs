//! `explain`: where each value of a station comes from, and what is on record.

use std::fmt::Write as _;
use std::path::Path;

use textwrap::{Options, fill};

use super::context::Context;
use super::error::{CliError, print};
use super::exit::Exit;
use super::saying::end_of;
use super::writers::Writers;
use crate::drift::{LifelineService, Service, held_text, value_text};
use crate::finding::{Place, did_you_mean, listed, minute, with_article};
use crate::fleet::{Explanation, View};
use crate::inventory::{Extent, LineEntry, Station, Wish, parts};
use crate::keybook::{Keybook, Lifeline, SettingId};
use crate::ledger::{Aside, Holding, State, Target};
use crate::script::{NoScript, Script, Step};
use crate::setting::Name;

/// Shows which line and which report gave each setting its value.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station's name in the inventory
    station: String,
    /// Only this setting
    setting: Option<String>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = Context::open(config).await?;
    let row = context.row(&args.station)?;
    let keybook = &row.station.keybook;
    let ids: Vec<SettingId> = match &args.setting {
        None => keybook.ids().collect(),
        Some(name) => {
            let fix = || did_you_mean(name, keybook.settings.iter().map(|s| &*s.name));
            let id = keybook.id(name).ok_or_else(|| {
                CliError::usage(format!("{} has no setting \"{name}\". {}", with_article(&keybook.model), fix()))
            })?;
            vec![id]
        }
    };
    let page = Page::new(&context.view, context.view.explain(row, &ids));
    let mut out = page.head();
    for id in &ids {
        page.setting(&mut out, *id);
    }
    if args.setting.is_none() || page.follows_line() {
        page.line(&mut out);
    }
    page.lifelines(&mut out, &ids);
    print(&out)?;
    Ok(Exit::Done)
}

/// Everything that is told of a station.
struct Page<'v> {
    view: &'v View,
    explained: Explanation<'v>,
    station: &'v Station,
    writers: Writers,
}

impl<'v> Page<'v> {
    fn new(view: &'v View, explained: Explanation<'v>) -> Page<'v> {
        let contacts = &view.effective.contacts;
        let winners = explained.voices.values().filter_map(|voices| voices.last());
        let places = winners.flat_map(|voice| {
            let contact = match &voice.wish {
                Wish::To(name) => contacts.get(name).map(|contact| &contact.place),
                Wish::Value(_) | Wish::FromLine | Wish::Unmanaged => None,
            };
            [&voice.place].into_iter().chain(contact)
        });
        let writers = Writers::of(view, places.chain(explained.line.iter().map(|said| &said.entry.place)));
        Page { view, station: &explained.row.station, explained, writers }
    }

    fn head(&self) -> String {
        let station = self.station;
        let title = &station.keybook.title;
        let mut out = format!("{}  {title} at {}: {}\n", station.name, station.site, station.location);
        let standing = self.explained.row.drift.told_text();
        let _ = writeln!(out, "defined at {}, rung on {}, is {standing}", station.place, station.number);
        let layers: Vec<String> = self.explained.layers.iter().map(ToString::to_string).collect();
        let _ = writeln!(out, "layers, the later wins: {}", layers.join(", "));
        if let Some(commit) = &self.view.reading.commit {
            let _ = writeln!(out, "wanted as of commit {commit}");
        }
        if let Some(note) = station.for_now.set_aside.note() {
            let _ = writeln!(out, "{note}");
        }
        if let Some(held) = self.explained.held {
            let _ = writeln!(out, "its script is held until: {}", held.release());
        }
        out.push('\n');
        out
    }

    fn setting(&self, out: &mut String, id: SettingId) {
        let (station, setting) = (self.station, self.station.keybook.setting(id));
        let _ = writeln!(out, "{}  ({}, {})", setting.name, setting.kind.as_str(), setting.weight);
        match station.wanted(id) {
            Some(wanted) => {
                let _ = writeln!(out, "  wanted     {}", value_text(&wanted.value));
            }
            None => {
                let _ = writeln!(out, "  wanted     {}", self.unwanted(&setting.name));
            }
        }
        let voices = self.explained.voices.get(&id).map_or(&[][..], |voices| voices);
        for (nth, voice) in voices.iter().enumerate() {
            let label = if nth + 1 == voices.len() { "said by" } else { "overruled" };
            let _ = writeln!(out, "  {label:<9}  {} at {}: {}", voice.layer, voice.place, wish(&voice.wish));
        }
        if let Some(winner) = voices.last() {
            self.written(out, &winner.place);
            if let Wish::To(name) = &winner.wish {
                self.contact(out, name);
            }
        }
        let _ = writeln!(out, "  held       {}", held(self.explained.record.holding(id), station, id));
        if let Some(drifting) = self.explained.row.drift.settings.iter().find(|drifting| drifting.id == id) {
            let _ = writeln!(out, "  drift      {}", drifting.drift.as_str());
        }
        for line in steps(self.explained.script.as_ref(), &setting.name, &station.keybook) {
            paragraph(out, &line);
        }
        out.push('\n');
    }

    /// Why nothing is wanted of a setting.
    fn unwanted(&self, setting: &Name) -> String {
        let station = self.station;
        let asides = self.view.decisions.asides(self.view.at);
        let covers = |aside: &&&Aside| {
            aside.setting.as_ref().is_none_or(|name| name == setting)
                && match &aside.target {
                    Target::Station(name) => *name == station.name,
                    Target::Site(site) => *site == station.site,
                }
        };
        let last = asides.iter().filter(covers).map(|aside| aside.until).max();
        last.map_or_else(|| "not managed".into(), |until| format!("set aside until {}", end_of(until)))
    }

    /// Why nothing of a lifeline is compared: a fallback that is not in use, or settings that are neither wanted nor known.
    fn unwatched(&self, lifeline: &Lifeline) -> String {
        let wanted = |id: SettingId| self.station.wanted(id).map(|wanted| &wanted.value);
        if !lifeline.is_required() && !lifeline.is_in_use(wanted) {
            return "not in use, because of what is wanted here".into();
        }
        let is_open = |id: &&SettingId| {
            wanted(**id).is_none() && !matches!(self.explained.record.holding(**id).state, State::Known(_))
        };
        let open = lifeline.settings.iter().filter(is_open);
        let open: Vec<&str> = open.map(|id| &*self.station.keybook.setting(*id).name).collect();
        match open.is_empty() {
            true => "not all of its settings are wanted or known".into(),
            false => format!("{} is neither wanted nor known", listed(&open, "and")),
        }
    }

    fn written(&self, out: &mut String, place: &Place) {
        if let Some(who) = self.writers.line(place) {
            let _ = writeln!(out, "  written    {who}");
        }
    }

    /// How a contact is reached, and how its dial string comes about on this line.
    fn contact(&self, out: &mut String, name: &Name) {
        let Some(contact) = self.view.effective.contacts.get(name) else { return };
        let _ = writeln!(out, "  contact    {name} at {}: {}", contact.place, contact.reach);
        self.written(out, &contact.place);
        let Ok(parts) = parts(&contact.reach, &self.station.line) else { return };
        let parts: Vec<String> = parts.iter().map(|part| format!("{} ({})", part.text, part.what)).collect();
        let _ = writeln!(out, "  dialled    {}", parts.join(" then "));
    }

    /// Whether what is wanted depends on the line.
    fn follows_line(&self) -> bool {
        self.explained.voices.values().filter_map(|voices| voices.last()).any(|winner| match winner.wish {
            Wish::To(_) | Wish::FromLine => true,
            Wish::Value(_) | Wish::Unmanaged => false,
        })
    }

    fn line(&self, out: &mut String) {
        if self.explained.line.is_empty() {
            return;
        }
        out.push_str("line\n");
        for (nth, said) in self.explained.line.iter().enumerate() {
            let LineEntry { field, text, place } = &said.entry;
            let is_overruled = self.explained.line.iter().skip(nth + 1).any(|later| later.entry.field == *field);
            let label = if is_overruled { "overruled" } else { "said by" };
            let _ = writeln!(out, "  {label:<9}  {} at {place}: {field} {text}", said.layer);
            let next = self.explained.line.get(nth + 1).map(|next| &next.entry.place);
            if next.is_none_or(|next| (&next.file, next.line) != (&place.file, place.line)) {
                self.written(out, place);
            }
        }
        out.push('\n');
    }

    /// The lifelines that one of these settings belongs to.
    fn lifelines(&self, out: &mut String, ids: &[SettingId]) {
        let keybook = &self.station.keybook;
        for lifeline in keybook.lifelines.iter().filter(|one| one.settings.iter().any(|id| ids.contains(id))) {
            let names: Vec<&str> = lifeline.settings.iter().map(|id| &*keybook.setting(*id).name).collect();
            let _ = writeln!(out, "lifeline {}  ({})", lifeline.name, names.join(", "));
            if let Some(place) = self.station.absent.get(&lifeline.name) {
                let _ = writeln!(out, "  service    there is no such button, as {place} says");
                self.written(out, place);
                out.push('\n');
                continue;
            }
            match self.explained.row.drift.lifelines.iter().find(|service| service.name == lifeline.name) {
                Some(LifelineService { service, mark, .. }) => {
                    let last = match (service, mark) {
                        (Service::Dead, Some(mark)) => format!("since {} by report {}", minute(mark.at), mark.report),
                        (Service::Dead, None) => "a press calls nobody by the record".into(),
                        (Service::Failed | Service::Untested | Service::Overdue | Service::Tested, Some(mark)) => {
                            format!("last test call {} by report {}", minute(mark.at), mark.report)
                        }
                        (Service::Failed | Service::Untested | Service::Overdue | Service::Tested, None) => {
                            "no test call is on record".into()
                        }
                    };
                    let _ = writeln!(out, "  service    {}, {last}", service.as_str());
                }
                None if self.station.for_now.set_aside == Extent::Whole => {
                    out.push_str("  service    set aside, out of service\n");
                }
                None => {
                    let why = self.unwatched(lifeline);
                    let _ = writeln!(out, "  service    not watched: {why}");
                }
            }
            out.push('\n');
        }
    }
}

/// What its script would do to a setting, a line a step, or why there is none.
fn steps(script: Option<&Result<Script, NoScript>>, setting: &Name, keybook: &Keybook) -> Vec<String> {
    match script {
        None => Vec::new(),
        Some(Ok(script)) => {
            let steps: Vec<&Step> = script.calls.iter().flat_map(|call| &call.steps).collect();
            let touches = |step: &&&Step| step.sets.contains_key(setting) || step.also.contains_key(setting);
            let line = |step: &&Step| {
                let why = step.rationale.sentences(step.number, keybook).join(" ");
                format!("step {} of {}, \"{}\". {why}", step.number, steps.len(), step.command)
            };
            steps.iter().filter(touches).map(line).collect()
        }
        Some(Err(NoScript::Unreachable(stuck))) => {
            let here = stuck.iter().filter(|stuck| stuck.setting == *setting).flat_map(|stuck| &stuck.rules);
            here.map(|rule| format!("no script: {rule}. {}", rule.fix())).collect()
        }
        Some(Err(why)) => vec![format!("no script: {why}")],
    }
}

/// What would be keyed, as wide as a terminal.
fn paragraph(out: &mut String, text: &str) {
    let options = Options::new(100).initial_indent("  keying     ").subsequent_indent("             ");
    let _ = writeln!(out, "{}", fill(text, options));
}

fn wish(wish: &Wish) -> String {
    match wish {
        Wish::Value(written) => written.to_string(),
        Wish::FromLine => "the kind of the line".into(),
        Wish::Unmanaged => "null, left alone".into(),
        Wish::To(name) => format!("to {name}"),
    }
}

fn held(holding: &Holding, station: &Station, id: SettingId) -> String {
    let wanted = station.wanted(id).map(|wanted| &wanted.value);
    let text = held_text(&holding.state, wanted);
    let Some(mark) = holding.mark else { return format!("{text}: no report says what it is") };
    let verb = match (&holding.state, holding.strayed) {
        (State::Known(_), Some(_)) => "found against the record",
        (State::Known(_), None) => "confirmed",
        (State::InDoubt(_), _) => "in doubt since",
        (State::Unknown, _) => "unknown since",
    };
    format!("{text}, {verb} {} by report {}", minute(mark.at), mark.report)
}
