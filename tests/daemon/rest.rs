//! Waits for what stands for "nothing happened": finished passes, and an empty outbox. Each is bounded.
//!
//! A pass that is waited for is asked for by writing the configuration's text again, as it is: the daemon looks at what
//! changed, and no more. A hangup would have it look at everything, and so cover up for what it had missed.

use std::collections::BTreeMap;
use std::fs;
use std::net::SocketAddr;
use std::time::Instant;

use super::probe::{address, ask};
use super::process::{Daemon, signal, until};

/// The samples of `/metrics`, by their names with labels. What the format allows besides does not occur here;
/// [`super::probe::metrics`] has it read by others.
fn samples(address: SocketAddr) -> Option<BTreeMap<String, f64>> {
    let answered = ask(address, "GET", "/metrics").filter(|answered| answered.status == 200)?;
    let lines = answered.body.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| line.rsplit_once(' ').and_then(|(name, value)| Some((name.to_owned(), value.parse().ok()?))))
        .collect()
}

impl Daemon {
    /// One sample of `/metrics`, once there is one.
    pub fn sample(&self, name: &str) -> f64 {
        until(name, || samples(address(self))?.get(name).copied())
    }

    /// Waits until so many passes have finished, one after the other, that each began after it was asked for: whatever was
    /// done before is looked at by the first, and the others change nothing.
    pub fn passes(&self, count: usize) {
        self.passes_at(address(self), count);
    }

    fn passes_at(&self, at: SocketAddr, count: usize) {
        for nth in 1..=count {
            let asked = Instant::now();
            self.look_again();
            let mut seen = None;
            until(&format!("pass {nth} of {count} that began after it was asked for"), || {
                // Metrics ask the ledger, health does not: they are read once a pass.
                let finished = ask(at, "GET", "/healthz")?.json()["passes"]["finished"].as_u64()?;
                if seen.replace(finished) == Some(finished) {
                    return None;
                }
                // Taken before the daemon reads its clock, so that a pass never seems younger than it is.
                let since = asked.elapsed().as_secs_f64();
                let shown = samples(at)?;
                let age = shown.get("stationkeep_last_pass_age_seconds")?;
                let began = age + shown.get("stationkeep_last_pass_duration_seconds")?;
                (began < since).then_some(())
            });
        }
    }

    /// The same where passes fail: waits until as many more have.
    pub fn fails_to_pass(&self, count: usize) {
        const FAILED: &str = "stationkeep_passes_failed_total";
        for nth in 1..=count {
            let before = self.sample(FAILED);
            self.look_again();
            until(&format!("pass {nth} of {count} that fails"), || (self.sample(FAILED) > before).then_some(()));
        }
    }

    /// Waits for two passes, and until every message is delivered, but to receivers that want none any more (410). After
    /// that only another event, or time alone, can have it tell anything.
    pub fn comes_to_rest(&self) {
        self.comes_to_rest_at(address(self));
    }

    /// The same of one that listens elsewhere than it said at its start.
    pub fn comes_to_rest_at(&self, at: SocketAddr) {
        self.passes_at(at, 2);
        delivered(at);
    }

    /// Waits until every message is delivered, but to receivers that want none any more.
    pub fn delivers_all(&self) {
        delivered(address(self));
    }

    fn look_again(&self) {
        let path = self.home().join("config/stationkeep.yaml");
        match fs::read(&path) {
            Ok(text) => {
                let beside = path.with_extension("again");
                fs::write(&beside, text).expect("a file");
                fs::rename(&beside, &path).expect("a renamed file");
            }
            Err(_) => signal(self.pid(), "HUP"),
        }
    }
}

fn delivered(at: SocketAddr) {
    until("every message delivered", || {
        let shown = samples(at)?;
        let gone = |label: &str| shown.get(&format!("stationkeep_webhook_state{{state=\"gone\",{label}")) == Some(&1.0);
        let mut queues = shown.iter().filter_map(|(name, count)| {
            name.strip_prefix("stationkeep_outbox_waiting{").map(|label| *count == 0.0 || gone(label))
        });
        // Without an answer of the ledger there is none at all.
        let is_read = shown.get("stationkeep_ledger_readable") == Some(&1.0);
        (is_read && queues.all(|is_empty| is_empty)).then_some(())
    });
}
