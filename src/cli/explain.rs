//! `explain`: where each value of a station comes from, what is on record, or what a finding's code means.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use textwrap::{Options, fill};

use super::Exit;
use super::error::{CliError, print};
use super::keying::Keying;
use super::scene::Scene;
use super::writers::Writers;
use crate::drift::{LifelineService, StationDrift, held_text, value_text};
use crate::finding::{Code, Place, did_you_mean};
use crate::inventory::{LineEntry, Reach, Spoken, SpokenLine, Station, Wish, layers, parts, spoken, spoken_line};
use crate::keybook::SettingId;
use crate::ledger::{Holding, Record, State};
use crate::setting::Name;

/// Where a station's settings come from, or what a finding's code means.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A station of the inventory, or the code of a finding (the word in brackets)
    what: String,
    /// Only this setting
    setting: Option<String>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    if args.setting.is_none()
        && let Ok(code) = args.what.parse::<Code>()
    {
        print(&format!("{code}\n{}\n", fill(code.explanation(), Options::new(80))))?;
        return Ok(Exit::Done);
    }
    let scene = Scene::open(config).await?;
    let station = scene.station(&args.what)?;
    let keybook = &station.keybook;
    let ids: Vec<SettingId> = match &args.setting {
        None => keybook.ids().collect(),
        Some(name) => {
            let mend = || did_you_mean(name, keybook.settings.iter().map(|s| &*s.name));
            let id = keybook
                .id(name)
                .ok_or_else(|| CliError::usage(format!("a {} has no setting `{name}`. {}", keybook.model, mend())))?;
            vec![id]
        }
    };
    let page = Page::new(&scene, &station, &ids);
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
struct Page<'s> {
    scene: &'s Scene,
    station: &'s Station,
    record: Arc<Record>,
    drift: StationDrift,
    keying: Keying,
    /// The layers that speak of each setting, the winner last.
    voices: BTreeMap<SettingId, Vec<Spoken>>,
    line: Vec<SpokenLine>,
    writers: Writers,
}

impl<'s> Page<'s> {
    fn new(scene: &'s Scene, station: &'s Station, ids: &[SettingId]) -> Page<'s> {
        let files = &scene.fleet.files;
        let name = |id: &SettingId| &*station.keybook.setting(*id).name;
        let voices: BTreeMap<_, _> = ids.iter().map(|id| (*id, spoken(files, &station.name, name(id)))).collect();
        let line = spoken_line(files, &station.name);
        let contacts = &scene.effective.contacts;
        let winners = voices.values().filter_map(|voices| voices.last());
        let places = winners.flat_map(|voice| {
            let contact = match &voice.wish {
                Wish::To(name) => contacts.get(name).map(|contact| &contact.place),
                Wish::Value(_) | Wish::FromLine | Wish::Unmanaged => None,
            };
            [&voice.place].into_iter().chain(contact)
        });
        let writers = Writers::of(scene, places.chain(line.iter().map(|said| &said.entry.place)));
        Page {
            record: scene.records.of(station),
            drift: scene.drift(station),
            keying: Keying::of(scene, station),
            scene,
            station,
            voices,
            line,
            writers,
        }
    }

    fn head(&self) -> String {
        let station = self.station;
        let title = &station.keybook.title;
        let mut out = format!("{}  {title} at {}: {}\n", station.name, station.site, station.location);
        let standing = self.drift.standing;
        let _ = writeln!(out, "defined at {}, rings on {}, stands {standing}", station.place, station.number);
        let layers: Vec<String> =
            layers(&self.scene.fleet.files, &station.name).iter().map(ToString::to_string).collect();
        let _ = writeln!(out, "layers, the later wins: {}", layers.join(", "));
        if let Some(commit) = &self.scene.fleet.commit {
            let _ = writeln!(out, "wanted as of commit {commit}");
        }
        if let Some(note) = station.for_now.set_aside.note() {
            let _ = writeln!(out, "{note}");
        }
        if let Some(held) = self.scene.held(station) {
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
            None => out.push_str("  wanted     nothing: it is left as it is\n"),
        }
        let voices = self.voices.get(&id).map_or(&[][..], |voices| voices);
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
        let _ = writeln!(out, "  held       {}", held(self.record.holding(id), station, id));
        if let Some(drifting) = self.drift.settings.iter().find(|drifting| drifting.id == id) {
            let _ = writeln!(out, "  drift      {}", drifting.drift.as_str());
        }
        for line in self.keying.lines(&setting.name) {
            paragraph(out, &line);
        }
        out.push('\n');
    }

    fn written(&self, out: &mut String, place: &Place) {
        if let Some(who) = self.writers.line(place) {
            let _ = writeln!(out, "  written    {who}");
        }
    }

    /// How a contact is reached, and how its dial string comes about on this line.
    fn contact(&self, out: &mut String, name: &Name) {
        let Some(contact) = self.scene.effective.contacts.get(name) else { return };
        let _ = writeln!(out, "  contact    {name} at {}: {}", contact.place, reach(&contact.reach));
        self.written(out, &contact.place);
        let Ok(parts) = parts(&contact.reach, &self.station.line) else { return };
        let parts: Vec<String> = parts.iter().map(|part| format!("{} ({})", part.text, part.what)).collect();
        let _ = writeln!(out, "  dialled    {}", parts.join(" then "));
    }

    /// Whether what is wanted depends on the line.
    fn follows_line(&self) -> bool {
        self.voices.values().filter_map(|voices| voices.last()).any(|winner| match winner.wish {
            Wish::To(_) | Wish::FromLine => true,
            Wish::Value(_) | Wish::Unmanaged => false,
        })
    }

    fn line(&self, out: &mut String) {
        if self.line.is_empty() {
            return;
        }
        out.push_str("line\n");
        for (nth, said) in self.line.iter().enumerate() {
            let LineEntry { field, text, place } = &said.entry;
            let is_overruled = self.line.iter().skip(nth + 1).any(|later| later.entry.field == *field);
            let label = if is_overruled { "overruled" } else { "said by" };
            let _ = writeln!(out, "  {label:<9}  {} at {place}: {field} {text}", said.layer);
            let next = self.line.get(nth + 1).map(|next| &next.entry.place);
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
            match self.drift.lifelines.iter().find(|service| service.name == lifeline.name) {
                Some(LifelineService { service, mark, .. }) => {
                    let last = match mark {
                        Some(mark) => format!("last test call {:.0} by report {}", mark.at, mark.report),
                        None => "no test call is on record".into(),
                    };
                    let _ = writeln!(out, "  service    {}, {last}", service.as_str());
                }
                None => out.push_str("  service    not followed: nobody knows what one of its settings should hold\n"),
            }
            out.push('\n');
        }
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

fn reach(reach: &Reach) -> String {
    match reach {
        Reach::Calls(number) => number.to_string(),
        Reach::Extension(digits) => format!("extension {digits}"),
        Reach::Short(digits) => format!("short code {digits}"),
        Reach::Dial(digits) => format!("dial string {digits}"),
    }
}

fn held(holding: &Holding, station: &Station, id: SettingId) -> String {
    let wanted = station.wanted(id).map(|wanted| &wanted.value);
    let text = held_text(&holding.state, wanted);
    let Some(mark) = holding.mark else { return format!("{text}: nobody has reported on it") };
    let verb = match (&holding.state, holding.strayed) {
        (State::Known(_), Some(_)) => "found against the record",
        (State::Known(_), None) => "confirmed",
        (State::InDoubt(_), _) => "in doubt since",
        (State::Unknown, _) => "unknown since",
    };
    format!("{text}, {verb} {:.0} by report {}", mark.at, mark.report)
}
