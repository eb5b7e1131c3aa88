//! Every metric that there is: its name, its label, what it counts. The names are part of the interface.

use crate::guide::Metric;

macro_rules! metrics {
    ($($constant:ident = $name:literal, $label:expr, $help:literal;)*) => {
        $(pub(super) const $constant: Metric = Metric { name: concat!("stationkeep_", $name), label: $label, help: $help };)*

        /// Every metric, in the order of the guide.
        pub const METRICS: &[Metric] = &[$($constant),*];
    };
}

metrics! {
    BUILD_INFO = "build_info", Some("version"), "1; the label is the program's version.";
    HEALTHY = "healthy", None, "1 if passes finish as they should, as /healthz says.";
    LAST_PASS_AGE = "last_pass_age_seconds", None, "Seconds since the last pass finished.";
    LAST_PASS_DURATION = "last_pass_duration_seconds", None, "Seconds that the last finished pass took.";
    LAST_PASS_AGE_LIMIT = "last_pass_age_limit_seconds", None, "Greatest age of the last finished pass, in seconds, at which passes count as healthy.";
    PASS_OWED = "pass_owed_seconds", None, "Seconds since a pass was begun or failed without one finishing.";
    PASS_OWED_LIMIT = "pass_owed_limit_seconds", None, "Seconds for which a pass may be owed.";
    PASSES_FINISHED = "passes_finished_total", None, "Passes that finished.";
    PASSES_FAILED = "passes_failed_total", None, "Passes that failed and were made again.";
    CONFIGURATION_REFUSED = "configuration_refused", None, "1 if the configuration as it is now has errors.";
    FILES_POLLED = "files_polled", None, "1 if the files are looked at every few seconds, because the system does not announce all changes (a network file system).";
    STATIONS = "stations", Some("standing"), "Stations by standing.";
    STATIONS_SET_ASIDE = "stations_set_aside", None, "Stations of which something is set aside.";
    STATIONS_SET_ASIDE_WHOLE = "stations_set_aside_whole", None, "Stations that are set aside whole; they count under no standing.";
    STATIONS_ON_RECORD = "stations_on_record", None, "Stations that reports speak of.";
    STATIONS_ALTERED = "stations_altered", None, "Stations whose lifelines the held change alters; 0 if nothing is held.";
    SCRIPTS_HELD = "scripts_held", None, "Scripts that wait for the release of the held change.";
    SCRIPTS_HANDED_OUT = "scripts_handed_out", None, "Stations that the held change alters only by scripts already issued.";
    ALERTS_OPEN = "alerts_open", Some("weight"), "Open cases by weight.";
    FINDINGS = "findings", Some("severity"), "Findings in the files as they are now.";
    IN_USE_SINCE = "files_in_use_since_timestamp_seconds", None, "Time since which the files in use are known to be valid, in seconds since 1970.";
    NEXT_REMINDER = "next_reminder_timestamp_seconds", None, "Time of the next reminder of an open case, in seconds since 1970.";
    ALERTS_SILENT = "alerts_silent", None, "1 if every webhook for alerts was stopped by its receiver or is silent: no alert arrives.";
    WEBHOOK_SILENT = "webhook_silent", Some("webhook"), "1 if the webhook has had something to deliver for longer than silent_minutes and delivered nothing.";
    WEBHOOK_TRIES = "webhook_tries_total", Some("webhook"), "Tries to deliver a message.";
    WEBHOOK_DELIVERED = "webhook_delivered_total", Some("webhook"), "Messages delivered.";
    WEBHOOK_FAILURES = "webhook_failures_total", Some("webhook"), "Tries that failed.";
    WEBHOOK_REFUSED = "webhook_refused_total", Some("webhook"), "Messages set aside because the receiver would not take them.";
    WEBHOOK_STATE = "webhook_state", Some("webhook"), "1 for what the webhook is doing, as the label \"state\" says.";
    LEDGER_READABLE = "ledger_readable", None, "1 if the ledger answered; if not, the figures taken from it are left out.";
    LEDGER_ENTRIES = "ledger_entries", Some("kind"), "Entries of the ledger by kind.";
    REPORTS_TAKEN = "reports_taken", None, "Reports on record.";
    REPORTS_REFUSED = "reports_refused", None, "Reports that were rejected, and are kept.";
    OUTBOX_REFUSED = "outbox_refused", Some("webhook"), "Messages kept that the receiver would not take, for 30 days.";
    OUTBOX_WAITING = "outbox_waiting", Some("webhook"), "Messages not yet delivered.";
    OUTBOX_OLDEST_AGE = "outbox_oldest_age_seconds", Some("webhook"), "Seconds that the oldest message not yet delivered has waited.";
}
