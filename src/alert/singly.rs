//! The messages of a webhook that takes one a station: each with the station's own key, by which its receiver opens a case and
//! closes it again. Where more stations have news in a minute than the webhook takes, they are told in one message with a key
//! of its own, which is closed when all of them are right again.

use jiff::Timestamp;

use super::body::form::Form;
use super::event::Message;
use super::grouped::Grouped;
use super::mark::{Chain, MarkHasher};
use super::message::{Content, Scope, Writer};
use super::terms::Subscription;
use super::topic::station::Item;

/// Tells one webhook of this content, station by station.
pub fn messages(
    writer: &Writer<'_>,
    webhook: &Subscription,
    content: Content<'_, '_>,
    chain: &Chain,
    mut grouped: Grouped,
) -> (Vec<Message>, Grouped) {
    let clock = writer.clock();
    let Content { items, hold, asides } = content;
    let of = |items: Vec<Item<'_, '_>>, scope: Scope| {
        writer.message(webhook, Content { items, ..Content::default() }, &scope, chain)
    };
    let (mut over, mut wrong): (Vec<Item<'_, '_>>, Vec<Item<'_, '_>>) =
        items.into_iter().partition(|item| item.subject.now.is_none());
    writer.sort(&mut wrong);
    writer.sort(&mut over);
    let mut messages = Vec::new();
    // What opens no case would stay open at a pager for ever.
    let takes_asides = !matches!(webhook.body.form, Form::Pager);
    if hold.is_some() || (takes_asides && !asides.is_empty()) {
        messages.push(writer.message(webhook, Content { items: Vec::new(), hold, asides }, &Scope::Pass, chain));
    }
    if wrong.len() <= grouped.room(webhook.body.most_a_minute, clock) {
        grouped.told += u32::try_from(wrong.len()).unwrap_or(u32::MAX);
        for item in wrong {
            // From now on it has a case of its own.
            grouped.stations.remove(&item.subject.name);
            messages.push(of(vec![item], Scope::Station));
        }
    } else {
        if grouped.key.is_empty() {
            grouped.key = group_key(chain, clock);
        }
        grouped.stations.extend(wrong.iter().map(|item| item.subject.name.clone()));
        messages.push(of(wrong, Scope::Group(grouped.key.clone())));
    }
    let (in_group, alone): (Vec<_>, Vec<_>) =
        over.into_iter().partition(|item| grouped.stations.remove(&item.subject.name));
    messages.extend(alone.into_iter().map(|item| of(vec![item], Scope::Station)));
    if !grouped.key.is_empty() && grouped.stations.is_empty() {
        messages.push(of(in_group, Scope::Group(std::mem::take(&mut grouped.key))));
    }
    (messages, grouped)
}

fn group_key(chain: &Chain, clock: Timestamp) -> String {
    let mut hasher = MarkHasher::new();
    hasher.text("group").text(&chain.to_string()).text(&clock.to_string());
    format!("group {}", hasher.mark().as_str().get(..12).unwrap_or_default())
}
