//! `explain`: where each value of a station comes from, what is on record, or what a finding's code means.

use std::fmt::Write as _;
use std::path::Path;

use textwrap::{Options, fill};

use super::Exit;
use super::keying::Keying;
use super::scene::Scene;
use super::shown::{Shown, print};
use crate::drift::{StationDrift, held_text, value_text};
use crate::finding::{Code, did_you_mean};
use crate::inventory::{Reach, Station, Wish, spoken};
use crate::keybook::SettingId;
use crate::ledger::{Holding, State};

/// Where a station's settings come from, or what a finding's code means.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A station of the inventory, or the code of a finding (the word in brackets)
    what: String,
    /// Only this setting
    setting: Option<String>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, Shown> {
    if args.setting.is_none()
        && let Ok(code) = args.what.parse::<Code>()
    {
        print(&format!("{code}\n{}\n", fill(code.lesson(), Options::new(80))))?;
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
                .ok_or_else(|| Shown::usage(format!("a {} has no setting `{name}`. {}", keybook.model, mend())))?;
            vec![id]
        }
    };
    let drift = scene.drift(&station);
    let keying = Keying::of(&scene, &station);
    let mut out = String::new();
    let _ = writeln!(out, "{}  {} at {}: {}", station.name, keybook.title, station.site, station.location);
    let _ = writeln!(out, "defined at {}, rings on {}, stands {}\n", station.place, station.number, drift.standing);
    for id in ids {
        setting(&mut out, &scene, &station, id, &drift);
        for line in keying.lines(&keybook.setting(id).name) {
            paragraph(&mut out, &line);
        }
        out.push('\n');
    }
    print(&out)?;
    Ok(Exit::Done)
}

fn setting(out: &mut String, scene: &Scene, station: &Station, id: SettingId, drift: &StationDrift) {
    let setting = station.keybook.setting(id);
    let record = scene.records.of(station);
    let holding = record.holding(id);
    let _ = writeln!(out, "{}  ({}, {})", setting.name, setting.kind.as_str(), setting.weight);
    match station.wanted(id) {
        Some(wanted) => {
            let _ = writeln!(out, "  wanted     {}", value_text(&wanted.value));
        }
        None => out.push_str("  wanted     nothing: it is left as it is\n"),
    }
    let voices = spoken(&scene.fleet.files, &station.name, &setting.name);
    for (nth, voice) in voices.iter().enumerate() {
        let label = if nth + 1 == voices.len() { "said by" } else { "overruled" };
        let _ = writeln!(out, "  {label:<9}  {} at {}: {}", voice.layer, voice.place, wish(&voice.wish, scene));
    }
    let _ = writeln!(out, "  held       {}", held(holding, station, id));
    if let Some(drifting) = drift.settings.iter().find(|drifting| drifting.id == id) {
        let _ = writeln!(out, "  drift      {}", drifting.drift.as_str());
    }
}

/// What would be keyed, as wide as a terminal.
fn paragraph(out: &mut String, text: &str) {
    let options = Options::new(100).initial_indent("  keying     ").subsequent_indent("             ");
    let _ = writeln!(out, "{}", fill(text, options));
}

fn wish(wish: &Wish, scene: &Scene) -> String {
    match wish {
        Wish::Value(written) => written.to_string(),
        Wish::FromLine => "the kind of the line".into(),
        Wish::Unmanaged => "null, left alone".into(),
        Wish::To(name) => {
            let contact = scene.fleet.inventory.contacts.get(name);
            let reach = contact.map(|contact| {
                let how = match &contact.reach {
                    Reach::Calls(number) => number.to_string(),
                    Reach::Extension(digits) => format!("extension {digits}"),
                    Reach::Short(digits) => format!("short code {digits}"),
                    Reach::Dial(digits) => format!("dial string {digits}"),
                };
                format!(" ({how}, {})", contact.place)
            });
            format!("to {name}{}", reach.unwrap_or_default())
        }
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
