//! The guide: the documentation for users, compiled into the program. Topics are Markdown files beside this one; a line
//! `{{NAME}}` in one stands for a table made from the code's own lists and schemas, so that it cannot go stale.
//!
//! It documents what works. A terminal gets [`plain()`] text, a browser one page ([`Guide::html`]).

mod fields;
mod page;
mod plain;
mod topic;

use std::fmt::Write;

pub use page::STYLE;
pub use plain::plain;
pub use topic::Topic;

use crate::finding::Code;
use crate::schema::Kind;

/// A metric as the guide lists it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Metric {
    /// Its whole name.
    pub name: &'static str,
    /// Its label, where it has one.
    pub label: Option<&'static str>,
    /// A noun phrase with its unit.
    pub help: &'static str,
}

/// An address of the interface for programs as the guide lists it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// GET, or another.
    pub method: String,
    /// With its parts that differ in braces.
    pub path: String,
    /// What it does, without a full stop.
    pub about: String,
}

/// The guide, with what only the rooms above it know.
#[derive(Debug, Clone, Copy)]
pub struct Guide {
    /// Every metric that the program shows.
    pub metrics: &'static [Metric],
    /// Every address of the interface for programs.
    pub addresses: &'static [Address],
}

impl Guide {
    /// A topic as Markdown, with its tables.
    pub fn markdown(&self, topic: Topic) -> String {
        let mut text = String::new();
        for line in topic.source().lines() {
            match line.strip_prefix("{{").and_then(|rest| rest.strip_suffix("}}")) {
                Some(name) => text.push_str(&self.table(name)),
                None => text.push_str(line),
            }
            text.push('\n');
        }
        text
    }

    /// The whole guide as one page, to be kept and read without the program.
    pub fn html(&self) -> String {
        page::html(|topic| self.markdown(topic))
    }

    fn table(&self, name: &str) -> String {
        let kind = Kind::ALL.into_iter().find(|kind| name == format!("keys {kind}"));
        match (kind, name) {
            (Some(kind), _) => fields::tables(kind),
            (None, "findings") => findings(),
            (None, "metrics") => metrics(self.metrics),
            (None, "addresses") => addresses(self.addresses),
            (None, _) => String::new(),
        }
    }
}

/// The topics, a line each, for whoever asks for none.
pub fn index() -> String {
    let longest = Topic::ALL.iter().map(|topic| topic.as_str().len()).max().unwrap_or(0);
    let mut text = String::from("Read a topic with `stationkeep guide TOPIC`:\n\n");
    for topic in Topic::ALL {
        let _ = writeln!(text, "  {:longest$}  {}", topic.as_str(), topic.about());
    }
    text
}

fn findings() -> String {
    let mut text = String::from("| code | severity | meaning |\n|---|---|---|\n");
    for code in Code::ALL {
        let meaning = code.explanation().replace('|', "\\|");
        let _ = writeln!(text, "| `{}` | {} | {meaning} |", code.as_str(), code.severity());
    }
    text
}

fn metrics(all: &[Metric]) -> String {
    let mut text = String::from("| metric | label | meaning |\n|---|---|---|\n");
    for Metric { name, label, help } in all {
        let label = label.map(|label| format!("`{label}`")).unwrap_or_default();
        let _ = writeln!(text, "| `{name}` | {label} | {help} |");
    }
    text
}

fn addresses(all: &[Address]) -> String {
    let mut text = String::from("| address | does |\n|---|---|\n");
    for Address { method, path, about } in all {
        let _ = writeln!(text, "| `{method} {path}` | {about} |");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    const GUIDE: Guide = Guide {
        metrics: &[Metric { name: "stationkeep_healthy", label: None, help: "1 if it is." }],
        addresses: &[Address { method: String::new(), path: String::new(), about: String::new() }],
    };

    #[test]
    fn every_table_that_a_topic_asks_for_is_there() {
        for topic in Topic::ALL {
            let text = GUIDE.markdown(topic);
            // Within a line they are a template of a message's body.
            assert!(!text.lines().any(|line| line.starts_with("{{")), "{topic}: {text}");
            for line in topic.source().lines().filter(|line| line.starts_with("{{")) {
                let name = line.trim_start_matches("{{").trim_end_matches("}}");
                assert!(!GUIDE.table(name).is_empty(), "{topic} asks for {name}");
            }
        }
    }

    #[test]
    fn every_key_of_every_file_is_in_its_table() {
        for kind in Kind::ALL {
            let tables = fields::tables(kind);
            let schema: serde_json::Value = serde_json::from_str(kind.text()).unwrap();
            let mut keys = Vec::new();
            keys_of(&schema, &mut keys);
            assert!(keys.len() > 10, "{kind}");
            for key in keys {
                let named = format!("`{key}`");
                let below = format!(".{key}`");
                assert!(tables.contains(&named) || tables.contains(&below), "{kind}: {key}\n{tables}");
            }
        }
    }

    fn keys_of(of: &serde_json::Value, keys: &mut Vec<String>) {
        for (key, property) in of.get("properties").and_then(|all| all.as_object()).into_iter().flatten() {
            keys.push(key.clone());
            keys_of(property, keys);
        }
        for (_, part) in of.get("$defs").and_then(|all| all.as_object()).into_iter().flatten() {
            keys_of(part, keys);
        }
    }

    #[test]
    fn the_index_names_every_topic() {
        for topic in Topic::ALL {
            assert!(index().contains(&format!("  {topic} ")));
            assert_eq!(topic.to_string().parse(), Ok(topic));
        }
    }
}
