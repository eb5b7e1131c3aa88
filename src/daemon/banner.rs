//! What a newcomer is told at the start: what is watched, how the fleet stands, what to try next.

use std::fmt::Write as _;
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::Path;

use crate::drift::StationDrift;
use crate::finding::plural;

use crate::fleet::View;

/// The start-up message, in about ten lines.
pub fn text(view: &View, ledger: &str, listening: Option<SocketAddr>, webhooks: &[String]) -> String {
    let mut out = String::new();
    let program = program();
    let inventory = &view.effective;
    let sites = inventory.stations.values().map(|s| &s.site).collect::<std::collections::BTreeSet<_>>().len();
    let sites = plural(sites as u64, "site");
    let version = env!("CARGO_PKG_VERSION");
    if inventory.stations.is_empty() {
        let _ = writeln!(out, "stationkeep {version} has no inventory that can be used: see \"{program} check\".");
    } else {
        let stations = view.totals.counted();
        let _ = writeln!(out, "stationkeep {version} keeps {}: {stations} at {sites}.", inventory.fleet);
    }
    let _ = writeln!(out, "  watching   {} and {}", view.sources.inventory, view.sources.keybooks.path.display());
    let _ = writeln!(out, "  reports    {} (drop report files there)", view.sources.reports.dropped.path.display());
    let _ = writeln!(out, "  ledger     {}", ledger);
    for webhook in webhooks {
        let _ = writeln!(out, "  alerts     {webhook}");
    }
    let _ = writeln!(out, "Standings: {}.", view.totals.sentence());
    if let Some(worst) = view.worst() {
        let _ = writeln!(out, "Most urgent: {}", heaviest(worst));
        let _ = writeln!(out, "Try next, in another terminal:");
        let _ = writeln!(out, "  {program} drift {:<12} why it is not as wanted", worst.station);
        let scripted = view.worst_to_key().unwrap_or(worst);
        let _ = writeln!(out, "  {program} script {:<11} what to key there", scripted.station);
    }
    let _ = match listening {
        Some(address) => writeln!(out, "For probes: http://{address}/healthz, /readyz and /metrics."),
        None => writeln!(out, "The pages and probes cannot be reached yet: see the log."),
    };
    let _ = writeln!(out, "Ctrl-C stops.");
    out
}

fn heaviest(worst: &StationDrift) -> String {
    let weight = worst.weight.map(|weight| format!(", {weight}")).unwrap_or_default();
    format!("{} is {}{weight} ({}: {})", worst.station, worst.standing, worst.site, worst.location)
}

/// Prints the message; the daemon goes on where nobody reads it.
pub fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

/// The program as the user would call it again.
fn program() -> String {
    let called = std::env::args().next().unwrap_or_default();
    let path = Path::new(&called);
    let here = std::env::current_dir().ok();
    let short = here.and_then(|here| path.strip_prefix(here).ok().map(Path::to_path_buf));
    let shown = short.unwrap_or_else(|| path.to_path_buf());
    if shown.as_os_str().is_empty() { "stationkeep".into() } else { shown.display().to_string() }
}
