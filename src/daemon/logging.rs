//! Logs on standard error: plain lines, or JSON with `STATIONKEEP_LOG_FORMAT=json`.

use std::io::IsTerminal;

use tracing_subscriber::EnvFilter;

/// Starts logging; a second call does nothing. `STATIONKEEP_LOG` sets the level (`info` by default).
pub fn start() {
    let level = EnvFilter::try_from_env("STATIONKEEP_LOG").unwrap_or_else(|_| EnvFilter::new("info,sqlx=warn"));
    // What the watch hears is not logged: a log that is kept in a watched folder would feed itself.
    let level = match "notify=info".parse() {
        Ok(quiet) => level.add_directive(quiet),
        Err(_) => level,
    };
    let json = std::env::var("STATIONKEEP_LOG_FORMAT").is_ok_and(|format| format == "json");
    let no_colour = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let colour = std::io::stderr().is_terminal() && !no_colour;
    let builder = tracing_subscriber::fmt().with_env_filter(level).with_writer(std::io::stderr).with_target(false);
    // A closed standard error must not end the daemon.
    let builder = builder.log_internal_errors(false);
    // Only a second start in one process fails, and the first one is as good.
    let _ = if json { builder.json().try_init() } else { builder.with_ansi(colour).try_init() };
}
