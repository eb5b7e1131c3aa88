//! `script --all`: a card for every station that needs keying, in the order to do them, and what it all takes.

use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

use super::context::{Context, progress};
use super::error::{CliError, print};
use super::exit::Exit;
use super::format::{ScriptFormat, release_hint};
use super::layout::shown;
use super::private::write_private;
use crate::finding::did_you_mean;
use crate::fleet::{Cleared, Row, record_scripts};
use crate::script::{Laid, Memory, Script, WorkList, rehearsed};

pub async fn run(
    site: Option<String>,
    format: ScriptFormat,
    out: Option<PathBuf>,
    config: &Path,
) -> Result<Exit, CliError> {
    if format == ScriptFormat::Html && out.is_none() {
        return Err(CliError::usage("pages are a file each: name a folder for them with --out."));
    }
    if let Some(folder) = &out {
        must_be_new(folder)?;
    }
    let context = Context::open(config).await?;
    let rows = rows(&context, site.as_deref())?;
    let (list, cleared) = list(&context, &rows);
    record_scripts(context.store(), &cleared, context.view.at).await?;
    match (&out, format) {
        (Some(folder), _) => {
            write_folder(folder, &list, &context, format)
                .map_err(|error| CliError::failed(format!("cannot write into {}: {error}", folder.display())))?;
            print(&list.text(|at, script| file_name(at, script, format)))?;
        }
        (None, ScriptFormat::Json) => {
            print(&format!("{:#}\n", context.with_commit(rehearsed(list.json(), context.rehearsal))))?
        }
        (None, ScriptFormat::Keys) => print(&keys(&list, &context))?,
        (None, ScriptFormat::Card | ScriptFormat::Html) => print(&cards(&list, &context))?,
    }
    context.tell_first_day();
    if let Some(held) = list.held().next().and(context.view.held()) {
        eprintln!("stationkeep: scripts are held: {}", release_hint(&held));
    }
    let ended = if list.stuck().next().is_some() || list.held().next().is_some() { Exit::Failed } else { Exit::Done };
    Ok(context.exit(ended))
}

/// All stations, or those of a site.
pub fn rows<'c>(context: &'c Context, site: Option<&str>) -> Result<Vec<&'c Row>, CliError> {
    let all = context.rows(&[])?;
    let Some(site) = site else { return Ok(all) };
    let here: Vec<_> = all.iter().filter(|row| &*row.station.site == site).copied().collect();
    if here.is_empty() {
        let mut sites: Vec<&str> = all.iter().map(|row| &*row.station.site).collect();
        sites.sort_unstable();
        sites.dedup();
        let fix = did_you_mean(site, sites.iter().copied());
        return Err(CliError::usage(format!("no site is called \"{site}\". {fix}")));
    }
    Ok(here)
}

fn list(context: &Context, rows: &[&Row]) -> (WorkList, Vec<Cleared>) {
    let bar = progress("writing scripts");
    bar.set_length(rows.len() as u64);
    let list = context.view.work_list(rows, &mut Memory::default(), || bar.inc(1));
    bar.finish_and_clear();
    list
}

/// A card of an earlier day among today's would be keyed: a folder with anything in it is rejected.
fn must_be_new(folder: &Path) -> Result<(), CliError> {
    match std::fs::read_dir(folder).map(|mut entries| entries.next().is_none()) {
        Ok(true) => Ok(()),
        Ok(false) => Err(CliError::usage(format!(
            "{} is not empty, and a card of another day among today's could be keyed. Name a new folder.",
            folder.display()
        ))),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(CliError::usage(format!("{} is not a folder to write to: {error}", folder.display()))),
    }
}

/// The list and a file a station, which nobody but its owner may read: cards hold access codes.
fn write_folder(folder: &Path, list: &WorkList, context: &Context, format: ScriptFormat) -> std::io::Result<()> {
    std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    for (at, errand, Laid { script, codes }) in list.cards() {
        let text = shown(script, &errand.station, context, codes, format);
        write_private(&folder.join(file_name(at, script, format)), &text)?;
    }
    let text = list.text(|at, script| file_name(at, script, format));
    write_private(&folder.join("work-list.txt"), &text)
}

/// In the order of the work; a name may hold signs that no file should.
fn file_name(at: usize, script: &Script, format: ScriptFormat) -> String {
    let plain = |sign: char| if sign.is_ascii_alphanumeric() || "-_".contains(sign) { sign } else { '_' };
    let name: String = script.station.chars().map(plain).collect();
    let ending = match format {
        ScriptFormat::Json => "json",
        ScriptFormat::Html => "html",
        ScriptFormat::Card | ScriptFormat::Keys => "txt",
    };
    format!("{:04}-{name}.{ending}", at + 1)
}

fn cards(list: &WorkList, context: &Context) -> String {
    let cards = list.cards().map(|(_, errand, Laid { script, codes })| {
        // A form feed: each card begins a page of its own.
        format!("\x0c{}", shown(script, &errand.station, context, codes, ScriptFormat::Card))
    });
    list.text(|_, script| format!("script {}", script.digest)) + &cards.collect::<String>()
}

fn keys(list: &WorkList, context: &Context) -> String {
    let blocks = list.to_key().map(|(errand, Laid { script, codes })| {
        let keys = shown(script, &errand.station, context, codes, ScriptFormat::Keys);
        format!("{} {}\n{keys}", errand.station.name, errand.station.number)
    });
    blocks.collect::<Vec<_>>().join("\n")
}
