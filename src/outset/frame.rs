//! The files of a new installation: the same frame around an example, or around an inventory that was drafted from a sheet.

use crate::inventory::Country;
use crate::keybook::EXAMPLE;
use crate::schema;
use crate::setting::Name;

/// The folder of the configuration in an installation, with the slash.
pub(super) const CONFIG: &str = "config/";

/// Which forge's recipe is added; what every recipe runs, and the hook, always are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Forge {
    /// No file for a forge.
    None,
    /// A workflow of GitHub Actions.
    Github,
    /// A pipeline of GitLab.
    Gitlab,
}

/// What is asked before a new installation is made.
#[derive(Debug, Clone)]
pub struct Answers {
    /// What the fleet is called.
    pub fleet: Name,
    /// The country that the lines are in.
    pub country: Country,
    /// Which forge checks it.
    pub forge: Forge,
    /// Whether a station that is nearly a profile is wanted as that in what decides whether a button calls someone.
    pub as_most: bool,
}

/// Who may read or run a new file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Whoever may read its folder.
    Plain,
    /// Its owner alone.
    Private,
    /// The same as plain, and it can be run.
    Program,
}

/// A file to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewFile {
    /// Its path in the new folder, with slashes.
    pub path: String,
    /// What it holds.
    pub text: String,
    /// Who may read or run it.
    pub mode: Mode,
}

impl NewFile {
    pub(super) fn plain(path: impl Into<String>, text: impl Into<String>) -> NewFile {
        NewFile { path: path.into(), text: text.into(), mode: Mode::Plain }
    }
}

/// The path of the inventory in a new folder.
pub const INVENTORY: &str = "config/inventory/fleet.yaml";

/// What every installation begins with: all but keybooks and inventory.
pub(super) fn frame(answers: &Answers) -> Vec<NewFile> {
    let config = |path: &str, text: &str| NewFile::plain(format!("{CONFIG}{path}"), text);
    let program = |path: &str, text: &str| NewFile { mode: Mode::Program, ..NewFile::plain(path, text) };
    let mut files = vec![
        NewFile::plain("README.md", include_str!("skeleton/README.md").replace("FLEET", &answers.fleet)),
        NewFile::plain(".gitignore", include_str!("skeleton/gitignore")),
        NewFile::plain(".gitattributes", include_str!("skeleton/gitattributes")),
        program("ci/check-change", include_str!("../../deploy/commit/check-change")),
        program("ci/pre-commit", include_str!("../../deploy/commit/pre-commit")),
        config("stationkeep.yaml", include_str!("skeleton/stationkeep.yaml")),
        config("secrets/README.md", include_str!("skeleton/secrets.md")),
        // A hidden file: any other would be read as a report.
        config("reports/.gitkeep", ""),
    ];
    files.extend(schema::Kind::ALL.map(|kind| config(&format!("schemas/{kind}.json"), kind.text())));
    match answers.forge {
        Forge::None => {}
        Forge::Github => {
            let workflow = include_str!("../../deploy/commit/github.yaml");
            files.push(NewFile::plain(".github/workflows/stationkeep.yaml", workflow));
        }
        Forge::Gitlab => {
            files.push(NewFile::plain(".gitlab-ci.yml", include_str!("../../deploy/commit/gitlab.yaml")));
        }
    }
    files
}

/// An installation with an example of everything: one invented model, one station.
pub fn skeleton(answers: &Answers) -> Vec<NewFile> {
    let mut files = frame(answers);
    let inventory = include_str!("skeleton/fleet.yaml").replace("COUNTRY", &answers.country.id);
    // Numbers that are reserved for fiction, as far as may be of the line's own country.
    let inventory = match &*answers.country.calling_code {
        "1" => inventory.replace("+4416329601", "+120755501"),
        _ => inventory,
    };
    files.push(NewFile::plain(INVENTORY, inventory.replace("FLEET", &quoted(&answers.fleet))));
    files.push(NewFile::plain(format!("{CONFIG}keybooks/heron-1.yaml"), EXAMPLE));
    files.push(example_code());
    files
}

/// The access code of the example.
fn example_code() -> NewFile {
    NewFile { mode: Mode::Private, ..NewFile::plain(format!("{CONFIG}secrets/access"), "2580\n") }
}

/// A text as YAML takes it, whatever it holds: JSON's strings are YAML's.
pub(super) fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}
