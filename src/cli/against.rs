//! `check --against`: what the files as they are would do to a fleet kept by other files.

use std::path::Path;

use super::scene::{Files, load};
use super::shown::{Shown, counted, findings_text, paint};
use crate::change::Change;
use crate::files::{Folder, Look, Tree};
use crate::finding::Finding;
use crate::gather::{Fleet, FleetCache, Source, Trees};
use crate::git::{Cache, Followed, Git, Snapshot};

/// What the change would do, and what it is a change against.
pub fn change(what: &str, files: &Files) -> Result<Change, Shown> {
    let trees = other_trees(what, files)?;
    let before = files.ground.fleet(&trees, &mut FleetCache::default());
    must_be_sound(&before, &trees, what)?;
    let references: Vec<_> = before.references.iter().chain(&files.fleet.references).cloned().collect();
    let codes = files.ground.codes(&references);
    Ok(Change::between(&before.inventory, &files.fleet.inventory, &codes))
}

/// The keybooks and inventory of a configuration's folder, or a folder of inventory files alone beside today's keybooks.
fn other_trees(what: &str, files: &Files) -> Result<Trees, Shown> {
    let folder = Path::new(what);
    if !folder.is_dir() {
        return Err(Shown::usage(format!("there is no folder {what}")));
    }
    let file = folder.join("stationkeep.yaml");
    let (keybooks, inventory) = if file.is_file() {
        let config = load(&file)?;
        let inventory = match &config.inventory {
            Source::Folder(folder) => tree(folder)?,
            Source::Git(followed) => committed(followed)?,
        };
        (tree(&config.keybooks)?, inventory)
    } else {
        (files.trees.keybooks.clone(), tree(&Folder::new(Path::new(""), what))?)
    };
    Ok(Trees { keybooks, inventory, commit: None })
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

fn committed(followed: &Followed) -> Result<Tree, Shown> {
    let Snapshot { commit, tree, findings } = followed.read(&Git::default(), &mut Cache::default())?;
    if findings.is_empty() {
        return Ok(tree);
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
