//! A repository for tests, made and asked by the git program itself: the outside reference for everything read here.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use super::{Followed, Git};
use crate::files::Folder;

/// A work tree with its repository, in a folder of its own.
pub(super) struct Repo {
    pub dir: tempfile::TempDir,
}

impl Repo {
    /// An empty one, on branch `main`.
    pub fn new() -> Repo {
        Repo::with(&[])
    }

    /// The same with other settings for `git init`.
    pub fn with(settings: &[&str]) -> Repo {
        let repo = Repo { dir: tempfile::tempdir().unwrap() };
        fs::create_dir(repo.path()).unwrap();
        let mut args = vec!["init", "--quiet", "--initial-branch=main"];
        args.extend(settings);
        repo.git(&args);
        repo
    }

    /// The work tree.
    pub fn path(&self) -> PathBuf {
        self.dir.path().join("fleet")
    }

    /// Runs git, which must succeed; its output without the last line break.
    pub fn git(&self, args: &[&str]) -> String {
        let output = run_in(&self.path(), args);
        assert!(output.status.success(), "git {args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).trim_end_matches('\n').to_owned()
    }

    pub fn write(&self, name: &str, text: impl AsRef<[u8]>) {
        let path = self.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    /// Commits everything as it lies there, and gives the commit's id.
    pub fn commit(&self, message: &str) -> String {
        self.git(&["add", "--all"]);
        self.git(&["commit", "--quiet", "--allow-empty", "--allow-empty-message", "-m", message]);
        self.git(&["rev-parse", "HEAD"])
    }

    /// A folder of it, followed.
    pub fn followed(&self, name: &str, folder: &str) -> Followed {
        followed(&self.path(), name, folder)
    }
}

pub(super) fn followed(repository: &Path, name: &str, folder: &str) -> Followed {
    let repository = Folder::new(Path::new("/"), repository.to_str().unwrap());
    Followed { repository, name: name.parse().unwrap(), folder: folder.into() }
}

/// Git as people run it, but for their own settings.
pub(super) fn run_in(folder: &Path, args: &[&str]) -> Output {
    let settings = ["-c", "protocol.file.allow=always", "-c", "user.name=Mòrag", "-c", "user.email=m@skerry.example"];
    Command::new("git")
        .args(settings)
        .args(args)
        .current_dir(folder)
        .env("GIT_CONFIG_GLOBAL", "/dev/null")
        .env("GIT_CONFIG_NOSYSTEM", "1")
        .output()
        .expect("the git program runs: tests/run installs it")
}

/// A program in git's place.
pub(super) fn in_place_of_git(dir: &Path, script: &str) -> Git {
    use std::os::unix::fs::PermissionsExt;
    let path = dir.join("git-instead");
    fs::write(&path, format!("#!/bin/sh\n{script}\n")).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
    Git::new(&path, std::time::Duration::from_secs(2))
}
