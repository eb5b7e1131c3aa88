//! `check --strict`: new warnings after which nobody would notice that a button fails; and access codes that git tracks.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::Checked;
use crate::cli::against::{as_warned, warned};
use crate::cli::context::Files;
use crate::files::cleaned;
use crate::finding::{Code, Finding, Place, plural};
use crate::git::{Git, tracked_in};
use crate::setting::Reference;

impl Checked {
    /// Notes which warnings count where the check is strict: not those that the revision it is compared with has already.
    pub(super) fn be_strict(&mut self, files: &Files) {
        let known = match &self.against {
            Some(against) => against.warned.clone(),
            None => warned("HEAD", files),
        };
        let counts =
            |finding: &&Finding| Code::UNNOTICED.contains(&finding.code) && !known.contains(&as_warned(finding));
        self.unnoticed = self.findings.iter().filter(counts).cloned().collect();
    }

    /// Why a strict check fails though there is no error; nothing where it does not.
    pub(super) fn why_strict(&self) -> Option<String> {
        let count = self.unnoticed.len() as u64;
        let codes: BTreeSet<&str> = self.unnoticed.iter().map(|finding| finding.code.as_str()).collect();
        let codes: Vec<&str> = codes.into_iter().collect();
        let these = if count == 1 { "this is" } else { "these are" };
        let (count, codes) = (plural(count, "new warning"), codes.join(", "));
        (!self.unnoticed.is_empty())
            .then(|| format!("{count} ({codes}). Nobody would notice if {these} wrong, so the check fails."))
    }
}

impl Checked {
    /// Codes that lie in files which git tracks, each at the line that refers to it.
    pub(super) fn tracked(files: &Files) -> Vec<Finding> {
        let config = &files.config;
        let start = Place::start_of(&config.file.file_name().unwrap_or_default().to_string_lossy().into());
        let own = config.webhooks.iter().flat_map(|webhook| webhook.references().map(|one| (one, &webhook.place)));
        let own = own.chain(config.key.iter().map(|key| (key, &start)));
        let all = files.reading.files.iter().flat_map(|file| file.references_at()).chain(own);
        let mut places: BTreeMap<PathBuf, (&str, &Place)> = BTreeMap::new();
        for (reference, place) in all {
            match reference {
                Reference::File(path) => {
                    places.entry(cleaned(&config.folder.join(&**path))).or_insert((path, place));
                }
                Reference::Env(_) | Reference::Factory => {}
            }
        }
        let folders: BTreeSet<&Path> =
            places.keys().filter_map(|path| path.parent()).filter(|path| path.is_dir()).collect();
        let git = Git::default();
        let tracked: BTreeSet<PathBuf> =
            folders.into_iter().filter_map(|folder| tracked_in(&git, folder).ok()).flatten().collect();
        let found = places.iter().filter(|(path, _)| tracked.contains(*path));
        let finding = |(path, (shown, place)): (&PathBuf, &(&str, &Place))| {
            let message = format!("Git tracks \"{shown}\", which holds a secret.");
            let fix = format!(
                "Take it out (git rm --cached '{}'), add it to .gitignore, and change the code if it was ever pushed.",
                path.display()
            );
            Finding::new(Code::CodeTracked, (*place).clone(), message, fix)
        };
        found.map(finding).collect()
    }
}
