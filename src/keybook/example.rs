//! The keybook that a new installation begins with. Its model and its keys are invented: what is keyed by it opens no station.

use std::sync::LazyLock;

use super::Keybook;
use super::read::taken_apart;
use super::template::Template;

/// Its text, to be filled in from a manual.
pub const EXAMPLE: &str = include_str!("../outset/skeleton/heron-1.yaml");

/// What opens a call, and what is keyed in one.
type Keyed = (Template, Vec<Template>);

static KEYED: LazyLock<Option<Keyed>> =
    LazyLock::new(|| taken_apart(&"heron-1.yaml".into(), EXAMPLE.as_bytes()).0.as_ref().map(keyed));

fn keyed(keybook: &Keybook) -> Keyed {
    (keybook.call.open.clone(), keybook.commands.iter().map(|command| command.keys.clone()).collect())
}

impl Keybook {
    /// Whether its keys are still those of the example, whatever its model and title are called.
    pub fn is_example(&self) -> bool {
        KEYED.as_ref() == Some(&keyed(self))
    }
}
