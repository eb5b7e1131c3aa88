//! `release`: the scripts that the brake holds are meant. Without `--by` it lists what would change, and releases nothing.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use textwrap::{Options, fill};

use super::context::Context;
use super::error::{CliError, print};
use super::exit::Exit;
use super::format::release_hint;
use super::saying::{said, write_down};
use crate::brake::{Alteration, Altered, Change, Held, Numbers};
use crate::drift::Begun;
use crate::finding::{minute, plural};
use crate::fleet::View;
use crate::ledger::{Decision, Digest, Release, Said};
use crate::setting::{Name, Value};

/// Release the scripts that would change the lifelines of many stations at once.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Without --by it lists the stations and what would change at each. Check that every station is
meant: once the change is released, its scripts can be keyed. An edit of what is wanted makes it
another change.")]
pub struct Args {
    /// The change: 16 hexadecimal digits, from the alert or from script; without it, what is held is listed
    change: Option<Digest>,
    /// Your name; without it the stations are listed
    #[arg(long, value_name = "NAME", requires_all = ["why", "change"])]
    by: Option<String>,
    /// The reason: what was checked
    #[arg(long, value_name = "TEXT", requires = "by")]
    why: Option<String>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let mut context = Context::open(config).await?;
    let Some(held) = context.view.held() else {
        if args.change.is_none() {
            print("Nothing is held.\n")?;
            return Ok(context.exit(Exit::Done));
        }
        return Err(CliError::failed("nothing is held, so there is nothing to release."));
    };
    let change = &held.change;
    if let Some(asked) = args.change.filter(|asked| *asked != change.digest) {
        return Err(CliError::failed(format!(
            "change {asked} is not held. What is held now is {}, since an edit changed what is wanted. {}",
            change.digest,
            release_hint(&held)
        )));
    }
    let Some(by) = &args.by else {
        print(&listing(&context.view, &held))?;
        return Ok(context.exit(Exit::Done));
    };
    let said = Said { at: context.view.release_at(), ..said(&context, by, args.why.as_deref()) };
    let release = Release { said, stations: context.view.to_release(), change: change.digest.clone() };
    write_down(&context, &Decision::Release(release)).await?;
    context.look_again().await?;
    if let Some(held) = context.view.held() {
        let why = "it is released, and scripts are held all the same: what is wanted or on record has changed since.";
        return Err(CliError::failed(format!("{why} {}", release_hint(&held))));
    }
    let Numbers { altered, held, .. } = held.numbers();
    let (altered, held) = (plural(altered as u64, "station"), plural(held as u64, "script"));
    print(&format!(
        "Released: {held} can be keyed, and {altered} would change. \"stationkeep script --all\" lists the scripts.\n"
    ))?;
    Ok(context.exit(Exit::Done))
}

/// Every station of the change, and what would change at it.
fn listing(view: &View, held: &Held) -> String {
    let change = &held.change;
    let mut groups: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for name in change.stations.union(&change.handed_out) {
        groups.entry(changes_at(view, change, name)).or_default().push(name);
    }
    let mut groups: Vec<(String, Vec<&str>)> = groups.into_iter().collect();
    groups.sort_by(|a, b| (b.1.len(), &a.1).cmp(&(a.1.len(), &b.1)));
    let mut out = format!("{}\n", held.sentence());
    for (changes, names) in groups {
        let count = if names.len() == 1 { String::new() } else { format!("{} stations: ", names.len()) };
        let options = Options::new(100).subsequent_indent("  ");
        let _ = write!(out, "\n{}\n{changes}", fill(&format!("{count}{}", names.join(", ")), options));
    }
    let _ = writeln!(out, "\nTo release it: {}", change.release());
    out
}

/// What would change at a station, a line a setting.
fn changes_at(view: &View, change: &Change, name: &Name) -> String {
    let mut out = String::new();
    match view.row(name).and_then(|row| Some((row, row.alteration.as_ref()?))) {
        Some((row, alteration)) => {
            let from = |setting: &Name| {
                let wanted = row.written.wanted(row.written.keybook.id(setting)?)?;
                let contact = wanted.contact.as_ref().map(|contact| format!(" (to {contact})")).unwrap_or_default();
                Some(format!("{}{contact}", wanted.place))
            };
            alterations_text(&mut out, alteration, &row.drift.begun, from);
        }
        None if change.stations.contains(name) => {
            out.push_str("  new here, and nothing is proven: it may be a station that left the inventory\n");
        }
        None => out.push_str("  no longer in the inventory: a script for it was issued and not reported on\n"),
    }
    out
}

/// `from` is the line that wants a setting.
fn alterations_text(
    out: &mut String,
    alteration: &Alteration,
    begun: &[Begun],
    from: impl Fn(&Name) -> Option<String>,
) {
    for altered in &alteration.wanted {
        let wanted = from(&altered.setting).map(|from| format!(", wanted by {from}")).unwrap_or_default();
        let _ = writeln!(out, "  {}{wanted}", altered_text(altered));
    }
    for script in &alteration.handed_out {
        // A part of it is not the same: what was released must be what is keyed.
        let is_same = script.alters == alteration.wanted;
        let leads = if is_same { " leads to the same" } else { " leads to:" };
        let at = minute(script.at);
        let begun = begun
            .iter()
            .find(|begun| begun.script == script.script)
            .map(|begun| format!(", begun by {} on {}", begun.by, minute(begun.at)));
        let begun = begun.unwrap_or_default();
        let _ = writeln!(out, "  script {}, issued {at}{begun} and not reported on,{leads}", script.script);
        script.alters.iter().filter(|_| !is_same).for_each(|altered| {
            let _ = writeln!(out, "    {}", altered_text(altered));
        });
    }
}

fn altered_text(altered: &Altered) -> String {
    let text = |value: &Option<Value>, unknown: &str| value.as_ref().map_or(unknown.to_owned(), Value::to_string);
    let proven = text(&altered.proven, "a value that the keybook can no longer hold");
    format!("{}: {proven} -> {}", altered.setting, text(&altered.to, "unknown"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::brake::AlteringScript;

    fn altered(setting: &str) -> Altered {
        let to = Some(Value::Digits("2".into()));
        Altered { setting: setting.into(), proven: Some(Value::Digits("1".into())), to }
    }

    #[test]
    fn a_script_that_alters_only_a_part_does_not_lead_to_the_same_and_who_began_it_is_named() {
        let digest: Digest = "3f9a1c0b7d24e615".parse().unwrap();
        let at = "2026-11-25T12:00:00Z".parse().unwrap();
        let script = |alters| AlteringScript { script: digest.clone(), at, alters };
        let wanted = vec![altered("emergency.primary"), altered("line.kind")];
        let begun = [Begun {
            visit: uuid::Uuid::from_u128(1),
            by: "tech-07".into(),
            at,
            script: digest.clone(),
            is_silent: false,
        }];
        let text = |alters: Vec<Altered>| {
            let mut out = String::new();
            let alteration = Alteration { wanted: wanted.clone(), handed_out: vec![script(alters)] };
            alterations_text(&mut out, &alteration, &begun, |_| None);
            out
        };
        let head = "script 3f9a1c0b7d24e615, issued 2026-11-25 12:00 UTC, begun by tech-07 on 2026-11-25 12:00 UTC and not \
                    reported on, leads to";
        assert!(text(wanted.clone()).ends_with(&format!("  {head} the same\n")), "{}", text(wanted.clone()));
        let part = text(vec![altered("line.kind")]);
        assert!(part.ends_with(&format!("  {head}:\n    line.kind: \"1\" -> \"2\"\n")), "{part}");
    }
}
