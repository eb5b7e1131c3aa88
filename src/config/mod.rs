//! `stationkeep.yaml`: where everything is kept, how the daemon behaves, and whom it alerts.
//!
//! LastRead is done on the tree that remembers places ([`crate::yaml`]), so that everything wrong is told at once with
//! line and fix; a typed reading stops at its first error and misses some places. It opens no ledger and no socket, and resolves secrets only when asked.

mod address;
mod brake;
mod changed;
mod read;
mod webhook;

pub use address::Address;
pub use brake::BrakeTerms;
pub use changed::{KeyChange, changed_keys};
pub use read::{Loaded, load, read};
pub use webhook::{Given, Resolved, Target, Webhook, WebhookKind};

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::drift::Rules;
use crate::files::{Folder, Interest, KeyPlace, ReportFolders, cleaned, strays};
use crate::finding::{Code, Finding, Place};
use crate::fleet::{LookTerms, Source, Sources};
use crate::setting::{Reference, Weight};
use crate::web::Access;

/// All that `stationkeep.yaml` says, with defaults where it says nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// The configuration's folder: paths of findings and of secrets are relative to it.
    pub folder: PathBuf,
    /// The file itself.
    pub file: PathBuf,
    /// A folder, or a folder in a repository.
    pub inventory: Source,
    /// Where the keybooks are.
    pub keybooks: Folder,
    /// Where reports are dropped.
    pub reports: Folder,
    /// Where the file says so.
    pub reports_place: Option<Place>,
    /// Where recorded files are moved to; `None`: they stay.
    pub reports_taken: Option<Folder>,
    /// `sqlite:` and an absolute path, or `postgres://…`.
    pub ledger: Address,
    /// Where the key of fingerprints is kept, where the file says so.
    pub key: Option<Reference>,
    /// A loopback address, unless there are tokens; port 0 is any free one.
    pub listen: SocketAddr,
    /// What browsers reach this program at, without a slash at its end; `None`: messages carry no links.
    pub address: Option<String>,
    /// Who is let in; without tokens, this machine alone.
    pub access: Access,
    /// 1 to 60 000.
    pub settle_ms: u32,
    /// 1 to 36 500.
    pub reconfirm_days: u32,
    /// Whether an untested lifeline is a standing of its own.
    pub require_tests: bool,
    /// 1 to 1440.
    pub full_pass_minutes: u32,
    /// 0 to 3600: seconds for which files have errors before an alert.
    pub settle_broken_s: u32,
    /// When scripts are held.
    pub brake: BrakeTerms,
    /// In the order of the file; no two of one name.
    pub webhooks: Vec<Webhook>,
}

impl Config {
    /// What is wrong with what the file leads to, and what would go unheard. None of it keeps the file from being used.
    pub fn doubts(&self) -> Vec<Finding> {
        let mut found = Vec::new();
        if let Some(place) = self.reports_place.clone().filter(|_| !self.reports.path.is_dir()) {
            let message = format!("There is no folder \"{}\", so no report is found there.", self.reports.shown);
            found.push(Finding::new(Code::FileUnreadable, place, message, "Make the folder, or fix its path here."));
        }
        found.extend(strays(&self.keybooks));
        match &self.inventory {
            Source::Folder(folder) => found.extend(strays(folder)),
            // What a commit holds is not walked.
            Source::Git(_) => {}
        }
        if self.webhooks.is_empty() {
            let place = Place::start_of(&self.file.file_name().unwrap_or_default().to_string_lossy().into());
            let fix = "Add one under \"webhooks\".";
            found.push(Finding::new(Code::AlertsNowhere, place, "No webhook is set up, so nobody is alerted.", fix));
        }
        let mut alerts = self.webhooks.iter().filter(|webhook| webhook.kind == WebhookKind::Alerts).peekable();
        if let Some(first) = alerts.peek().copied()
            && !alerts.any(|webhook| webhook.weights.contains(&Weight::Lifeline))
        {
            let message = "No webhook carries alerts of weight lifeline, so nobody is alerted about a dead button.";
            let fix = format!("Add lifeline to \"weights\" of \"{}\".", first.name);
            found.push(Finding::new(Code::AlertsNowhere, first.place.clone(), message, fix));
        }
        found
    }

    /// How the fleet is looked at.
    pub fn looking(&self) -> LookTerms {
        let rules = Rules { reconfirm_days: self.reconfirm_days, require_tests: self.require_tests };
        LookTerms { rules, limit: Arc::new(self.brake.limit()), settle: self.settle() }
    }

    /// Where its files are, with the key of its fingerprints.
    pub fn sources(&self, key: [u8; 32]) -> Sources {
        Sources {
            folder: self.folder.clone(),
            inventory: self.inventory.clone(),
            keybooks: self.keybooks.clone(),
            reports: self.report_folders(),
            key,
        }
    }

    /// Where reports are dropped, and where recorded files go.
    fn report_folders(&self) -> ReportFolders {
        ReportFolders { dropped: self.reports.clone(), taken: self.reports_taken.clone() }
    }

    /// How long files must be quiet.
    pub fn settle(&self) -> Duration {
        Duration::from_millis(self.settle_ms.into())
    }

    /// The time between full passes.
    pub fn full_pass(&self) -> Duration {
        Duration::from_secs(60 * u64::from(self.full_pass_minutes))
    }

    /// Everything that a change of should lead to a pass; `secrets` are the files that references lead to.
    pub fn interest(&self, secrets: impl IntoIterator<Item = PathBuf>) -> Interest {
        let mut trees = vec![self.keybooks.clone()];
        let mut files = vec![self.file.clone()];
        match &self.inventory {
            Source::Folder(folder) => trees.push(folder.clone()),
            Source::Git(followed) => files.extend(followed.watched()),
        }
        files.extend(secrets);
        files.sort();
        files.dedup();
        Interest { trees, inboxes: vec![self.report_folders()], files }
    }

    /// Where the key of fingerprints is kept: where the file says, else beside a SQLite ledger.
    pub fn key_place(&self) -> KeyPlace {
        match &self.key {
            Some(Reference::Env(name)) => KeyPlace::Env(name.to_string()),
            Some(Reference::File(path)) => KeyPlace::File(cleaned(&self.folder.join(&**path))),
            // Neither is read from a file.
            Some(Reference::Factory) | None => {
                let ledger = self.ledger.reveal().strip_prefix("sqlite:").unwrap_or("stationkeep.db");
                KeyPlace::File(cleaned(&self.folder.join(ledger).with_extension("key")))
            }
        }
    }
}

/// 32 bytes from the system's source of randomness, for a new fingerprint key (244 of their bits are random).
pub fn random_key() -> [u8; 32] {
    let mut hasher = Sha256::new();
    hasher.update(Uuid::new_v4().as_bytes());
    hasher.update(Uuid::new_v4().as_bytes());
    hasher.finalize().into()
}

#[cfg(test)]
mod tests;
