//! `script --all`: a card for every station that needs keying, in the order to do them, and what it all takes.

use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::Exit;
use super::error::{CliError, print};
use super::private::write_private;
use super::scene::{Scene, progress};
use super::script::{Format, shown};
use crate::drift::Standing;
use crate::finding::did_you_mean;
use crate::fleet::{Keying, record_scripts};
use crate::inventory::{Extent, Station};
use crate::script::{Due, Errand, Memory, Script, Way, WorkList};

pub async fn run(site: Option<String>, format: Format, out: Option<PathBuf>, config: &Path) -> Result<Exit, CliError> {
    if format == Format::Html && out.is_none() {
        return Err(CliError::usage("pages are a file each: name a folder for them with --out."));
    }
    if let Some(folder) = &out {
        must_be_new(folder)?;
    }
    let scene = Scene::open(config).await?;
    let list = list(&scene, &stations(&scene, site.as_deref())?);
    let scripts: Vec<_> =
        list.to_key().map(|(_, errand, script, _)| scene.clear(script, &errand.station)).collect::<Result<_, _>>()?;
    record_scripts(&scene.store, &scripts, scene.now).await?;
    match (&out, format) {
        (Some(folder), _) => {
            write_folder(folder, &list, &scene, format)
                .map_err(|error| CliError::failed(format!("cannot write into {}: {error}", folder.display())))?;
            print(&list.text(|at, script| file_name(at, script, format)))?;
        }
        (None, Format::Json) => print(&format!("{:#}\n", scene.with_commit(list.json())))?,
        (None, Format::Keys) => print(&keys(&list, &scene))?,
        (None, Format::Card | Format::Html | Format::Wav | Format::Dial) => print(&cards(&list, &scene))?,
    }
    if let Some(held) = list.held().next().and(scene.change()) {
        eprintln!("stationkeep: scripts are held: {}", super::script::release_hint(held));
    }
    let ended = if list.stuck().next().is_some() || list.held().next().is_some() { Exit::Failed } else { Exit::Done };
    Ok(scene.exit(ended))
}

fn stations(scene: &Scene, site: Option<&str>) -> Result<Vec<Arc<Station>>, CliError> {
    let all = scene.stations(&[])?;
    let Some(site) = site else { return Ok(all) };
    let here: Vec<_> = all.iter().filter(|station| &*station.site == site).cloned().collect();
    if here.is_empty() {
        let mut sites: Vec<&str> = all.iter().map(|station| &*station.site).collect();
        sites.sort_unstable();
        sites.dedup();
        let mend = did_you_mean(site, sites.iter().copied());
        return Err(CliError::usage(format!("no station stands at a site called `{site}`. {mend}")));
    }
    Ok(here)
}

fn list(scene: &Scene, stations: &[Arc<Station>]) -> WorkList {
    let mut memory = Memory::default();
    let bar = progress("writing scripts");
    bar.set_length(stations.len() as u64);
    let mut errands = Vec::new();
    for station in stations {
        bar.inc(1);
        let drift = scene.drift(station);
        let due = match scene.keying(station, Way::There, &mut memory) {
            Keying::Script { script, codes } => Due::Keying { script, codes },
            Keying::Held(_) => Due::Held,
            Keying::Nothing if drift.standing != Standing::Aligned => Due::Test,
            Keying::Nothing => continue,
            Keying::NoScript(why) => Due::Stuck(why),
        };
        errands.push(Errand { station: station.clone(), drift, due });
    }
    bar.finish_and_clear();
    let set_aside = stations.iter().filter(|station| station.for_now.set_aside != Extent::Nothing).count();
    WorkList::new(errands, set_aside, scene.change().cloned())
}

/// A card of an earlier day among today's would be keyed: a folder with anything in it is refused.
fn must_be_new(folder: &Path) -> Result<(), CliError> {
    match std::fs::read_dir(folder).map(|mut entries| entries.next().is_none()) {
        Ok(true) => Ok(()),
        Ok(false) => Err(CliError::usage(format!(
            "{} is not empty, and a card of another day among today's could be keyed. Name a new folder.",
            folder.display()
        ))),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(CliError::usage(format!("{} is no folder to write to: {error}", folder.display()))),
    }
}

/// The list and a file a station, which nobody but its owner may read: cards hold access codes.
fn write_folder(folder: &Path, list: &WorkList, scene: &Scene, format: Format) -> std::io::Result<()> {
    std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    for (at, errand, script, codes) in list.to_key() {
        let text = shown(script, &errand.station, scene, codes, format);
        write_private(&folder.join(file_name(at, script, format)), &text)?;
    }
    let text = list.text(|at, script| file_name(at, script, format));
    write_private(&folder.join("work-list.txt"), &text)
}

/// In the order of the work; a name may hold signs that no file should.
fn file_name(at: usize, script: &Script, format: Format) -> String {
    let plain = |sign: char| if sign.is_ascii_alphanumeric() || "-_".contains(sign) { sign } else { '_' };
    let name: String = script.station.chars().map(plain).collect();
    let ending = match format {
        Format::Json => "json",
        Format::Html => "html",
        Format::Card | Format::Keys | Format::Wav | Format::Dial => "txt",
    };
    format!("{:04}-{name}.{ending}", at + 1)
}

fn cards(list: &WorkList, scene: &Scene) -> String {
    let cards = list.to_key().map(|(_, errand, script, codes)| {
        // A form feed: each card begins a page of its own.
        format!("\x0c{}", shown(script, &errand.station, scene, codes, Format::Card))
    });
    list.text(|_, script| format!("script {}", script.digest)) + &cards.collect::<String>()
}

fn keys(list: &WorkList, scene: &Scene) -> String {
    let blocks = list.to_key().map(|(_, errand, script, codes)| {
        let keys = shown(script, &errand.station, scene, codes, Format::Keys);
        format!("{} {}\n{keys}", errand.station.name, errand.station.number)
    });
    blocks.collect::<Vec<_>>().join("\n")
}
