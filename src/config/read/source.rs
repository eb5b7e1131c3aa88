//! The `inventory` key: a folder, or a folder in a git repository.

use super::{Reader, defaults};
use crate::files::Folder;
use crate::finding::Code;
use crate::fleet::Source;
use crate::git::{Followed, RefName};
use crate::yaml::{Data, Node};

impl Reader<'_> {
    /// Nothing where what is written cannot be used.
    pub(super) fn inventory(&mut self, node: Option<&Node>) -> Option<Source> {
        match node.map(|node| (node, &node.data)) {
            Some((node, Data::Map(_))) => self.git(node).map(Source::Git),
            Some((_, Data::Scalar { .. } | Data::List(_))) | None => {
                self.folder(node, "inventory", defaults::INVENTORY).map(Source::Folder)
            }
        }
    }

    fn git(&mut self, node: &Node) -> Option<Followed> {
        let what = "An inventory in a repository";
        let [git, name, folder] = self.sheet.map(node, what, ["git", "ref", "folder"])?;
        let git = self.sheet.required(git, node, what, "git");
        let name = self.sheet.required(name, node, what, "ref");
        let repository = git.and_then(|n| self.repository(n));
        let name = name.and_then(|n| self.ref_name(n));
        let folder = match folder {
            Some(n) => self.folder_within(n),
            None => Some("."),
        };
        Some(Followed { repository: repository?, name: name?, folder: folder?.into() })
    }

    fn repository(&mut self, node: &Node) -> Option<Folder> {
        let text = self.path(node, "git")?;
        // `host:path`, as git itself takes it for another machine: a colon before the first slash.
        let elsewhere = text.contains("://") || text.split('/').next().is_some_and(|start| start.contains(':'));
        if elsewhere {
            let message = "\"git\" is an address, and only a repository on this machine is read.";
            let fix = "Keep a clone here (\"git clone --mirror\"), let a timer fetch into it, and give its path.";
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
            return None;
        }
        Some(Folder::new(self.base(), text))
    }

    fn ref_name(&mut self, node: &Node) -> Option<RefName> {
        let text = self.sheet.text(node, "\"ref\"")?;
        match text.parse() {
            Ok(name) => Some(name),
            Err(_) => {
                let message = format!("\"ref\" is \"{text}\", which can be no branch or tag.");
                let fix = "Write the name of a branch or tag (main, refs/tags/v3), or the whole id of a commit.";
                self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
                None
            }
        }
    }

    /// A folder from the repository's top.
    fn folder_within<'n>(&mut self, node: &'n Node) -> Option<&'n str> {
        let text = self.path(node, "folder")?;
        let mut inner = text.trim_end_matches('/');
        while let Some(rest) = inner.strip_prefix("./") {
            inner = rest;
        }
        if inner == "." {
            return Some(inner);
        }
        if inner.split('/').any(|step| matches!(step, "" | "." | "..")) {
            let message = format!("\"folder\" is \"{text}\", which is not a path from the repository's top.");
            let fix = "Write it like config/inventory, or leave it out for the whole repository.";
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
            return None;
        }
        Some(inner)
    }
}
