//! The lists of an Alertmanager: it closes by itself what it is not told again, so that every full pass tells it all cases that
//! are open. A list takes the place of one that was not delivered yet.

use std::collections::BTreeMap;

use super::body::form::Form;
use super::event::Message;
use super::gist::Gist;
use super::mark::{Chain, MarkHasher};
use super::pass::Pass;
use super::terms::Subscription;
use crate::setting::Name;

/// The ids of lists begin so; what waits of those is replaced.
pub const LIST: &str = "list-";

/// So many alerts go into one request.
pub const MOST: usize = 100;

/// Whether a webhook is to be told all open cases again.
pub fn is_refreshed(webhook: &Subscription, pass: &Pass<'_>) -> bool {
    pass.is_full && takes_lists(webhook)
}

/// Whether a webhook takes lists.
pub fn takes_lists(webhook: &Subscription) -> bool {
    matches!(webhook.body.form, Form::Alertmanager)
}

/// One or more messages for each webhook, of all that is open.
pub fn messages(lists: BTreeMap<Name, Vec<Gist>>, pass: &Pass<'_>) -> Vec<Message> {
    let mut messages = Vec::new();
    for (webhook, gists) in lists {
        for (nth, some) in gists.chunks(MOST).enumerate() {
            let mut hasher = MarkHasher::new();
            hasher.text("list").text(&pass.clock.to_string()).text(&nth.to_string());
            let id = Chain::default().id("list", &webhook, &hasher.mark()).replace("told-", LIST);
            messages.push(list(webhook.clone(), id, some.to_vec(), Vec::new()));
        }
    }
    messages
}

/// A message that is a list.
pub fn list(webhook: Name, id: String, gists: Vec<Gist>, ended: Vec<String>) -> Message {
    Message { webhook, id, body: String::new(), ended, gists }
}
