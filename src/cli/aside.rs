//! `aside`: known to be wrong, and accepted for now. It writes down and lists; what it does is done where stations are
//! handed out.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

use serde_json::{Value as Json, json};

use super::context::Context;
use super::error::{CliError, print, print_json};
use super::exit::Exit;
use super::format::Format;
use super::saying::{Until, in_time, said, until, write_down};
use crate::drift::Totals;
use crate::finding::{did_you_mean, plural};
use crate::inventory::Station;
use crate::ledger::{Aside, Decision, End, Target};
use crate::setting::Name;

/// Set a station, a site, or one setting there aside for a time, or list what is set aside.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
What is set aside is in no drift, script or alert until its time is over. Then it comes back,
and on-call is alerted. Without a name, everything that is set aside is listed.")]
pub struct Args {
    /// A station, or a site with all its stations, those that join it later too
    what: Option<String>,
    /// Only this setting
    setting: Option<String>,
    /// When it ends: a time (RFC 3339) or a day (to its end, UTC); at most 90 days ahead
    #[arg(long, value_name = "TIME", value_parser = until, requires = "what", conflicts_with = "end")]
    until: Option<Until>,
    /// Your name
    #[arg(long, value_name = "NAME", requires = "what")]
    by: Option<String>,
    /// The reason: what it waits for
    #[arg(long, value_name = "TEXT", requires = "what")]
    why: Option<String>,
    /// Confirm that a sign is on it and that there is a stand-in. Needed for a whole station or site, and for
    /// a setting of a lifeline
    #[arg(long, requires = "until")]
    out_of_service: bool,
    /// End it before its time
    #[arg(long, requires = "what")]
    end: bool,
    /// How to print the list
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = Context::open(config).await?;
    let Some(what) = &args.what else { return list(&context, args.format) };
    let Some(by) = &args.by else { return Err(CliError::usage("say who you are: --by NAME")) };
    let target = target(&context, what)?;
    let setting = match &args.setting {
        Some(name) => Some(known_setting(&context, &target, name)?),
        None => None,
    };
    let Some(Until(until)) = args.until else {
        if !args.end {
            return Err(CliError::usage("say until when: --until TIME, at most 90 days ahead"));
        }
        return end(&context, &target, setting.as_ref(), by, args.why.as_deref()).await;
    };
    if args.why.is_none() {
        return Err(CliError::usage("say why, for whoever reads it next month: --why TEXT"));
    }
    if !args.out_of_service {
        must_be_in_service(&context, &target, setting.as_ref())?;
    }
    let said = said(&context, by, args.why.as_deref());
    let aside = Aside { said, target, setting, until, out_of_service: args.out_of_service };
    write_down(&context, &Decision::Aside(aside.clone())).await?;
    if aside.out_of_service {
        eprintln!("{CAUTION}");
    }
    print(&format!("Set aside: {}, until {}.\n", named(&aside, &context), in_time(until, context.view.at)))?;
    Ok(context.exit(Exit::Done))
}

const CAUTION: &str = "\
Warning: on-call is no longer alerted when this fails. Put a sign on each station that says so and where
to find help, keep a stand-in there, and tell the answering point.";

/// The station of this name, or else the site.
fn target(context: &Context, name: &str) -> Result<Target, CliError> {
    let stations = &context.view.reading.inventory.stations;
    if let Some(station) = stations.get(name) {
        return Ok(Target::Station(station.name.clone()));
    }
    let sites: BTreeSet<&Name> = stations.values().map(|station| &station.site).collect();
    if let Some(site) = sites.iter().find(|site| &****site == name) {
        return Ok(Target::Site((*site).clone()));
    }
    if context.view.reading.inventory.called(name).is_some() {
        return Err(context.no_station(name));
    }
    let known: Vec<&str> = stations.keys().chain(sites).map(|name| &**name).collect();
    let fix = did_you_mean(name, known.iter().copied());
    Err(CliError::usage(format!("no station and no site is called \"{name}\". {fix}")))
}

fn covered<'s>(context: &'s Context, target: &'s Target) -> impl Iterator<Item = &'s Station> {
    context.view.reading.inventory.stations.values().map(|station| &**station).filter(move |station| match target {
        Target::Station(name) => station.name == *name,
        Target::Site(site) => station.site == *site,
    })
}

fn known_setting(context: &Context, target: &Target, name: &str) -> Result<Name, CliError> {
    let all = || covered(context, target).flat_map(|station| &station.keybook.settings).map(|setting| &setting.name);
    if let Some(known) = all().find(|known| ***known == *name) {
        return Ok(known.clone());
    }
    let names: BTreeSet<&str> = all().map(|name| &**name).collect();
    let fix = did_you_mean(name, names.iter().copied());
    Err(CliError::usage(format!("nothing at {} has a setting \"{name}\". {fix}", target.name())))
}

/// All of a station, or part of a lifeline, is not to be forgotten behind a line of text.
fn must_be_in_service(context: &Context, target: &Target, setting: Option<&Name>) -> Result<(), CliError> {
    let what = match setting {
        None => format!("all of {}", target.name()),
        Some(setting) => {
            let is_lifeline = |station: &Station| station.keybook.id(setting).is_some_and(|id| station.is_lifeline(id));
            if !covered(context, target).any(is_lifeline) {
                return Ok(());
            }
            format!("{setting}, part of a lifeline,")
        }
    };
    Err(CliError::usage(format!(
        "{what} can be set aside only as out of service. Put a sign on each station, keep a stand-in there, and say so \
         with --out-of-service."
    )))
}

async fn end(
    context: &Context,
    target: &Target,
    setting: Option<&Name>,
    by: &str,
    why: Option<&str>,
) -> Result<Exit, CliError> {
    let asides = context.view.decisions.asides(context.view.at);
    let Some(aside) = asides.into_iter().find(|aside| aside.target == *target && aside.setting.as_ref() == setting)
    else {
        let what = setting.map(|setting| format!("{setting} at ")).unwrap_or_default();
        let list = "\"stationkeep aside\" lists what is";
        return Err(CliError::failed(format!("{what}{} is not set aside on its own; {list}.", target.name())));
    };
    write_down(context, &Decision::End(End { said: said(context, by, why), ends: aside.said.id })).await?;
    print(&format!("No longer set aside: {}.\n", named(aside, context)))?;
    Ok(context.exit(Exit::Done))
}

/// "gate.seconds at site east-quay (5 stations)".
fn named(aside: &Aside, context: &Context) -> String {
    let setting = aside.setting.as_ref().map(|setting| format!("{setting} at ")).unwrap_or_default();
    match &aside.target {
        Target::Station(station) => format!("{setting}{station}"),
        Target::Site(site) => {
            let count = covered(context, &aside.target).count() as u64;
            format!("{setting}site {site} ({})", plural(count, "station"))
        }
    }
}

fn list(context: &Context, format: Format) -> Result<Exit, CliError> {
    let mut asides = context.view.decisions.asides(context.view.at);
    asides.sort_by_key(|aside| (aside.until, aside.target.clone(), aside.setting.clone()));
    match format {
        Format::Json => {
            print_json(&json!({ "set_aside": asides.iter().map(|a| entry(a, context)).collect::<Vec<_>>() }))?
        }
        Format::Text => print(&text(&asides, context))?,
    }
    Ok(context.exit(Exit::Done))
}

fn text(asides: &[&Aside], context: &Context) -> String {
    if asides.is_empty() {
        return "Nothing is set aside.\n".into();
    }
    let mut out = String::new();
    for aside in asides {
        let service = if aside.out_of_service { ", out of service" } else { "" };
        let why = aside.said.why.as_deref().unwrap_or_default();
        let _ = writeln!(out, "{}{service}, until {}", named(aside, context), in_time(aside.until, context.view.at));
        let _ = writeln!(out, "    by {} on {}: {why}", aside.said.by, aside.said.at.strftime("%Y-%m-%d"));
        if covered(context, &aside.target).next().is_none() {
            out.push_str("    it is no longer in the inventory\n");
        }
    }
    // Stations, as drift and alerts count them: what is left of one that was withdrawn counts nowhere.
    let totals = Totals::of(context.view.rows.iter().map(|row| &*row.drift));
    let stations = plural(totals.set_aside() as u64, "station");
    let _ = writeln!(out, "\nIn all {stations} set aside, {} of them out of service.", totals.set_aside_whole());
    out
}

fn entry(aside: &Aside, context: &Context) -> Json {
    let (station, site) = match &aside.target {
        Target::Station(name) => (Some(&**name), None),
        Target::Site(name) => (None, Some(&**name)),
    };
    json!({
        "id": aside.said.id.to_string(),
        "station": station,
        "site": site,
        "setting": aside.setting.as_deref(),
        "until": aside.until.to_string(),
        "out_of_service": aside.out_of_service,
        "by": &*aside.said.by,
        "why": aside.said.why.as_deref(),
        "at": aside.said.at.to_string(),
        "stations": covered(context, &aside.target).map(|station| &*station.name).collect::<Vec<_>>(),
    })
}
