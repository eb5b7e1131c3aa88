//! What can go wrong with a repository, in the users' words, each with its fix.

use std::io;

use crate::finding::{Code, Finding, Place};

/// Why a repository gave no answer. Paths and names are shown as their user wrote them.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum GitError {
    #[error("the git program is not installed, or not on the PATH")]
    NoProgram,
    #[error("the git program cannot be run")]
    NotRun(#[source] io::Error),
    #[error("git gave no answer within {seconds} s")]
    TooSlow { seconds: u64 },
    #[error("git answered with more than is read")]
    TooMuch,
    /// Killed by the system or by someone; the next try may succeed.
    #[error("git was ended by signal {signal}")]
    Ended { signal: i32 },
    #[error("git said something that is not understood")]
    Garbled,
    /// The repository belongs to another user, whose settings git does not trust.
    #[error("git rejects \"{path}\", because it belongs to another user")]
    Foreign { path: String },
    #[error("\"{path}\" is not a git repository")]
    NoRepository { path: String },
    #[error("the repository of \"{path}\" has no branch, tag or commit \"{name}\"")]
    NoRef { path: String, name: String, near: String },
    #[error("\"{name}\" is more than one thing in \"{path}\": {names}")]
    Ambiguous { path: String, name: String, names: String },
    #[error("commit {commit} has no folder \"{folder}\"")]
    NoFolder { commit: String, folder: String },
    #[error("the work tree has no folder \"{folder}\"")]
    NoWorkFolder { folder: String },
    /// An object that should be there is not, or another one came.
    #[error("the repository lacks {what}")]
    Missing { what: String },
    /// Git's own words, at most a few lines of them.
    #[error("git cannot read the repository: {says}")]
    Failed { says: String },
}

impl GitError {
    /// What to do about it, as an instruction.
    pub fn fix(&self) -> String {
        match self {
            GitError::NoProgram => "Install git.".into(),
            GitError::NotRun(_) | GitError::Ended { .. } => "Check memory, processes and permissions.".into(),
            GitError::TooSlow { .. } => "Look at the disk that the repository is on.".into(),
            GitError::TooMuch => "Look for what does not belong in the repository's folder.".into(),
            GitError::Garbled => "Look at the version of git; 2.36 or later is needed.".into(),
            GitError::Foreign { path } => {
                format!("As the user that runs stationkeep: git config --global --add safe.directory '{path}'")
            }
            GitError::NoRepository { .. } => {
                "Give the path of a bare repository, or of the folder that holds \".git\".".into()
            }
            GitError::NoRef { near, .. } => near.clone(),
            GitError::Ambiguous { .. } => "Write the one that is meant in full.".into(),
            GitError::NoFolder { .. } | GitError::NoWorkFolder { .. } => {
                "Fix \"folder\", or put the folder back.".into()
            }
            GitError::Missing { .. } | GitError::Failed { .. } => {
                "Look at it with \"git fsck\"; fix it from another clone.".into()
            }
        }
    }

    /// Of a revision that someone typed.
    pub(super) fn no_revision(shown: &str, revision: &str) -> GitError {
        let name = revision.chars().filter(|sign| !sign.is_control()).take(80).collect();
        GitError::NoRef { path: shown.into(), name, near: "Look for it with \"git log --oneline --all\".".into() }
    }

    /// Whether the same question may be answered a moment later: objects are packed and pruned, processes killed.
    pub(super) fn may_pass(&self) -> bool {
        match self {
            GitError::Ended { .. } | GitError::Missing { .. } | GitError::Failed { .. } | GitError::Garbled => true,
            GitError::NoProgram
            | GitError::NotRun(_)
            | GitError::TooSlow { .. }
            | GitError::TooMuch
            | GitError::Foreign { .. }
            | GitError::NoRepository { .. }
            | GitError::NoRef { .. }
            | GitError::Ambiguous { .. }
            | GitError::NoFolder { .. }
            | GitError::NoWorkFolder { .. } => false,
        }
    }

    /// As a finding about a repository shown so.
    pub fn finding(&self, shown: &str) -> Finding {
        let why = std::error::Error::source(self).map(|source| format!(" ({source})")).unwrap_or_default();
        let message = format!("The inventory cannot be read from its repository: {self}{why}.");
        Finding::new(Code::RepositoryUnread, Place::start_of(&shown.into()), message, self.fix())
    }
}
