//! A webhook's own body: a tree of YAML whose text leaves may hold templates (minijinja). It is made into JSON leaf by leaf, so
//! that no text can break it: nothing rendered is parsed again, and keys are never templates. Templates reach no file, no
//! clock and no other template; their steps, their depth and what they write are bounded.

use std::collections::BTreeMap;
use std::fmt;

use minijinja::value::Serde;
use minijinja::{Environment, ErrorKind, UndefinedBehavior, Value};
use serde_json::{Map, Value as Json};

use crate::alert::event::LONGEST_BODY;
use crate::finding::Place;

/// The steps of one leaf.
const FUEL: u64 = 10_000;
/// How deep a leaf may call itself.
const RECURSION: usize = 32;
/// How many leaves one body may have, those that are repeated counted each time.
const MOST_LEAVES: usize = 1_000;

/// A body.
#[derive(Debug, Clone, PartialEq)]
pub struct Tree {
    /// What it is made of.
    pub root: Template,
    /// Where it stands.
    pub at: Place,
}

/// A part of one.
#[derive(Debug, Clone, PartialEq)]
pub enum Template {
    /// A value as it is.
    Fixed(Json),
    /// Text with templates in it.
    Text(Leaf),
    /// One expression, whose value keeps its type.
    Value(Leaf),
    /// In its order.
    List(Vec<Template>),
    /// Keys as they are written.
    Map(Vec<(String, Template)>),
    /// A list made from another.
    Each {
        /// What it is made from: an expression.
        list: Leaf,
        /// What an entry is called below.
        name: String,
        /// No more of them.
        most: usize,
        /// What is made of each.
        put: Box<Template>,
    },
}

/// A text with templates, or one expression, and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Leaf {
    /// As minijinja reads it.
    pub source: String,
    /// Where it stands in the configuration.
    pub at: Place,
}

/// A leaf that cannot be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// Where it stands.
    pub at: Place,
    /// Why, in a few words.
    pub why: String,
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.at, self.why)
    }
}

/// A text leaf of the configuration: as it is, with templates in it, or one expression.
///
/// # Errors
/// Why it is no template.
pub fn compile(text: &str, at: Place) -> Result<Template, Failure> {
    if !["{{", "{%", "{#"].iter().any(|mark| text.contains(mark)) {
        return Ok(Template::Fixed(text.into()));
    }
    let environment = environment();
    let inside = text.trim().strip_prefix("{{").and_then(|rest| rest.strip_suffix("}}"));
    if let Some(inside) = inside.filter(|inside| !["{{", "}}", "{%", "%}"].iter().any(|mark| inside.contains(mark))) {
        let source = inside.trim_matches(['-', '+']).trim().to_owned();
        let failure = |error| failed(&error, &at);
        environment.compile_expression(&source).map_err(failure)?;
        return Ok(Template::Value(Leaf { source, at }));
    }
    environment.template_from_str(text).map_err(|error| failed(&error, &at))?;
    Ok(Template::Text(Leaf { source: text.to_owned(), at }))
}

impl Leaf {
    /// One expression.
    ///
    /// # Errors
    /// Why it is none.
    pub fn expression(text: &str, at: Place) -> Result<Leaf, Failure> {
        let text = text.trim();
        let inside = text.strip_prefix("{{").and_then(|rest| rest.strip_suffix("}}")).unwrap_or(text);
        let source = inside.trim().to_owned();
        environment().compile_expression(&source).map_err(|error| failed(&error, &at))?;
        Ok(Leaf { source, at })
    }

    fn fails(&self, why: impl Into<String>) -> Failure {
        Failure { at: self.at.clone(), why: why.into() }
    }
}

impl Tree {
    /// Its value where these are the variables.
    ///
    /// # Errors
    /// The first leaf that cannot be made.
    pub fn render(&self, variables: Json) -> Result<Json, Failure> {
        let mut making = Making { environment: environment(), leaves: 0, room: LONGEST_BODY };
        let variables = match variables {
            Json::Object(all) => all.into_iter().map(|(name, value)| (name, Value::from(Serde(value)))).collect(),
            _ => Variables::new(),
        };
        making.part(&self.root, &variables)
    }

    /// A failure of the whole.
    pub fn failure(&self, why: String) -> Failure {
        Failure { at: self.at.clone(), why }
    }
}

fn environment() -> Environment<'static> {
    let mut environment = Environment::empty();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.set_fuel(Some(FUEL));
    environment.set_recursion_limit(RECURSION);
    environment.add_filter("length", minijinja::filters::length);
    environment.add_filter("join", minijinja::filters::join);
    environment.add_filter("upper", minijinja::filters::upper);
    environment.add_filter("default", minijinja::filters::default);
    environment.add_filter("truncate", truncate);
    environment.add_filter("date", date);
    environment
}

/// The first so many characters; what is cut says so.
fn truncate(text: String, most: usize) -> String {
    if text.chars().count() <= most {
        return text;
    }
    text.chars().take(most.saturating_sub(1)).chain(['…']).collect()
}

/// A time for people: "2026-12-10 14:05 UTC".
fn date(text: String) -> Result<String, minijinja::Error> {
    let at: Result<jiff::Timestamp, _> = text.parse();
    at.map(crate::finding::minute)
        .map_err(|_| minijinja::Error::new(ErrorKind::InvalidOperation, format!("\"{text}\" is not a time")))
}

/// What templates can say, by name.
type Variables = BTreeMap<String, Value>;

/// One body in the making.
struct Making {
    environment: Environment<'static>,
    leaves: usize,
    /// How many bytes may still come.
    room: usize,
}

impl Making {
    fn part(&mut self, part: &Template, variables: &Variables) -> Result<Json, Failure> {
        match part {
            Template::Fixed(value) => Ok(value.clone()),
            Template::Text(leaf) => {
                self.count(leaf)?;
                let made = self.environment.render_str(&leaf.source, variables.clone());
                let text = made.map_err(|error| failed(&error, &leaf.at))?;
                self.take(leaf, text.len())?;
                Ok(Json::from(text))
            }
            Template::Value(leaf) => {
                let value = self.value(leaf, variables)?;
                let value = serde_json::to_value(&value).map_err(|_| leaf.fails("its value is not JSON"))?;
                self.take(leaf, value.to_string().len())?;
                Ok(value)
            }
            Template::List(parts) => {
                parts.iter().map(|part| self.part(part, variables)).collect::<Result<Vec<_>, _>>().map(Json::from)
            }
            Template::Map(parts) => {
                let made = parts.iter().map(|(key, part)| Ok((key.clone(), self.part(part, variables)?)));
                made.collect::<Result<Map<_, _>, Failure>>().map(Json::from)
            }
            Template::Each { list, name, most, put } => {
                let value = self.value(list, variables)?;
                let all = value.try_iter().map_err(|_| list.fails("it is not a list"))?;
                let mut made = Vec::new();
                for entry in all.take(*most) {
                    let mut variables = variables.clone();
                    variables.insert(name.clone(), entry);
                    made.push(self.part(put, &variables)?);
                }
                Ok(Json::from(made))
            }
        }
    }

    fn value(&mut self, leaf: &Leaf, variables: &Variables) -> Result<Value, Failure> {
        self.count(leaf)?;
        let made =
            self.environment.compile_expression(&leaf.source).and_then(|expression| expression.eval(variables.clone()));
        let value = made.map_err(|error| failed(&error, &leaf.at))?;
        if value.is_undefined() {
            return Err(leaf.fails(format!("\"{}\" is not there", leaf.source)));
        }
        Ok(value)
    }

    fn count(&mut self, leaf: &Leaf) -> Result<(), Failure> {
        self.leaves += 1;
        if self.leaves > MOST_LEAVES {
            return Err(leaf.fails(format!("the body has more than {MOST_LEAVES} leaves")));
        }
        Ok(())
    }

    fn take(&mut self, leaf: &Leaf, bytes: usize) -> Result<(), Failure> {
        self.room = self.room.checked_sub(bytes).ok_or_else(|| {
            leaf.fails(format!("the body has more than {LONGEST_BODY} bytes; shorten this with \"| truncate(500)\""))
        })?;
        Ok(())
    }
}

fn failed(error: &minijinja::Error, at: &Place) -> Failure {
    let why = match error.kind() {
        ErrorKind::UndefinedError => "something in it is not there".to_owned(),
        ErrorKind::OutOfFuel => "it takes too many steps".to_owned(),
        kind => kind.to_string(),
    };
    let detail = error.detail().map(|detail| format!(" ({detail})")).unwrap_or_default();
    Failure { at: at.clone(), why: format!("{why}{detail}") }
}

#[cfg(test)]
#[path = "tree_tests.rs"]
mod tests;
