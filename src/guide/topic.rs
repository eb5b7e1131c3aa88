//! The topics, in the order of the page.

use std::fmt;
use std::str::FromStr;

macro_rules! topics {
    ($($name:ident, $word:literal, $file:literal, $about:literal;)*) => {
        /// One topic of the guide.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Topic { $(#[doc = $about] $name),* }

        impl Topic {
            /// Every topic, in the order of the page.
            pub const ALL: [Topic; [$($word),*].len()] = [$(Topic::$name),*];

            /// Its word on the command line.
            pub fn as_str(self) -> &'static str {
                match self { $(Topic::$name => $word),* }
            }

            /// What it answers.
            pub fn about(self) -> &'static str {
                match self { $(Topic::$name => $about),* }
            }

            pub(super) fn source(self) -> &'static str {
                match self { $(Topic::$name => include_str!($file)),* }
            }
        }
    };
}

topics! {
    FirstSteps, "first-steps", "first-steps.md", "from a maker's manual to a fleet under watch";
    Inventory, "inventory", "inventory.md", "what each station should hold: contacts, lines, layers, values";
    Keybook, "keybook", "keybook.md", "what one model stores, and which keys store it";
    Reports, "reports", "reports.md", "what comes back from the field, and what it proves";
    Drift, "drift", "drift.md", "how stations are compared, and what each standing means";
    Scripts, "scripts", "scripts.md", "the keys, the card, the test calls, the way back";
    Visit, "visit", "visit.md", "a card on a phone, from the first key to the report";
    Alerts, "alerts", "alerts.md", "events, their fields, headers, reminders, heartbeats";
    Brake, "brake", "brake.md", "why scripts are held, and how to release them";
    Aside, "aside", "aside.md", "what is known and accepted for now, and who is on it";
    Configuration, "configuration", "configuration.md", "every key of the configuration, and the environment";
    Watching, "watching", "watching.md", "probes and metrics: how to watch the program itself";
    Interface, "interface", "interface.md", "the addresses that programs and pages ask, and what they answer";
    Programs, "programs", "programs.md", "JSON output, exit codes, the ledger's lines";
    Findings, "findings", "findings.md", "every code of a finding in a file";
    Words, "words", "words.md", "the words, one idea each";
}

impl fmt::Display for Topic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for Topic {
    type Err = String;

    /// # Errors
    /// There is no such topic; names all there are.
    fn from_str(word: &str) -> Result<Topic, String> {
        let all = || Topic::ALL.map(Topic::as_str).join(", ");
        Topic::ALL
            .into_iter()
            .find(|topic| topic.as_str() == word)
            .ok_or_else(|| format!("The guide has no topic \"{word}\". Its topics are: {}.", all()))
    }
}
