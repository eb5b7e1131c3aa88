//! The git program: files of a commit, and who wrote a line.
//!
//! [`Followed`] is a folder in a repository that the inventory is read from, commit by commit; [`tree_as_of`] reads a
//! folder of a work tree as a revision had it, [`staged_in`] as the next commit would; [`blame()`] says which commit
//! wrote a line. Nothing is ever checked out,
//! fetched or written, and no program but git runs: hooks, pagers, filters, prompts and remotes are off. Every call has
//! a limit of time and of size. It decides nothing; the clock is not asked.

mod blame;
mod edited;
mod error;
mod follow;
mod objects;
mod past;
mod run;
mod snapshot;

pub use blame::{Author, Blamed, blame};
pub use edited::{staged_in, tracked_in};
pub use error::GitError;
pub use follow::{Cache, Followed, RefName, UnfitRef};
pub use past::{is_same_work_tree, tree_as_of};
pub use run::Git;
pub use snapshot::Snapshot;

#[cfg(test)]
mod repo;
#[cfg(test)]
mod tests;
