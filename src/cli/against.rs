//! `check --against`: what the files as they are would do to a fleet kept by other files.

use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::{Value as Json, json as object};

use super::context::{Files, load};
use super::error::{CliError, counted, findings_text, paint};
use crate::brake::Change;
use crate::daemon::{Clock, with_causes};
use crate::files::{Folder, Look, Tree};
use crate::finding::Finding;
use crate::fleet::{Reading, ReadingCache, Records, Source, SourceTexts, foretold, judged, open_existing_with_key};
use crate::git::{self, Cache, Git, GitError, Snapshot};
use crate::inventory::Commit;
use crate::preview::{Preview, json as change_json, text as show};

/// A change, and what it is a change against.
pub struct Against {
    /// As it was asked for.
    what: String,
    /// What a revision stands for.
    commit: Option<Arc<Commit>>,
    pub change: Preview,
    /// What the brake would say of it.
    foretold: Foretold,
}

/// The brake's hold of the files as they are, where there would be one.
enum Foretold {
    /// By the ledger of this configuration.
    ByLedger(Option<Change>),
    /// As if all that was wanted of the stations of what is compared with were proven. `why`: what kept it from asking a
    /// ledger.
    ByFiles { held: Option<Change>, why: String },
}

impl Against {
    /// For people.
    pub fn text(&self) -> String {
        let commit = self.commit.as_ref().map(|commit| format!("{} is {commit}.\n", self.what));
        commit.unwrap_or_default() + &show(&self.change, &self.what, "here") + &self.foretold()
    }

    fn foretold(&self) -> String {
        let (held, by) = match &self.foretold {
            Foretold::ByLedger(held) => (held, "That is by the ledger, with all that is altered already.".into()),
            Foretold::ByFiles { held, why } => {
                (held, format!("{why}, so all stations of {} count as if on record.", self.what))
            }
        };
        let Some(held) = held else { return String::new() };
        format!("Scripts would be held until `stationkeep release`: {} {by}\n", held.sentence())
    }

    /// For programs.
    pub fn json(&self) -> Json {
        let mut json = change_json(&self.change);
        let (held, by_ledger) = match &self.foretold {
            Foretold::ByLedger(held) => (held, true),
            Foretold::ByFiles { held, why: _ } => (held, false),
        };
        json["held"] = held.as_ref().map_or(Json::Null, |held| {
            object!({
                "stations": held.count,
                "handed_out": held.in_hand.len(),
                "of": held.on_record,
                "limit": held.limit,
                "names": held.stations.iter().map(|name| &**name).collect::<Vec<_>>(),
                "by_ledger": by_ledger,
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
pub async fn against(what: &str, files: &Files) -> Result<Against, CliError> {
    let folder = Path::new(what);
    let trees = if folder.is_dir() { in_folder(folder, files)? } else { in_history(what, files)? };
    let before = files.sources.read_texts(&trees, &mut ReadingCache::default());
    must_be_sound(&before, &trees, what)?;
    let references: Vec<_> = before.references.iter().chain(&files.reading.references).cloned().collect();
    let codes = files.sources.codes(&references);
    let change = Preview::between(&before.inventory, &files.reading.inventory, &codes);
    let foretold = match ask(files).await {
        Ok(held) => Foretold::ByLedger(held),
        Err(why) => {
            let after = &files.reading.inventory;
            let records = Records::as_if_proven(&before.inventory, after);
            let limit = files.config.brake.limit();
            Foretold::ByFiles { held: judged(after, &records, &limit, Timestamp::UNIX_EPOCH), why }
        }
    };
    Ok(Against { what: what.to_owned(), commit: trees.commit, change, foretold })
}

/// What the brake would hold, by the ledger of the configuration; or why it cannot be asked.
async fn ask(files: &Files) -> Result<Option<Change>, String> {
    let failed = |error: &dyn std::error::Error| format!("The ledger could not be asked ({})", with_causes(error));
    let store = open_existing_with_key(files.config.ledger.reveal(), &files.config.key_place()).await;
    let store = store.map_err(|error| failed(&error))?;
    let store = store.ok_or("There is no ledger of this version here")?;
    let now = Clock::from_env()?.now();
    let limit = files.config.brake.limit();
    let held = foretold(&store, &files.reading.inventory, &limit, now).await;
    held.map_err(|error| failed(&error))
}

/// The keybooks and inventory of a configuration's folder, or a folder of inventory files alone beside today's keybooks.
fn in_folder(folder: &Path, files: &Files) -> Result<SourceTexts, CliError> {
    let file = folder.join("stationkeep.yaml");
    let (keybooks, inventory) = if file.is_file() {
        let config = load(&file)?;
        let inventory = match &config.inventory {
            Source::Folder(folder) => tree(folder)?,
            Source::Git(followed) => whole(followed.read(&Git::default(), &mut Cache::default())?)?.1,
        };
        (tree(&config.keybooks)?, inventory)
    } else {
        (files.texts.keybooks.clone(), tree(&Folder::new(Path::new(""), &folder.display().to_string()))?)
    };
    Ok(SourceTexts { keybooks, inventory, commit: None })
}

/// The inventory as a revision of its repository had it, and the keybooks too, where they lie beside it.
fn in_history(revision: &str, files: &Files) -> Result<SourceTexts, CliError> {
    let git = Git::default();
    let failed = |error: GitError| {
        let why = format!("{revision} is no folder, and no revision to compare with: {}", with_causes(&error));
        CliError::usage(format!("{}. {}", why.trim_end_matches('.'), error.fix()))
    };
    let (commit, inventory, keybooks) = match &files.sources.inventory {
        Source::Git(followed) => {
            let (commit, inventory) = whole(followed.as_of(&git, revision).map_err(failed)?)?;
            (commit, inventory, files.texts.keybooks.clone())
        }
        Source::Folder(folder) => {
            let (commit, inventory) = whole(git::tree_as_of(&git, folder, revision).map_err(failed)?)?;
            let keybooks = if git::is_same_work_tree(&git, &files.sources.keybooks, folder) {
                // By its id: a branch may move in between.
                whole(git::tree_as_of(&git, &files.sources.keybooks, commit.id()).map_err(failed)?)?.1
            } else {
                files.texts.keybooks.clone()
            };
            (commit, inventory, keybooks)
        }
    };
    Ok(SourceTexts { keybooks, inventory, commit: Some(commit) })
}

fn tree(folder: &Folder) -> Result<Tree, CliError> {
    let now = std::time::SystemTime::now();
    let (tree, findings) = Tree::read(folder, &Tree::default(), Look::Whole, now);
    if findings.is_empty() {
        return Ok(tree);
    }
    eprint!("{}", findings_text(&findings, &[], paint()));
    Err(CliError::usage(format!("{} cannot be read whole", folder.path.display())))
}

fn whole(snapshot: Snapshot) -> Result<(Arc<Commit>, Tree), CliError> {
    let Snapshot { commit, tree, findings } = snapshot;
    if findings.is_empty() {
        return Ok((commit, tree));
    }
    eprint!("{}", findings_text(&findings, &[], paint()));
    Err(CliError::usage(format!("commit {commit} cannot be read whole")))
}

/// A comparison with broken files would say nothing.
fn must_be_sound(before: &Reading, trees: &SourceTexts, what: &str) -> Result<(), CliError> {
    let errors: Vec<Finding> = before.findings.iter().filter(|finding| finding.is_error()).cloned().collect();
    if errors.is_empty() {
        return Ok(());
    }
    eprint!("{}", findings_text(&errors, &[&trees.keybooks.files, &trees.inventory.files], paint()));
    Err(CliError::usage(format!(
        "nothing can be compared with {what}: its files cannot be used ({})",
        counted(&errors)
    )))
}
