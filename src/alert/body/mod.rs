//! From a message to the bytes that its receiver reads: a pure function of the event and of the webhook's `body`. What is made here
//! is kept beside the decision and sent as it is; only a routing key is put in on sending.

pub mod form;
mod lists;
mod presets;
pub mod sample;
mod tree;
mod variables;

pub use tree::{Failure, Leaf, Template, Tree, compile};
pub use variables::VARIABLES;

use std::collections::BTreeMap;

use jiff::SignedDuration;

use form::Form;

use super::brief;
use super::event::{CONTENT_TYPE, LONGEST_BODY, Message};

/// A message as it is sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rendered {
    /// The media type of both bodies.
    pub content_type: &'static str,
    /// Header lines that belong to it, by name.
    pub headers: BTreeMap<String, String>,
    /// The word for its form.
    pub form: &'static str,
    /// What is sent.
    pub body: String,
    /// The shortest body, for a receiver that will not take that.
    pub brief: String,
    /// Why the body is the shortest one already, where the webhook's own could not be made.
    pub failure: Option<Failure>,
}

/// The media type of JSON that is no event.
const JSON: &str = "application/json";

/// The body of a message in this form. `full_pass`: the time between full passes.
pub fn render(message: &Message, form: &Form, full_pass: SignedDuration) -> Rendered {
    let plain = |content_type, body, brief| Rendered {
        content_type,
        headers: BTreeMap::new(),
        form: form.as_str(),
        body,
        brief,
        failure: None,
    };
    let Some(gist) = message.gists.first() else {
        return plain(CONTENT_TYPE, message.body.clone(), brief::event(&message.body));
    };
    match form {
        Form::CloudEvents => plain(CONTENT_TYPE, message.body.clone(), brief::event(&message.body)),
        Form::Chat => plain(JSON, presets::chat(gist), presets::chat_brief(gist)),
        Form::Text => Rendered {
            headers: presets::text_headers(gist),
            ..plain("text/plain; charset=utf-8", presets::text(gist), presets::text_brief(gist))
        },
        Form::Pager => plain(JSON, presets::pager(gist), presets::pager_brief(gist)),
        Form::Alertmanager => {
            let ends_after = full_pass.saturating_mul(lists::PASSES);
            plain(JSON, lists::alerts(&message.gists, ends_after), lists::brief(&message.gists, ends_after))
        }
        Form::Tree(tree) => {
            let brief = presets::chat_brief(gist);
            match own(tree, message) {
                Ok(body) => plain(JSON, body, brief),
                Err(failure) => {
                    let body = presets::failed(gist, &failure);
                    Rendered { failure: Some(failure), ..plain(JSON, body, brief) }
                }
            }
        }
    }
}

/// The body that a webhook's own tree makes.
///
/// # Errors
/// The leaf that fails, and why.
pub fn own(tree: &Tree, message: &Message) -> Result<String, Failure> {
    let body = tree.render(variables::of(message))?.to_string();
    match body.len() {
        0..=LONGEST_BODY => Ok(body),
        length => Err(tree.failure(format!("the whole body has {length} bytes, and {LONGEST_BODY} is the most"))),
    }
}
