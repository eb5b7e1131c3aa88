//! `check --against`: what the files as they are would do to a fleet kept by other files.

use std::path::Path;
use std::sync::Arc;

use serde_json::{Value as Json, json as object};

use super::scene::{Files, load};
use super::shown::{Shown, counted, findings_text, paint};
use crate::brake::{Held, foresee};
use crate::change::{Change, json as change_json, text as show};
use crate::daemon::with_causes;
use crate::files::{Folder, Look, Tree};
use crate::finding::{Finding, plural};
use crate::gather::{Fleet, FleetCache, Source, Trees};
use crate::git::{self, Cache, Git, GitError, Snapshot};
use crate::inventory::Commit;

/// A change, and what it is a change against.
pub struct Against {
    /// As it was asked for.
    what: String,
    /// What a revision stands for.
    commit: Option<Arc<Commit>>,
    pub change: Change,
    /// The brake's hold of it, where there would be one.
    held: Option<Held>,
}

impl Against {
    /// For people.
    pub fn text(&self) -> String {
        let commit = self.commit.as_ref().map(|commit| format!("{} is {commit}.\n", self.what));
        let held = self.held.as_ref().map(|held| {
            let (count, all) = (held.count(), plural(held.on_record as u64, "station"));
            let (share, set_at) = (held.limit.share.percent(), &held.limit.set_at);
            format!(
                "This change would be held: it alters lifeline settings of {count} of {all}, more than {share} ({set_at}). \
                 Its scripts would wait for `stationkeep release`. The ledger is not asked: all stations of {} count.\n",
                self.what
            )
        });
        commit.unwrap_or_default() + &show(&self.change, &self.what, "here") + &held.unwrap_or_default()
    }

    /// For programs.
    pub fn json(&self) -> Json {
        let mut json = change_json(&self.change);
        json["held"] = self.held.as_ref().map_or(Json::Null, |held| {
            object!({
                "stations": held.count(),
                "of": held.on_record,
                "share": held.limit.share.value(),
                "set_at": held.limit.set_at,
            })
        });
        json["against"] = object!({
            "what": self.what,
            "commit": self.commit.as_ref().map(|commit| commit.json()),
        });
        json
    }
}

/// What the files would change, against a folder or a revision.
pub fn against(what: &str, files: &Files) -> Result<Against, Shown> {
    let folder = Path::new(what);
    let trees = if folder.is_dir() { in_folder(folder, files)? } else { in_history(what, files)? };
    let before = files.ground.fleet(&trees, &mut FleetCache::default());
    must_be_sound(&before, &trees, what)?;
    let references: Vec<_> = before.references.iter().chain(&files.fleet.references).cloned().collect();
    let codes = files.ground.codes(&references);
    let change = Change::between(&before.inventory, &files.fleet.inventory, &codes);
    let held = foresee(&before.inventory, &files.fleet.inventory, &files.config.surge.limit());
    Ok(Against { what: what.to_owned(), commit: trees.commit, change, held })
}

/// The keybooks and inventory of a configuration's folder, or a folder of inventory files alone beside today's keybooks.
fn in_folder(folder: &Path, files: &Files) -> Result<Trees, Shown> {
    let file = folder.join("stationkeep.yaml");
    let (keybooks, inventory) = if file.is_file() {
        let config = load(&file)?;
        let inventory = match &config.inventory {
            Source::Folder(folder) => tree(folder)?,
            Source::Git(followed) => whole(followed.read(&Git::default(), &mut Cache::default())?)?.1,
        };
        (tree(&config.keybooks)?, inventory)
    } else {
        (files.trees.keybooks.clone(), tree(&Folder::new(Path::new(""), &folder.display().to_string()))?)
    };
    Ok(Trees { keybooks, inventory, commit: None })
}

/// The inventory as a revision of its repository had it, and the keybooks too, where they lie beside it.
fn in_history(revision: &str, files: &Files) -> Result<Trees, Shown> {
    let git = Git::default();
    let failed = |error: GitError| {
        let why = format!("{revision} is no folder, and no revision to compare with: {}", with_causes(&error));
        Shown::usage(format!("{}. {}", why.trim_end_matches('.'), error.mend()))
    };
    let (commit, inventory, keybooks) = match &files.ground.inventory {
        Source::Git(followed) => {
            let (commit, inventory) = whole(followed.as_of(&git, revision).map_err(failed)?)?;
            (commit, inventory, files.trees.keybooks.clone())
        }
        Source::Folder(folder) => {
            let (commit, inventory) = whole(git::tree_as_of(&git, folder, revision).map_err(failed)?)?;
            let keybooks = if git::is_same_work_tree(&git, &files.ground.keybooks, folder) {
                // By its id: a branch may move in between.
                whole(git::tree_as_of(&git, &files.ground.keybooks, commit.id()).map_err(failed)?)?.1
            } else {
                files.trees.keybooks.clone()
            };
            (commit, inventory, keybooks)
        }
    };
    Ok(Trees { keybooks, inventory, commit: Some(commit) })
}

fn tree(folder: &Folder) -> Result<Tree, Shown> {
    let now = std::time::SystemTime::now();
    let (tree, findings) = Tree::read(folder, &Tree::default(), Look::Whole, now);
    if findings.is_empty() {
        return Ok(tree);
    }
    eprint!("{}", findings_text(&findings, &[], paint()));
    Err(Shown::usage(format!("{} cannot be read whole", folder.path.display())))
}

fn whole(snapshot: Snapshot) -> Result<(Arc<Commit>, Tree), Shown> {
    let Snapshot { commit, tree, findings } = snapshot;
    if findings.is_empty() {
        return Ok((commit, tree));
    }
    eprint!("{}", findings_text(&findings, &[], paint()));
    Err(Shown::usage(format!("commit {commit} cannot be read whole")))
}

/// A comparison with broken files would say nothing.
fn must_be_sound(before: &Fleet, trees: &Trees, what: &str) -> Result<(), Shown> {
    let errors: Vec<Finding> = before.findings.iter().filter(|finding| finding.is_error()).cloned().collect();
    if errors.is_empty() {
        return Ok(());
    }
    eprint!("{}", findings_text(&errors, &[&trees.keybooks.files, &trees.inventory.files], paint()));
    Err(Shown::usage(format!("nothing can be compared with {what}: its files cannot be used ({})", counted(&errors))))
}
