//! Reading a repository's refs and objects: what git prints, taken apart. It knows no inventory.
//!
//! Formats: git-for-each-ref(1), git-cat-file(1) "BATCH OUTPUT", git-ls-tree(1) "OUTPUT FORMAT", and the commit object as
//! `git cat-file commit` shows it.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::io::{self, BufRead, Read};
use std::sync::Arc;

use jiff::Timestamp;

use super::run::{Answer, At, failed};
use super::{Git, GitError};
use crate::files::{FileText, LIMIT_NAMES};
use crate::inventory::Commit;

/// An object's id: 40 hexadecimal digits, 64 where the repository counts by SHA-256.
pub(super) type Id = Arc<str>;

/// The most bytes of a commit, of a list of refs, and of a list of files.
const LIMIT_COMMIT: u64 = 1 << 20;
const LIMIT_REFS: u64 = 4 << 20;
const LIMIT_LIST: u64 = 256 << 20;
/// The longest line that git heads an object with.
const LIMIT_HEADER: u64 = 8 << 10;

/// Whether a text is an object's whole id.
pub(super) fn is_id(text: &str) -> bool {
    matches!(text.len(), 40 | 64) && text.bytes().all(|sign| matches!(sign, b'0'..=b'9' | b'a'..=b'f'))
}

/// A file or the like in a tree, and what leads to its content.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct TreeEntry<T = Id> {
    pub what: What,
    pub id: T,
    /// From the tree that was asked for.
    pub path: Vec<u8>,
}

/// What an entry of a tree is, by its mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum What {
    File,
    Link,
    Submodule,
    /// A file of which two sides of a merge differ; only in the index.
    Unmerged,
}

impl What {
    /// By the first digits of a mode, as git-fast-import(1) lists them: 100644, 100755, 120000, 160000.
    pub(super) fn of_mode(mode: &str) -> Option<What> {
        match mode.get(..3)? {
            "100" => Some(What::File),
            "120" => Some(What::Link),
            "160" => Some(What::Submodule),
            _ => None,
        }
    }
}

impl Git {
    /// The refs that match these patterns: their full names and what they point to.
    pub(super) fn refs(&self, at: At<'_>, patterns: &[&str]) -> Result<Vec<(String, Id)>, GitError> {
        let mut args = vec!["for-each-ref", "--format=%(objectname) %(refname)"];
        args.extend(patterns);
        let args: Vec<&OsStr> = args.into_iter().map(OsStr::new).collect();
        let text = self.text(at, &args, LIMIT_REFS)?;
        let refs = text.lines().map(|line| {
            let (id, name) = line.split_once(' ').filter(|(id, _)| is_id(id)).ok_or(GitError::Garbled)?;
            Ok((name.to_owned(), id.into()))
        });
        refs.collect()
    }

    /// The output of a call that must succeed, as text.
    pub(super) fn text(&self, at: At<'_>, args: &[&OsStr], most: u64) -> Result<String, GitError> {
        let answer = self.call(at, args, Vec::new(), most + 1, move |output| {
            let mut text = Vec::new();
            output.read_to_end(&mut text)?;
            if text.len() as u64 > most { Err(io::ErrorKind::FileTooLarge.into()) } else { Ok(text) }
        })?;
        Ok(String::from_utf8_lossy(&whole(at, answer)?).into_owned())
    }

    /// The id that a revision leads to; nothing where it leads nowhere.
    pub(super) fn revision(&self, at: At<'_>, revision: &str) -> Result<Option<Id>, GitError> {
        let args = ["rev-parse", "--verify", "--quiet", "--end-of-options", revision].map(OsStr::new);
        let answer = self.call(at, &args, Vec::new(), LIMIT_HEADER, |output| io::read_to_string(output))?;
        let Answer { read, status, says } = answer;
        if status.success() {
            let text = read.map_err(|_| GitError::Garbled)?;
            return Some(text.trim_end()).filter(|id| is_id(id)).map(|id| Some(id.into())).ok_or(GitError::Garbled);
        }
        // Quiet where it is no revision; anything said is another trouble, but for names that are near misses.
        if status.code() == Some(1) || says.contains("ambiguous") || says.contains("Needed a single revision") {
            return Ok(None);
        }
        Err(failed(at, &says))
    }

    /// The commit that an id leads to, and its tree or the folder in it; `folder` is empty for the whole tree.
    pub(super) fn commit(&self, at: At<'_>, id: &str, folder: &str) -> Result<(Commit, Option<Id>), GitError> {
        let input = format!("{id}^{{commit}}\n{id}^{{commit}}:{folder}\n").into_bytes();
        let answer = self.call(at, &["cat-file", "--batch"].map(OsStr::new), input, LIMIT_LIST, |output| {
            let Some(first) = header(output)? else {
                // What git still has to say is heard, or it would end by a broken pipe.
                io::copy(output, &mut io::sink())?;
                return Ok(None);
            };
            let body = contents(output, first.size, LIMIT_COMMIT)?;
            let tree = match header(output)? {
                Some(second) => {
                    io::copy(&mut output.take(second.size + 1), &mut io::sink())?;
                    (second.kind == "tree").then_some(second.id)
                }
                None => None,
            };
            Ok(Some((commit(&first.id, &body), tree)))
        })?;
        whole(at, answer)?.ok_or_else(|| GitError::Missing { what: format!("commit {id}") })
    }

    /// Everything below a tree but the folders themselves.
    pub(super) fn entries(&self, at: At<'_>, tree: &str) -> Result<Vec<TreeEntry>, GitError> {
        self.records(at, &["ls-tree", "-r", "-z", "--full-tree", tree].map(OsStr::new), entry)
    }

    /// The records that a call lists, each ended by a NUL; `read` makes something of each, or cannot.
    pub(super) fn records<T: Send + 'static>(
        &self,
        at: At<'_>,
        args: &[&OsStr],
        read: fn(&[u8]) -> Option<T>,
    ) -> Result<Vec<T>, GitError> {
        let answer = self.call(at, args, Vec::new(), LIMIT_LIST, move |output| {
            let mut records = Vec::new();
            loop {
                let mut record = Vec::new();
                if output.read_until(0, &mut record)? == 0 {
                    return Ok(records);
                }
                if records.len() >= LIMIT_NAMES {
                    return Err(io::ErrorKind::FileTooLarge.into());
                }
                let record = record.strip_suffix(&[0]).and_then(read).ok_or(io::ErrorKind::InvalidData)?;
                records.push(record);
            }
        })?;
        whole(at, answer)
    }

    /// The sizes of objects in bytes; one that the repository lacks has none.
    pub(super) fn sizes(&self, at: At<'_>, ids: &[Id]) -> Result<BTreeMap<Id, u64>, GitError> {
        let args = ["cat-file", "--batch-check"].map(OsStr::new);
        let answer = self.call(at, &args, lines(ids), LIMIT_LIST, |output| {
            let mut sizes = BTreeMap::new();
            while !output.fill_buf()?.is_empty() {
                if let Some(header) = header(output)? {
                    sizes.insert(header.id, header.size);
                }
            }
            Ok(sizes)
        })?;
        whole(at, answer)
    }

    /// The contents of objects that are there, each of at most `largest` bytes and all of at most `most`.
    pub(super) fn blobs(
        &self,
        at: At<'_>,
        ids: &[Id],
        largest: u64,
        most: u64,
    ) -> Result<BTreeMap<Id, Arc<FileText>>, GitError> {
        let args = ["cat-file", "--batch"].map(OsStr::new);
        let most = most + ids.len() as u64 * LIMIT_HEADER;
        let answer = self.call(at, &args, lines(ids), most, move |output| {
            let mut blobs = BTreeMap::new();
            while !output.fill_buf()?.is_empty() {
                if let Some(header) = header(output)? {
                    let bytes = contents(output, header.size, largest)?;
                    blobs.insert(header.id, Arc::new(FileText::new(bytes)));
                }
            }
            Ok(blobs)
        })?;
        whole(at, answer)
    }
}

fn lines(ids: &[Id]) -> Vec<u8> {
    ids.iter().flat_map(|id| id.bytes().chain([b'\n'])).collect()
}

/// What was read, where git read all it was asked for.
pub(super) fn whole<T>(at: At<'_>, answer: Answer<T>) -> Result<T, GitError> {
    let Answer { read, status, says } = answer;
    match read {
        Err(error) if error.kind() == io::ErrorKind::FileTooLarge => Err(GitError::TooMuch),
        // Git's own failure says more than the output that it cut short.
        _ if !status.success() => Err(failed(at, &says)),
        Err(_) => Err(GitError::Garbled),
        Ok(read) => Ok(read),
    }
}

/// What git heads an object with.
struct Header {
    id: Id,
    kind: String,
    size: u64,
}

/// `<id> <kind> <size>`, or nothing for `<name> missing` and the like.
fn header(output: &mut dyn BufRead) -> io::Result<Option<Header>> {
    let mut line = Vec::new();
    output.take(LIMIT_HEADER).read_until(b'\n', &mut line)?;
    if line.pop() != Some(b'\n') {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    let line = String::from_utf8_lossy(&line);
    let mut words = line.split(' ');
    let (Some(id), Some(kind), Some(size), None) = (words.next(), words.next(), words.next(), words.next()) else {
        return Ok(None);
    };
    Ok(size.parse().ok().filter(|_| is_id(id)).map(|size| Header { id: id.into(), kind: kind.into(), size }))
}

/// An object's bytes, and the line break after them.
fn contents(output: &mut dyn BufRead, size: u64, most: u64) -> io::Result<Vec<u8>> {
    if size > most {
        return Err(io::ErrorKind::FileTooLarge.into());
    }
    let mut bytes = Vec::new();
    output.take(size).read_to_end(&mut bytes)?;
    let mut end = [0];
    output.read_exact(&mut end)?;
    if bytes.len() as u64 == size && end == *b"\n" { Ok(bytes) } else { Err(io::ErrorKind::UnexpectedEof.into()) }
}

/// `<mode> <kind> <id>\t<path>`.
fn entry(record: &[u8]) -> Option<TreeEntry> {
    let tab = record.iter().position(|byte| *byte == b'\t')?;
    let (head, path) = (std::str::from_utf8(record.get(..tab)?).ok()?, record.get(tab + 1..)?);
    let mut words = head.split(' ');
    let (mode, _kind, id) = (words.next()?, words.next()?, words.next()?);
    let what = What::of_mode(mode)?;
    Some(TreeEntry { what, id: Some(id).filter(|id| is_id(id))?.into(), path: path.to_vec() })
}

/// A commit from its object: headers, an empty line, the message.
pub(super) fn commit(id: &str, body: &[u8]) -> Commit {
    let text = String::from_utf8_lossy(body);
    let (headers, message) = text.split_once("\n\n").unwrap_or((&text, ""));
    let author = headers.lines().find_map(|line| line.strip_prefix("author ")).unwrap_or_default();
    let (name, rest) = author.split_once('<').unwrap_or((author, ""));
    let seconds = rest.rsplit_once('>').and_then(|(_, time)| time.split_whitespace().next()?.parse().ok());
    let at = seconds.and_then(|seconds| Timestamp::from_second(seconds).ok());
    let name = if name.trim().is_empty() { "nobody named" } else { name.trim() };
    Commit::new(id, name, at, &subject(message))
}

/// The first paragraph of a message in one line, as `git log --format=%s` has it.
fn subject(message: &str) -> String {
    let lines = message.lines().map(str::trim_end).skip_while(|line| line.is_empty());
    lines.take_while(|line| !line.is_empty()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    const ID: &str = "6512e9ad6c2836c8d5a067cdd59e13a587bf9bfb";

    #[test]
    fn a_header_is_an_object_or_something_missing_and_never_taken_for_more() {
        let found = |line: &str| header(&mut line.as_bytes()).unwrap().map(|header| (header.kind, header.size));
        assert_eq!(found(&format!("{ID} blob 12\n")), Some(("blob".into(), 12)));
        assert_eq!(found(&format!("{ID} missing\n")), None);
        assert_eq!(found(&format!("{ID}^{{commit}}:x blob 12 missing\n")), None);
        assert_eq!(found(&format!("{ID}^{{commit}}:x blob missing\n")), None);
        assert!(header(&mut &b"cut off"[..]).is_err());
    }

    #[test]
    fn contents_are_whole_or_an_error() {
        assert_eq!(contents(&mut &b"abc\n"[..], 3, 9).unwrap(), b"abc");
        for (bytes, size) in [(&b"abc"[..], 3), (b"ab\n", 3), (b"abcd\n", 3), (b"", 0)] {
            assert!(contents(&mut &*bytes, size, 9).is_err(), "{bytes:?}");
        }
        assert_eq!(contents(&mut &b"abc\n"[..], 3, 2).unwrap_err().kind(), io::ErrorKind::FileTooLarge);
    }

    #[test]
    fn an_entry_keeps_every_byte_of_its_path() {
        let record = |mode: &str, path: &str| format!("{mode} blob {ID}\t{path}").into_bytes();
        let path = "a b\t\"ü\n.yaml";
        let read = entry(&record("100755", path)).unwrap();
        assert_eq!((read.what, read.path), (What::File, path.as_bytes().to_vec()));
        assert_eq!(entry(&record("120000", "x")).unwrap().what, What::Link);
        assert_eq!(entry(&record("160000", "x")).unwrap().what, What::Submodule);
        assert_eq!(entry(&record("777777", "x")), None);
        assert_eq!(entry(b"100644 blob\tx"), None);
    }

    #[test]
    fn a_commit_that_is_no_more_than_bytes_still_has_a_name() {
        for body in [&b""[..], b"author", b"author <\n\n", b"author  <x> soon\n\n\n", b"\xff\xfe\n\n\xff", b"\n\n\n\n"]
        {
            let commit = commit(ID, body);
            assert_eq!((commit.author(), commit.at()), ("nobody named", None), "{body:?}");
        }
        let late = commit(ID, b"author A <a> 99999999999999999 +0000\n\nx");
        assert_eq!((late.author(), late.at(), late.subject()), ("A", None, "x"));
    }
}
