//! What is read from a repository, against what the git program itself says of it.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::{PermissionsExt, chown, symlink};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::repo::{Repo, followed, in_place_of_git, run_in};
use super::*;
use crate::files::{Folder, Look, Tree};
use crate::finding::Code;
use crate::yaml::LIMIT_BYTES;

fn read(followed: &Followed) -> Result<Snapshot, GitError> {
    followed.read(&Git::default(), &mut Cache::default())
}

fn whole(followed: &Followed) -> Snapshot {
    let snapshot = read(followed).unwrap();
    assert_eq!(snapshot.findings, []);
    snapshot
}

fn texts(snapshot: &Snapshot) -> BTreeMap<String, String> {
    let files = snapshot.tree.files.iter();
    files.map(|(name, text)| (name.to_string(), text.text().unwrap().to_owned())).collect()
}

/// What git shows of a commit's YAML files below a folder.
fn shown_by_git(repo: &Repo, commit: &str, folder: &str) -> BTreeMap<String, String> {
    let listed = run_in(&repo.path(), &["ls-tree", "-r", "-z", "--name-only", "--full-tree", commit, "--", folder]);
    let names = String::from_utf8(listed.stdout).unwrap();
    let names = names.split('\0').filter(|name| name.ends_with(".yaml"));
    let text =
        |name: &str| String::from_utf8(run_in(&repo.path(), &["show", &format!("{commit}:{name}")]).stdout).unwrap();
    names.map(|name| (name.to_owned(), text(name))).collect()
}

/// Names that are awkward for shells, for lists and for git's own quoting.
const NAMES: [&str; 6] =
    ["a.yaml", "with space.yaml", "naïve \"quoted\" 'so'.yaml", "-L1,1.yaml", "deep/er/ß.yaml", ":(top)x.yaml"];

#[test]
fn the_texts_of_a_commit_are_those_that_git_shows() {
    for settings in [&[][..], &["--object-format=sha256"], &["--ref-format=reftable"]] {
        let repo = Repo::with(settings);
        for name in NAMES {
            repo.write(&format!("in here/{name}"), format!("name: {name:?}\r\n"));
        }
        repo.write("in here/empty.yaml", "");
        repo.write("in here/README.md", "no");
        repo.write("in here/.hidden/x.yaml", "no");
        repo.write("outside.yaml", "no");
        let id = repo.commit("one");
        repo.write("in here/a.yaml", "not committed");
        let snapshot = whole(&repo.followed("main", "in here"));
        let mut expected = shown_by_git(&repo, &id, "in here");
        expected.retain(|name, _| !name.contains(".hidden"));
        assert_eq!(expected.len(), NAMES.len() + 1, "{settings:?}");
        assert_eq!(texts(&snapshot), expected, "{settings:?}");
        assert_eq!(snapshot.commit.id(), id);
        repo.git(&["gc", "--quiet"]);
        repo.git(&["pack-refs", "--all"]);
        assert_eq!(texts(&whole(&repo.followed("main", "in here"))), expected, "packed, {settings:?}");
        assert_eq!(texts(&whole(&repo.followed("main", "."))).len(), expected.len() + 1);
    }
}

#[test]
fn a_commit_is_told_as_git_log_tells_it() {
    let repo = Repo::new();
    for message in
        ["One line", "Two\nlines, then more\n\nA body.", "  spaces  \n", "", "tab\there", "Ünïcode — “quotes”"]
    {
        let id = repo.commit(message);
        let commit = whole(&repo.followed("main", ".")).commit;
        let told = repo.git(&["log", "-1", "--no-show-signature", "--format=%H%x00%an%x00%at%x00%s"]);
        let seconds = commit.at().map(|at| at.as_second().to_string()).unwrap();
        let subject = commit.subject().replace("\\u{9}", "\t");
        assert_eq!(format!("{}\0{}\0{seconds}\0{subject}", commit.id(), commit.author()), told, "{message:?}");
        assert_eq!(commit.id(), id);
    }
}

#[test]
fn a_name_leads_to_a_branch_a_tag_a_remotes_branch_a_commit_or_head() {
    let repo = Repo::new();
    let first = repo.commit("first");
    repo.git(&["tag", "-a", "v1", "-m", "annotated"]);
    repo.git(&["tag", "-a", "outer", "-m", "a tag of a tag", "v1"]);
    let second = repo.commit("second");
    repo.git(&["update-ref", "refs/remotes/origin/east", &first]);
    repo.git(&["branch", "release/east", &second]);
    repo.git(&["branch", "release-x", &first]);
    for (name, id) in [
        ("main", &second),
        ("refs/heads/main", &second),
        ("v1", &first),
        ("outer", &first),
        ("refs/tags/v1", &first),
        ("origin/east", &first),
        ("release/east", &second),
        ("HEAD", &second),
        (&*first, &first),
    ] {
        assert_eq!(whole(&repo.followed(name, ".")).commit.id(), id, "{name}");
    }
    repo.git(&["tag", "main", &first]);
    let error = read(&repo.followed("main", ".")).unwrap_err();
    assert!(error.to_string().ends_with("refs/heads/main, refs/tags/main"), "{error}");
    assert_eq!(whole(&repo.followed("refs/heads/main", ".")).commit.id(), second);
}

#[test]
fn a_name_that_leads_nowhere_is_told_with_the_nearest_one() {
    let repo = Repo::new();
    let empty = read(&repo.followed("main", ".")).unwrap_err();
    assert!(matches!(empty, GitError::NoRef { .. }), "{empty}");
    repo.commit("x");
    repo.git(&["branch", "release"]);
    let error = read(&repo.followed("relaese", ".")).unwrap_err();
    assert_eq!(error.fix(), "If you mean \"release\", write that.");
    // A part of a name is none, and neither is what git would work out by itself.
    for name in ["refs/heads", "heads/main", "mai", "0123456789012345678901234567890123456789"] {
        let error = read(&repo.followed(name, ".")).unwrap_err();
        assert!(matches!(error, GitError::NoRef { .. } | GitError::Missing { .. }), "{name}: {error}");
    }
    let error = read(&repo.followed("main", "config")).unwrap_err();
    assert!(matches!(error, GitError::NoFolder { .. }), "{error}");
    repo.write("config", "a file");
    repo.commit("x");
    let error = read(&repo.followed("main", "config")).unwrap_err();
    assert!(matches!(error, GitError::NoFolder { .. }), "{error}");
}

#[test]
fn bare_repositories_work_trees_and_linked_work_trees_are_read_and_watched_alike() {
    let repo = Repo::new();
    repo.write("in/a.yaml", "a: 1\n");
    let id = repo.commit("x");
    let bare = repo.dir.path().join("bare.git");
    repo.git(&["clone", "--quiet", "--bare", ".", bare.to_str().unwrap()]);
    let linked = repo.dir.path().join("linked");
    repo.git(&["worktree", "add", "--quiet", "-b", "side", linked.to_str().unwrap()]);
    for (path, moves) in [
        (repo.path(), repo.path().join(".git/refs/heads/main")),
        (bare.clone(), bare.join("packed-refs")),
        (linked, repo.path().join(".git/refs/heads/main")),
    ] {
        let followed = followed(&path, "main", "in");
        assert_eq!(whole(&followed).commit.id(), id);
        let watched = followed.watched();
        let real: Vec<_> = watched.iter().filter_map(|path| fs::canonicalize(path).ok()).collect();
        assert!(real.contains(&fs::canonicalize(&moves).unwrap()), "{moves:?}: {watched:?}");
    }
    let head = repo.followed("HEAD", "in").watched();
    assert!(head.contains(&repo.path().join(".git/refs/heads/main")), "{head:?}");
}

#[test]
fn a_folder_in_the_place_of_a_repository_is_not_taken_for_the_one_it_lies_in() {
    let repo = Repo::new();
    repo.write("fleet.git/x.yaml", "a: 1\n");
    repo.commit("x");
    for name in ["fleet.git", "not-there", "fleet.git/x.yaml"] {
        let error = read(&followed(&repo.path().join(name), "main", ".")).unwrap_err();
        assert!(matches!(error, GitError::NoRepository { .. }), "{name}: {error}");
        assert!(error.finding(name).is_error());
    }
}

#[test]
fn links_submodules_and_names_that_are_no_text_are_findings_of_their_own() {
    let repo = Repo::new();
    repo.write("in/a.yaml", "a: 1\n");
    repo.write("in/new\nline.yaml", "a: 1\n");
    symlink("a.yaml", repo.path().join("in/b.yaml")).unwrap();
    symlink("..", repo.path().join("in/up")).unwrap();
    let other = Repo::new();
    other.commit("x");
    repo.git(&["submodule", "--quiet", "add", other.path().to_str().unwrap(), "in/sub"]);
    let odd = std::ffi::OsString::from(String::from("in/"));
    let mut odd = std::os::unix::ffi::OsStringExt::into_vec(odd);
    odd.extend(b"\xff.yaml");
    let odd: std::ffi::OsString = std::os::unix::ffi::OsStringExt::from_vec(odd);
    fs::write(repo.path().join(odd), "x").unwrap();
    repo.commit("x");
    let snapshot = read(&repo.followed("main", "in")).unwrap();
    let found: Vec<String> = snapshot.findings.iter().map(|f| f.message.clone()).collect();
    assert_eq!(
        found,
        [
            "\"in/b.yaml\" is a link, and no link of a repository is followed.",
            "\"in/new\\nline.yaml\" has a name that is not text.",
            "\"in/sub\" is a submodule, whose files are in another repository.",
            "\"in/up\" is a link, and no link of a repository is followed.",
            "\"in/\u{fffd}.yaml\" has a name that is not text.",
        ]
    );
    assert_eq!(texts(&snapshot).keys().collect::<Vec<_>>(), ["in/a.yaml"]);
}

#[test]
fn a_file_too_large_is_a_finding_and_is_not_read() {
    let repo = Repo::new();
    repo.write("in/a.yaml", "a: 1\n");
    repo.write("in/large.yaml", vec![b' '; LIMIT_BYTES + 1]);
    repo.write("in/just.yaml", vec![b' '; LIMIT_BYTES]);
    repo.commit("x");
    let snapshot = read(&repo.followed("main", "in")).unwrap();
    let found: Vec<_> = snapshot.findings.iter().map(|f| (f.code, &*f.place.file)).collect();
    assert_eq!(found, [(Code::FileTooLarge, "in/large.yaml")]);
    assert_eq!(snapshot.tree.files.keys().map(|name| &**name).collect::<Vec<_>>(), ["in/a.yaml", "in/just.yaml"]);
}

#[test]
fn a_second_reading_shares_what_did_not_change() {
    let repo = Repo::new();
    repo.write("a.yaml", "a: 1\n");
    repo.write("b.yaml", "b: 1\n");
    repo.commit("x");
    let (followed, mut cache) = (repo.followed("main", "."), Cache::default());
    let first = followed.read(&Git::default(), &mut cache).unwrap();
    repo.write("b.yaml", "b: 2\n");
    repo.commit("y");
    let second = followed.read(&Git::default(), &mut cache).unwrap();
    assert!(Arc::ptr_eq(&first.tree.files["a.yaml"], &second.tree.files["a.yaml"]));
    assert_eq!(second.tree.text("b.yaml"), Some("b: 2\n"));
    assert_eq!(first.tree.differing(&second.tree).len(), 1);
}

#[test]
fn of_two_thousand_files_a_commit_of_one_reads_one() {
    let repo = Repo::new();
    (0..2_000).for_each(|nth| repo.write(&format!("in/{}/{nth}.yaml", nth % 40), format!("nth: {nth}\n")));
    repo.commit("all");
    let (calls, asked) = (repo.dir.path().join("calls"), repo.dir.path().join("asked"));
    let script = format!(
        "echo \"$@\" >>{0}; case \"$*\" in *--batch) tee -a {1} | git \"$@\";; *) exec git \"$@\";; esac",
        calls.display(),
        asked.display()
    );
    let git = in_place_of_git(repo.dir.path(), &script);
    let counted = || [&calls, &asked].map(|path| fs::read_to_string(path).unwrap_or_default().lines().count());
    let (followed, mut cache) = (repo.followed("main", "in"), Cache::default());
    let first = followed.read(&git, &mut cache).unwrap();
    assert_eq!((first.tree.files.len(), counted()), (2_000, [5, 2_002]));
    followed.read(&git, &mut cache).unwrap();
    assert_eq!(counted(), [6, 2_002], "nothing moved: the ref is looked up, and no more");
    repo.write("in/7/7.yaml", "nth: seven\n");
    repo.commit("one");
    let second = followed.read(&git, &mut cache).unwrap();
    assert_eq!(counted(), [11, 2_005], "the commit, its folder, one file");
    assert_eq!(second.tree.differing(&first.tree).into_iter().collect::<Vec<_>>(), ["in/7/7.yaml".into()]);
}

#[test]
fn a_broken_object_a_missing_one_and_a_broken_ref_are_errors_and_fixed_they_are_read() {
    let repo = Repo::new();
    repo.write("in/a.yaml", "a: 1\n");
    repo.commit("x");
    let followed = repo.followed("main", "in");
    let object = |name: &str| {
        let id = repo.git(&["rev-parse", name]);
        repo.path().join(".git/objects").join(&id[..2]).join(&id[2..])
    };
    for name in ["HEAD", "HEAD^{tree}", "HEAD:in", "HEAD:in/a.yaml"] {
        let path = object(name);
        let kept = fs::read(&path).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        for broken in [&b"garbage"[..], &kept[..kept.len() / 2], b""] {
            fs::write(&path, broken).unwrap();
            let error = read(&followed).unwrap_err();
            assert!(
                matches!(error, GitError::Failed { .. } | GitError::Missing { .. } | GitError::NoFolder { .. }),
                "{name}: {error}"
            );
        }
        fs::remove_file(&path).unwrap();
        assert!(read(&followed).is_err(), "{name}");
        fs::write(&path, &kept).unwrap();
        whole(&followed);
    }
    let path = repo.path().join(".git/refs/heads/main");
    let kept = fs::read(&path).unwrap();
    for broken in ["", "garbage\n", "0000000000000000000000000000000000000000\n", "ref: refs/heads/main\n"] {
        fs::write(&path, broken).unwrap();
        assert!(read(&followed).is_err(), "{broken:?}");
    }
    fs::write(&path, kept).unwrap();
    whole(&followed);
}

#[test]
fn a_git_that_is_missing_slow_chatty_talking_nonsense_or_killed_is_an_error_in_time() {
    let repo = Repo::new();
    repo.commit("x");
    let followed = repo.followed("main", ".");
    let asked = |git: &Git| followed.read(git, &mut Cache::default()).unwrap_err();
    let missing = Git::new(&repo.dir.path().join("no-git"), Duration::from_secs(2));
    assert!(matches!(asked(&missing), GitError::NoProgram));
    for (script, expected) in [
        ("exec sleep 60", "git gave no answer within 2 s"),
        ("exec yes main", "git answered with more than is read"),
        ("exec yes >&2", "git gave no answer within 2 s"),
        ("echo nonsense", "git said something that is not understood"),
        ("kill -9 $$", "git was ended by signal 9"),
        (
            "echo 'fatal: the disk is on fire.' >&2; exit 128",
            "git cannot read the repository: fatal: the disk is on fire",
        ),
        ("exit 3", "git cannot read the repository: it says nothing"),
    ] {
        let git = in_place_of_git(repo.dir.path(), script);
        assert_eq!(asked(&git).to_string(), expected, "{script}");
    }
}

#[test]
fn a_git_that_was_killed_once_is_asked_again() {
    let repo = Repo::new();
    repo.write("a.yaml", "a: 1\n");
    let id = repo.commit("x");
    let marker = repo.dir.path().join("killed");
    let script = format!("[ -e {0} ] && exec git \"$@\"; touch {0}; kill -TERM $$", marker.display());
    let git = in_place_of_git(repo.dir.path(), &script);
    let snapshot = repo.followed("main", ".").read(&git, &mut Cache::default()).unwrap();
    assert_eq!(snapshot.commit.id(), id);
    assert!(marker.exists());
}

/// The tests run as root (tests/run says so), which is asked for here: nobody else can give a folder away.
#[test]
fn a_repository_of_another_user_is_refused_with_the_command_that_trusts_it() {
    let repo = Repo::new();
    repo.commit("x");
    for path in [repo.path(), repo.path().join(".git")] {
        chown(&path, Some(65534), None).expect("run as root, as tests/run does");
    }
    let error = read(&repo.followed("main", ".")).unwrap_err();
    let path = fs::canonicalize(repo.path()).unwrap();
    let expected = format!("git config --global --add safe.directory '{}'", path.display());
    assert!(error.fix().ends_with(&expected), "{error}: {}", error.fix());
}

#[test]
fn no_program_that_a_repository_names_is_run() {
    let repo = Repo::new();
    repo.write("in/a.yaml", "a: 1\n");
    repo.write(".gitattributes", "*.yaml diff=evil\n");
    repo.commit("x");
    let blob = repo.git(&["rev-parse", "HEAD:in/a.yaml"]);
    let ran = repo.dir.path().join("ran");
    let evil = format!("touch {}; cat", ran.display());
    for key in ["core.fsmonitor", "core.pager", "pager.blame", "core.sshCommand", "diff.evil.textconv", "core.askPass"]
    {
        repo.git(&["config", key, &evil]);
    }
    for hook in ["post-index-change", "reference-transaction"] {
        repo.write(&format!(".git/hooks/{hook}"), format!("#!/bin/sh\n{evil}\n"));
        fs::set_permissions(repo.path().join(".git/hooks").join(hook), fs::Permissions::from_mode(0o755)).unwrap();
    }
    let followed = repo.followed("main", "in");
    let commit = whole(&followed).commit;
    blame(&Git::default(), Blamed::Committed { followed: &followed, commit: &commit, path: "in/a.yaml" }, [1]).unwrap();
    blame(&Git::default(), Blamed::Lying(&repo.path().join("in/a.yaml")), [1]).unwrap();
    // A partial clone would fetch what it lacks, by a program that its address names.
    for (key, value) in [
        ("extensions.partialClone", "origin"),
        ("remote.origin.promisor", "true"),
        ("remote.origin.url", &*format!("ext::sh -c {}", evil.replace(' ', "% "))),
        ("protocol.ext.allow", "always"),
    ] {
        repo.git(&["config", key, value]);
    }
    fs::remove_file(repo.path().join(".git/objects").join(&blob[..2]).join(&blob[2..])).unwrap();
    assert!(read(&followed).is_err());
    assert!(!ran.exists());
}

#[test]
fn an_object_put_in_the_place_of_another_is_not_taken() {
    let repo = Repo::new();
    repo.write("a.yaml", "a: 1\n");
    repo.commit("x");
    repo.write("other", "a: 2\n");
    let (real, other) = (repo.git(&["rev-parse", "HEAD:a.yaml"]), repo.git(&["hash-object", "-w", "other"]));
    repo.git(&["replace", &real, &other]);
    assert_eq!(repo.git(&["show", "HEAD:a.yaml"]), "a: 2", "git's own view, as a user sees it");
    assert_eq!(whole(&repo.followed("main", ".")).tree.text("a.yaml"), Some("a: 1\n"));
}

#[test]
fn while_others_commit_force_push_and_collect_garbage_every_reading_is_of_one_commit() {
    const FILES: usize = 20;
    let repo = Repo::new();
    repo.write("in/0.yaml", "0");
    repo.commit("0");
    let bare = repo.dir.path().join("bare.git");
    repo.git(&["clone", "--quiet", "--bare", ".", bare.to_str().unwrap()]);
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for round in 1..=12 {
                (0..FILES)
                    .for_each(|file| repo.write(&format!("in/{file}.yaml"), format!("round: {round} # {file}\n")));
                repo.git(&["add", "--all"]);
                repo.git(&["commit", "--quiet", "--amend", "-m", &format!("round {round}")]);
                repo.git(&["push", "--quiet", "--force", bare.to_str().unwrap(), "main"]);
                let collected = run_in(&bare, &["gc", "--quiet", "--prune=now"]);
                assert!(collected.status.success());
            }
            done.store(true, Ordering::Release);
        });
        let (followed, mut cache, mut commits) = (followed(&bare, "main", "in"), Cache::default(), 0);
        while !done.load(Ordering::Acquire) {
            let before = cache_id(&mut cache, &followed);
            let snapshot = followed.read(&Git::default(), &mut cache).unwrap();
            commits += usize::from(before != snapshot.commit.id());
            let round = snapshot.commit.subject().trim_start_matches("round ").to_owned();
            for (name, text) in texts(&snapshot) {
                assert!(
                    round == "0" || text.starts_with(&format!("round: {round} #")),
                    "{name} of round {round}: {text}"
                );
            }
            assert!(round == "0" || snapshot.tree.files.len() == FILES);
        }
        assert!(commits > 1, "nothing was read in between");
    });
}

fn cache_id(cache: &mut Cache, followed: &Followed) -> String {
    followed.read(&Git::default(), cache).unwrap().commit.id().to_owned()
}

#[test]
fn a_commit_belongs_to_the_history_of_those_after_it_until_it_is_pushed_out() {
    let repo = Repo::new();
    repo.commit("one");
    let followed = repo.followed("main", ".");
    let one = whole(&followed).commit;
    repo.commit("two");
    let two = whole(&followed).commit;
    repo.git(&["commit", "--quiet", "--amend", "--allow-empty", "-m", "another two"]);
    let other = whole(&followed).commit;
    let before = |old, new| followed.is_before(&Git::default(), old, new);
    assert!(before(&one, &two) && before(&one, &other) && before(&two, &two));
    assert!(!before(&two, &one) && !before(&two, &other));
    repo.git(&["reflog", "expire", "--expire=now", "--all"]);
    repo.git(&["gc", "--quiet", "--prune=now"]);
    assert!(!before(&two, &other), "it is gone from the repository");
}

#[test]
fn a_folder_as_a_revision_had_it_is_what_lay_there_then() {
    let repo = Repo::new();
    let folder = Folder::new(&repo.path(), "config/inventory");
    let mut trees = Vec::new();
    for round in 0..3 {
        repo.write("config/inventory/a.yaml", format!("a: {round}\n"));
        repo.write(&format!("config/inventory/sites/{round}.yml"), "x: 1\n");
        repo.write("config/keybooks/k.yaml", "k: 1\n");
        let (tree, findings) = Tree::read(&folder, &Tree::default(), Look::Whole, std::time::SystemTime::now());
        assert_eq!(findings, []);
        trees.push((repo.commit(&format!("round {round}")), tree));
    }
    repo.git(&["tag", "first", &trees[0].0]);
    for (revision, at) in
        [("HEAD", 2), ("HEAD~1", 1), ("main~2", 0), ("first", 0), ("@{0}", 2), (":/round 1", 1), (&trees[1].0[..9], 1)]
    {
        let then = tree_as_of(&Git::default(), &folder, revision).unwrap();
        assert_eq!(then.tree, trees[at].1, "{revision}");
        assert_eq!(then.commit.id(), trees[at].0);
    }
    for revision in ["HEAD~3", "nothing", "--upload-pack=touch", "", "HEAD:config", "-h", "a\nb", "first^{tree}"] {
        let error = tree_as_of(&Git::default(), &folder, revision).unwrap_err();
        assert!(matches!(error, GitError::NoRef { .. }), "{revision:?}: {error}");
    }
    let other = tempfile::tempdir().unwrap();
    let error = tree_as_of(&Git::default(), &Folder::new(other.path(), "."), "HEAD").unwrap_err();
    assert!(matches!(error, GitError::NoRepository { .. }), "{error}");
    let keybooks = Folder::new(&repo.path(), "config/keybooks");
    assert!(is_same_work_tree(&Git::default(), &folder, &keybooks));
    assert!(!is_same_work_tree(&Git::default(), &folder, &Folder::new(other.path(), ".")));
}

fn author(found: &BTreeMap<u32, Author>, line: u32) -> &str {
    match &found[&line] {
        Author::Commit(commit) => commit.subject(),
        Author::NotCommitted => "not committed",
    }
}

#[test]
fn every_line_is_traced_to_the_commit_that_wrote_it() {
    let repo = Repo::new();
    let name = "in here/a \"b\".yaml";
    repo.write(name, "one: 1\ntwo: 1\nthree: 1\n");
    repo.commit("first");
    repo.write(name, "one: 1\ntwo: 2\nthree: 1\n");
    repo.commit("second");
    let followed = repo.followed("main", "in here");
    let commit = whole(&followed).commit;
    repo.write(name, "one: 1\ntwo: 2\nthree: 3\n");
    repo.write("new.yaml", "one: 1\n");
    let git = Git::default();
    let committed =
        blame(&git, Blamed::Committed { followed: &followed, commit: &commit, path: name }, [1, 2, 3]).unwrap();
    assert_eq!([1, 2, 3].map(|line| author(&committed, line)), ["first", "second", "first"]);
    let lying = blame(&git, Blamed::Lying(&repo.path().join(name)), [3, 1]).unwrap();
    assert_eq!((author(&lying, 1), author(&lying, 3), lying.len()), ("first", "not committed", 2));
    let new = blame(&git, Blamed::Lying(&repo.path().join("new.yaml")), [1]).unwrap();
    assert_eq!(author(&new, 1), "not committed");
    // The reference: git's own long form of the same line.
    let told = repo.git(&["blame", "-L2,2", "--porcelain", "HEAD", "--", name]);
    let Author::Commit(second) = &committed[&2] else { panic!() };
    assert!(told.starts_with(second.id()) && told.contains(&format!("\nauthor {}\n", second.author())), "{told}");
    assert!(blame(&git, Blamed::Lying(&repo.path().join(name)), [4]).is_err());
    let nowhere = tempfile::tempdir().unwrap();
    fs::write(nowhere.path().join("a.yaml"), "a\n").unwrap();
    let error = blame(&git, Blamed::Lying(&nowhere.path().join("a.yaml")), [1]).unwrap_err();
    assert!(matches!(error, GitError::NoRepository { .. }), "{error}");
    assert!(matches!(blame(&git, Blamed::Lying(Path::new("/no/such")), [1]), Err(GitError::NoRepository { .. })));
    let empty = Repo::new();
    empty.write("a.yaml", "a\n");
    let fresh = blame(&git, Blamed::Lying(&empty.path().join("a.yaml")), [1]).unwrap();
    assert_eq!(author(&fresh, 1), "not committed");
}

#[test]
fn the_way_out_of_a_repository_of_another_user_names_its_top() {
    let repo = Repo::new();
    // As git says it (safe.directory in git-config(1)), whichever folder below it was asked in.
    let git = in_place_of_git(
        repo.dir.path(),
        "echo \"fatal: detected dubious ownership in repository at '/srv/fleet'\" >&2; echo hint >&2; exit 128",
    );
    let folder = Folder { shown: "inventory".into(), path: repo.path() };
    let error = tree_as_of(&git, &folder, "HEAD").unwrap_err();
    let fix = "As the user that runs stationkeep: git config --global --add safe.directory '/srv/fleet'";
    assert_eq!(error.fix(), fix);
}
