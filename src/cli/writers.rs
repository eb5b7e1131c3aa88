//! For `explain`: who wrote the lines that it names, where the inventory is kept in git.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::daemon::with_causes;
use crate::finding::Place;
use crate::fleet::{Source, View};
use crate::git::{Author, Blamed, Git, GitError, blame};

/// The authors of lines, by file and line. Empty where nothing is known of them.
#[derive(Debug, Default)]
pub struct Writers(BTreeMap<Arc<str>, BTreeMap<u32, Author>>);

impl Writers {
    /// Asks git once a file. What it cannot tell is said on standard error, once.
    pub fn of<'p>(view: &View, places: impl IntoIterator<Item = &'p Place>) -> Writers {
        let mut lines: BTreeMap<&Arc<str>, BTreeSet<u32>> = BTreeMap::new();
        for place in places {
            lines.entry(&place.file).or_default().insert(place.line);
        }
        let (mut writers, mut troubles) = (Writers::default(), BTreeSet::new());
        for (file, lines) in lines {
            match asked(view, file, lines) {
                Ok(authors) => {
                    writers.0.insert(file.clone(), authors);
                }
                // Most inventories are in no repository, and that is no trouble.
                Err(GitError::NoRepository { .. }) => {}
                Err(error) => {
                    troubles.insert(with_causes(&error));
                }
            }
        }
        for trouble in troubles {
            eprintln!("stationkeep: who wrote the lines cannot be told: {trouble}");
        }
        writers
    }

    /// Who wrote the line of a place.
    pub fn line(&self, place: &Place) -> Option<String> {
        self.0.get(&place.file)?.get(&place.line).map(|author| match author {
            Author::Commit(commit) => format!("commit {commit}"),
            Author::NotCommitted => "not committed".into(),
        })
    }
}

fn asked(view: &View, file: &str, lines: BTreeSet<u32>) -> Result<BTreeMap<u32, Author>, GitError> {
    let git = Git::default();
    match (&view.sources.inventory, &view.reading.commit) {
        (Source::Git(followed), Some(commit)) => blame(&git, Blamed::Committed { followed, commit, path: file }, lines),
        (Source::Folder(_), _) if view.good_since().is_none() => {
            blame(&git, Blamed::Lying(&view.sources.folder.join(file)), lines)
        }
        // The last good lines are not those that lie there now.
        (Source::Folder(_), _) | (Source::Git(_), None) => Ok(BTreeMap::new()),
    }
}
