//! A copy of the small fleet, and the program run in it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value as Json;

/// A folder of its own with the fleet of `base/`.
pub struct Fleet {
    dir: tempfile::TempDir,
    /// Below the temporary folder.
    folder: PathBuf,
}

/// How a run ended and what it said.
#[derive(Debug)]
pub struct Done {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Done {
    pub fn json(&self) -> Json {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a folder").map(|entry| entry.expect("an entry")) {
        let target = to.join(entry.file_name());
        match entry.path().is_dir() {
            true => copy(&entry.path(), &target),
            false => {
                fs::copy(entry.path(), target).expect("a copy");
            }
        }
    }
}

impl Fleet {
    pub fn new() -> Fleet {
        Fleet::below("")
    }

    /// The same some folders below the temporary one.
    pub fn below(folder: &str) -> Fleet {
        let dir = tempfile::tempdir().expect("a folder");
        let folder = dir.path().join(folder);
        copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/check/base"), &folder);
        Fleet { dir, folder }
    }

    /// The temporary folder.
    pub fn top(&self) -> &Path {
        self.dir.path()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    pub fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    pub fn write(&self, name: &str, text: impl AsRef<[u8]>) {
        let path = self.path(name);
        fs::create_dir_all(path.parent().expect("a folder")).expect("the folder");
        fs::write(path, text).expect("the file");
    }

    /// Puts a text in place of another that must be there.
    pub fn edit(&self, name: &str, from: &str, to: &str) {
        let text = self.read(name);
        assert!(text.contains(from), "{from:?} is not in {name}");
        self.write(name, text.replacen(from, to, 1));
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stationkeep"));
        command.current_dir(&self.folder).args(["--config", "stationkeep.yaml"]).args(arguments).env("NO_COLOR", "1");
        for name in ["CONFIG", "LOG", "LOG_FORMAT"] {
            command.env_remove(format!("STATIONKEEP_{name}"));
        }
        command.env("STATIONKEEP_CLOCK", "2026-11-25T12:00:00Z");
        command
    }

    pub fn run(&self, arguments: &[&str]) -> Done {
        let output = self.command(arguments).output().expect("the program");
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
        Done { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
    }

    /// All findings, as JSON.
    pub fn findings(&self, more: &[&str]) -> Vec<Json> {
        let done = self.run(&[&["check", "--format", "json"], more].concat());
        assert!(matches!(done.code, Some(0 | 2)), "{done:?}");
        let json = done.json();
        let findings = json["findings"].as_array().expect("findings").clone();
        let errors = findings.iter().filter(|finding| finding["severity"] == "error").count();
        assert_eq!((json["errors"].as_u64(), done.code), (Some(errors as u64), Some(if errors > 0 { 2 } else { 0 })));
        findings
    }
}

/// A place as `file:line:column`.
pub fn place(place: &Json) -> String {
    let text = |key: &str| place[key].to_string();
    format!("{}:{}:{}", place["file"].as_str().expect("a file"), text("line"), text("column"))
}
