//! What the files of a fleet say: keybooks and inventory, read and checked together.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use super::side_by_side::side_by_side;
use super::spoken::Spoken;
use crate::files::FileText;
use crate::finding::{Code, Finding, settle};
use crate::git;
use crate::inventory::{self, Commit, ForEach, Inventory, Keybooks, RawFile, Resolver};
use crate::keybook::{self, Keybook};
use crate::setting::{Codes, Reference};

/// Files by their path as users know it.
pub type Texts = BTreeMap<Arc<str>, Arc<FileText>>;

/// Everything that keybooks and inventory say, and everything that is wrong with them.
#[derive(Debug, Clone, Default)]
pub struct Reading {
    /// By model.
    pub keybooks: Keybooks,
    /// The files of the inventory, taken apart.
    pub files: Vec<Arc<RawFile>>,
    /// As written.
    pub inventory: Arc<Inventory>,
    /// Which of its stations says what.
    pub spoken: Spoken,
    /// What the references lead to.
    pub codes: Codes,
    /// The secrets that the inventory refers to, each once.
    pub references: Vec<Reference>,
    /// All that is wrong with the files.
    pub findings: Vec<Finding>,
    /// The commit that the inventory is from, where it is read from a repository.
    pub commit: Option<Arc<Commit>>,
}

/// Files taken apart before, by path and content: an edit costs what it touches.
#[derive(Debug, Default)]
pub struct ReadingCache {
    raw: HashMap<Version, ParsedFile>,
    keybooks: HashMap<Version, (Option<Keybook>, Vec<Finding>)>,
    /// What was read from the inventory's repository.
    pub(super) git: git::Cache,
    resolver: Resolver,
}

/// A file taken apart.
#[derive(Debug)]
struct ParsedFile {
    file: Arc<RawFile>,
    findings: Vec<Finding>,
    /// The secrets it refers to, each once.
    references: BTreeSet<Reference>,
}

/// So few files are not worth another thread.
const FEW: usize = 16;

/// Files are resolved over the processors that there are.
struct SideBySide;

impl ForEach for SideBySide {
    fn of<T: Sync, R: Send>(&self, all: &[T], work: impl Fn(&[T]) -> Vec<R> + Sync) -> Vec<R> {
        side_by_side(all, FEW, work)
    }
}

/// A path and the hash of what it holds.
type Version = (Arc<str>, [u8; 32]);

impl Reading {
    /// Reads all files. `codes` resolves the secrets that they refer to.
    ///
    /// With errors among the findings the inventory is not to be used; [`Reading::is_sound`] says so.
    pub fn read(
        keybooks: &Texts,
        inventory: &Texts,
        codes: impl FnOnce(&[Reference]) -> Codes,
        cache: &mut ReadingCache,
    ) -> Reading {
        let mut findings = Vec::new();
        let mut raw: Vec<Arc<RawFile>> = Vec::new();
        let mut references: BTreeSet<&Reference> = BTreeSet::new();
        cache.take_apart(inventory);
        for (path, text) in inventory {
            let Some(taken) = cache.raw.get(&(path.clone(), text.sha256)) else { continue };
            findings.extend(taken.findings.iter().cloned());
            references.extend(&taken.references);
            raw.push(taken.file.clone());
        }
        let references: Vec<Reference> = references.into_iter().cloned().collect();
        let codes = codes(&references);
        let keybooks_were = findings.len();
        let books = cache.all_keybooks(keybooks, &codes, &mut findings);
        let books_sound = !findings[keybooks_were..].iter().any(Finding::is_error);
        let mut fleet = Reading { keybooks: books, files: raw, codes, references, ..Reading::default() };
        // Beside a broken keybook every station of that model would be a finding of its own.
        if books_sound {
            let (resolved, found) = cache.resolver.resolve(&fleet.files, &fleet.keybooks, &fleet.codes, &SideBySide);
            fleet.inventory = resolved;
            findings.extend(found);
        }
        settle(&mut findings);
        fleet.findings = findings;
        cache.forget_all_but(keybooks, inventory);
        fleet
    }

    /// Whether nothing is wrong that would keep the files from being used.
    pub fn is_sound(&self) -> bool {
        !self.findings.iter().any(Finding::is_error)
    }
}

impl ReadingCache {
    fn take_apart(&mut self, texts: &Texts) {
        let is_new =
            |(path, text): &(&Arc<str>, &Arc<FileText>)| !self.raw.contains_key(&((*path).clone(), text.sha256));
        let new: Vec<(&Arc<str>, &Arc<FileText>)> = texts.iter().filter(is_new).collect();
        let parsed = side_by_side(&new, FEW, |some| {
            let parse = |(path, text): &(&Arc<str>, &Arc<FileText>)| {
                let (raw, findings) = inventory::read(path, &text.bytes);
                let references = raw.references().cloned().collect();
                ParsedFile { file: Arc::new(raw), findings, references }
            };
            some.iter().map(parse).collect()
        });
        self.raw.extend(new.into_iter().map(|(path, text)| (path.clone(), text.sha256)).zip(parsed));
    }

    fn all_keybooks(&mut self, texts: &Texts, codes: &Codes, findings: &mut Vec<Finding>) -> Keybooks {
        let mut books = Keybooks::new();
        for (path, text) in texts {
            let key = (path.clone(), text.sha256);
            let (book, found) = self.keybooks.entry(key).or_insert_with(|| keybook::read(path, &text.bytes));
            findings.extend(found.iter().cloned());
            let Some(mut book) = book.clone() else { continue };
            if let Some(first) = books.get(&book.model) {
                let first: &Arc<Keybook> = first;
                let message = format!("The model \"{}\" is described twice.", book.model);
                let finding = Finding::new(Code::NameRepeated, book.place.clone(), message, "Keep one of the two.");
                findings.push(finding.beside(first.place.clone(), "described here already"));
                continue;
            }
            book.seal(codes);
            books.insert(book.model.clone(), Arc::new(book));
        }
        books
    }

    fn forget_all_but(&mut self, keybooks: &Texts, inventory: &Texts) {
        self.raw.retain(|(path, sha), _| inventory.get(path).is_some_and(|text| text.sha256 == *sha));
        self.keybooks.retain(|(path, sha), _| keybooks.get(path).is_some_and(|text| text.sha256 == *sha));
    }
}
