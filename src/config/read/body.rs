//! The `body` of a webhook: a preset by its name, or a tree of its own, which is made once for each kind of event, so that a
//! template that would fail at night fails here, at its line.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::Reader;
use super::receiver::typed;
use crate::alert::body::form::{BodyTerms, For, Form, MOST_A_MINUTE};
use crate::alert::body::{Failure, Leaf, Template, Tree, VARIABLES, compile, own, sample};
use crate::finding::{Code, did_you_mean};
use crate::setting::Reference;
use crate::yaml::{Data, Node};

const PRESETS: [&str; 6] = ["cloudevents", "chat", "text", "pager", "alertmanager", "tree"];
/// The most messages a minute.
const LIMIT_MOST: u32 = 10_000;
/// The most entries that `each` repeats.
const LIMIT_EACH: u32 = 500;

impl Reader<'_> {
    /// What its messages look like; and the routing key of those that need one.
    pub(super) fn body_terms(
        &mut self,
        body: Option<&Node>,
        of: Option<&Node>,
        most: Option<&Node>,
    ) -> (BodyTerms, Option<Reference>) {
        let (form, routing_key) = body.and_then(|node| self.form(node)).unwrap_or((Form::CloudEvents, None));
        let words = [("pass", For::Pass), ("station", For::Station)];
        let chosen = of.and_then(|node| Some((node, self.sheet.word(node, "\"for\"", &words)?)));
        let of = match (&form, chosen) {
            (Form::Pager, Some((node, For::Pass))) => {
                let message = "A pager takes one message a station, so \"for: pass\" means nothing here.";
                self.sheet.note(Code::ConfigBroken, node.spot, message, "Leave \"for\" out.");
                For::Station
            }
            (Form::Pager, _) => For::Station,
            (_, chosen) => chosen.map_or(For::Pass, |(_, of)| of),
        };
        let most = most.and_then(|node| self.sheet.number(node, "\"most_a_minute\"", 1..=LIMIT_MOST));
        (BodyTerms { form, of, most_a_minute: most.unwrap_or(MOST_A_MINUTE) }, routing_key)
    }

    fn form(&mut self, node: &Node) -> Option<(Form, Option<Reference>)> {
        let (word, options) = match &node.data {
            Data::Scalar { text, .. } if !node.is_null() => (&**text, None),
            Data::Map(entries) => match entries.as_slice() {
                [(key, options)] => (&*key.text, Some(options)),
                _ => return self.no_form(node, "\"body\" does not name one form."),
            },
            Data::Scalar { .. } | Data::List(_) => return self.no_form(node, "\"body\" names no form."),
        };
        match (word, options) {
            ("cloudevents", None) => Some((Form::CloudEvents, None)),
            ("chat", None) => Some((Form::Chat, None)),
            ("text", None) => Some((Form::Text, None)),
            ("alertmanager", None) => Some((Form::Alertmanager, None)),
            ("pager", Some(options)) => {
                let [key] = self.sheet.map(options, "\"pager\"", ["routing_key"])?;
                let key = self.sheet.required(key, options, "\"pager\"", "routing_key")?;
                Some((Form::Pager, Some(self.secret(key, "\"routing_key\"")?)))
            }
            ("tree", Some(options)) => Some((Form::Tree(Arc::new(self.tree(options)?)), None)),
            ("pager", None) => {
                let message = "A \"pager\" body needs a routing key.";
                let fix = "Write body: {pager: {routing_key: {secret: \"file:PATH\"}}}.";
                self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
                None
            }
            ("tree", None) => self.no_form(node, "\"tree\" needs the tree."),
            (word, Some(_)) if PRESETS.contains(&word) => {
                let fix = format!("Write body: {word}.");
                self.sheet.note(Code::ConfigBroken, node.spot, format!("\"{word}\" takes no options."), fix);
                None
            }
            (word, _) => {
                let fix = did_you_mean(word, PRESETS);
                self.sheet.note(Code::ConfigBroken, node.spot, format!("No body is called \"{word}\"."), fix);
                None
            }
        }
    }

    fn no_form(&mut self, node: &Node, message: &str) -> Option<(Form, Option<Reference>)> {
        let fix = format!("Write one of: {}.", PRESETS.join(", "));
        self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
        None
    }

    /// A tree without mistakes, tried with every kind of event.
    fn tree(&mut self, node: &Node) -> Option<Tree> {
        let tree = Tree { root: self.template(node)?, at: self.sheet.place(node.spot) };
        let mut failures: Vec<Failure> = Vec::new();
        let mut told = BTreeSet::new();
        for message in sample::messages() {
            if let Err(failure) = own(&tree, message)
                && told.insert((failure.at.line, failure.at.column))
            {
                let event = message.gists.first().map_or("", |gist| gist.kind);
                failures.push(Failure { why: format!("{} (in a {event} sample)", failure.why), ..failure });
            }
        }
        let is_good = failures.is_empty();
        failures.into_iter().for_each(|failure| self.failed(failure));
        is_good.then_some(tree)
    }

    fn failed(&mut self, failure: Failure) {
        let message = format!("This body cannot be made: {}.", failure.why);
        let fix = "Fix the template, or give a value where something is missing: {{ x | default(\"\") }}.";
        self.sheet.add(crate::finding::Finding::new(Code::ConfigBroken, failure.at, message, fix));
    }

    fn template(&mut self, node: &Node) -> Option<Template> {
        match &node.data {
            Data::Scalar { text, plain: true } if !text.contains("{{") && !text.contains("{%") => {
                Some(Template::Fixed(typed(text)))
            }
            Data::Scalar { text, .. } => match compile(text, self.sheet.place(node.spot)) {
                Ok(template) => Some(template),
                Err(failure) => {
                    self.failed(failure);
                    None
                }
            },
            Data::List(items) => {
                let parts: Vec<Option<Template>> = items.iter().map(|item| self.template(item)).collect();
                parts.into_iter().collect::<Option<Vec<_>>>().map(Template::List)
            }
            Data::Map(entries) => match entries.as_slice() {
                [(key, each)] if &*key.text == "each" => self.each(each),
                _ => {
                    let mut parts = Vec::new();
                    for (key, value) in entries {
                        if key.text.contains("{{") || key.text.contains("{%") {
                            let message = "A key holds a template, and keys are never templates.";
                            self.sheet.note(Code::ConfigBroken, key.spot, message, "Write the key as it is to be.");
                        }
                        parts.push(self.template(value).map(|value| (key.text.to_string(), value)));
                    }
                    parts.into_iter().collect::<Option<Vec<_>>>().map(Template::Map)
                }
            },
        }
    }

    fn each(&mut self, node: &Node) -> Option<Template> {
        let [list, name, most, put] = self.sheet.map(node, "\"each\"", ["list", "as", "most", "put"])?;
        let list_node = self.sheet.required(list, node, "\"each\"", "list");
        let name = self.sheet.required(name, node, "\"each\"", "as");
        let put = self.sheet.required(put, node, "\"each\"", "put");
        let most = match most {
            Some(node) => self.sheet.number(node, "\"each.most\"", 1..=LIMIT_EACH)?,
            None => LIMIT_EACH,
        };
        let (list_node, name, put) = (list_node?, name?, put?);
        let word = self.sheet.text(name, "\"each.as\"")?;
        let is_taken = VARIABLES.contains(&word);
        if is_taken
            || !word.starts_with(|c: char| c.is_ascii_lowercase())
            || !word.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
        {
            let fix = "Use a lower-case letter, then letters, digits and underscores, such as station.";
            self.sheet.note(Code::ConfigBroken, name.spot, format!("\"{word}\" cannot be a name in templates."), fix);
            return None;
        }
        let text = self.sheet.text(list_node, "\"each.list\"")?;
        let list = match Leaf::expression(text, self.sheet.place(list_node.spot)) {
            Ok(leaf) => leaf,
            Err(failure) => {
                self.failed(failure);
                return None;
            }
        };
        let put = Box::new(self.template(put)?);
        Some(Template::Each { list, name: word.to_owned(), most: usize::try_from(most).unwrap_or(1), put })
    }
}
