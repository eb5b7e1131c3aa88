//! `deliveries`: what webhooks have not been told yet, and what people can do about it: send a message again, start a
//! webhook that its receiver stopped. It sends nothing itself; the daemon does, as soon as it looks.

mod trial;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use jiff::Timestamp;
use serde_json::{Value, json};

use super::context::load;
use super::error::{CliError, print, print_json};
use super::exit::Exit;
use super::format::Format;
use crate::config::Config;
use crate::finding::{did_you_mean, minute};
use crate::store::{Delivery, StoppedWebhook, Store};

/// Undelivered messages, and what can be done about them.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Args {
    #[command(subcommand)]
    verb: Option<Verb>,
    #[command(flatten)]
    list: List,
}

#[derive(Debug, clap::Args)]
struct List {
    /// Only messages of this webhook
    #[arg(long, value_name = "NAME")]
    webhook: Option<String>,
    /// Delivered and refused messages too; they are kept for 30 days
    #[arg(long)]
    all: bool,
    /// How many at most
    #[arg(long, value_name = "N", default_value_t = 100, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    limit: u32,
    /// How to print them
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

#[derive(Debug, clap::Subcommand)]
enum Verb {
    /// Send a message again under its id
    Again {
        /// The message's id, as listed
        id: String,
    },
    /// Send one marked message now and print the answer
    Try {
        /// The webhook's name
        webhook: String,
    },
    /// Start a webhook again that its receiver stopped (410)
    Start {
        /// The webhook's name
        webhook: String,
    },
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let config = load(config)?;
    let store = || Store::open(config.ledger.reveal());
    match args.verb {
        None => list(&args.list, &config, &store().await?).await,
        Some(Verb::Again { id }) => again(&id, &config, &store().await?).await,
        Some(Verb::Start { webhook }) => start(&webhook, &config, &store().await?).await,
        Some(Verb::Try { webhook: name }) => {
            let webhook = config.webhooks.iter().find(|webhook| *webhook.name == *name);
            trial::run(webhook.ok_or_else(|| no_webhook(&name, &config))?, &config).await
        }
    }
}

/// A message with what its body says of it.
struct Listed {
    delivery: Delivery,
    kind: String,
}

async fn list(list: &List, config: &Config, store: &Store) -> Result<Exit, CliError> {
    let stopped = store.stopped_webhooks().await?;
    if let Some(name) = &list.webhook {
        let is_known = config.webhooks.iter().any(|webhook| *webhook.name == **name);
        if !is_known && store.queue(name).await?.is_none() {
            return Err(no_webhook(name, config));
        }
    }
    let found = store.deliveries_of(list.webhook.as_deref(), list.all, list.limit.into()).await?;
    let mut listed = Vec::new();
    for delivery in found {
        let body = store.message_body(&delivery.webhook, &delivery.id).await?.unwrap_or_default();
        let event: Value = serde_json::from_str(&body).unwrap_or_default();
        let kind = event["type"].as_str().unwrap_or("unknown").to_owned();
        listed.push(Listed { delivery, kind });
    }
    let waiting: i64 = match &list.webhook {
        Some(name) => store.queue(name).await?.map_or(0, |queue| queue.waiting),
        None => store.queues().await?.iter().map(|queue| queue.waiting).sum(),
    };
    match list.format {
        Format::Json => {
            let deliveries: Vec<Value> = listed.iter().map(|one| json_of(one, &stopped)).collect();
            let of = |(webhook, noted): (&String, &StoppedWebhook)| json!({"webhook": webhook, "address": noted.address, "since": moment(noted.at_ms)});
            let stopped: Vec<Value> = stopped.iter().map(of).collect();
            print_json(&json!({"deliveries": deliveries, "undelivered": waiting, "stopped": stopped}))?;
        }
        Format::Text => {
            let mut out = String::new();
            listed.iter().for_each(|one| text_of(&mut out, one, &stopped));
            for (webhook, noted) in &stopped {
                let _ = writeln!(
                    out,
                    "{webhook} is stopped since {}: its receiver answered 410. Once it is right again: \
                     stationkeep deliveries start {webhook}",
                    time(noted.at_ms)
                );
            }
            let shown = listed
                .iter()
                .filter(|one| one.delivery.delivered_ms.is_none() && one.delivery.refused_ms.is_none())
                .count();
            let more = waiting - i64::try_from(shown).unwrap_or(0);
            let rest = if more > 0 { format!("; {more} of them not listed (--limit)") } else { String::new() };
            let _ = writeln!(out, "{waiting} undelivered{rest}.");
            print(&out)?;
        }
    }
    Ok(Exit::Done)
}

type Stopped = BTreeMap<String, StoppedWebhook>;

fn json_of(Listed { delivery, kind }: &Listed, stopped: &Stopped) -> Value {
    let Delivery {
        seq: _,
        webhook,
        id,
        content_type: _,
        created_ms,
        due_ms,
        tries,
        last_try_ms,
        last_error,
        delivered_ms,
        refused_ms,
        form,
        stands_for,
    } = delivery;
    let waits = delivered_ms.is_none() && refused_ms.is_none() && !stopped.contains_key(webhook);
    let next = waits.then(|| moment(*due_ms));
    json!({
        "webhook": webhook,
        "id": id,
        "kind": kind,
        "since": moment(*created_ms),
        "tries": tries,
        "last_try": last_try_ms.map(moment),
        "last_error": last_error,
        "next_try": next,
        "delivered": delivered_ms.map(moment),
        "refused": refused_ms.map(moment),
        "body": form,
        "stands_for": stands_for,
    })
}

fn text_of(out: &mut String, Listed { delivery, kind }: &Listed, stopped: &Stopped) {
    let Delivery { webhook, id, created_ms, due_ms, tries, last_error, delivered_ms, refused_ms, stands_for, .. } =
        delivery;
    let _ = writeln!(out, "{webhook}  {id}  {kind}");
    let tried = if *tries == 1 { "1 try".to_owned() } else { format!("{tries} tries") };
    let _ = match (delivered_ms, refused_ms) {
        (Some(at), _) => writeln!(out, "  delivered {}, after {tried}", time(*at)),
        (None, Some(at)) => writeln!(out, "  refused by its receiver {}, after {tried}", time(*at)),
        (None, None) if stopped.contains_key(webhook) => {
            writeln!(out, "  waits since {}, {tried}, stopped", time(*created_ms))
        }
        (None, None) => writeln!(out, "  waits since {}, {tried}, next at {}", time(*created_ms), time(*due_ms)),
    };
    if let Some(whole) = stands_for {
        let _ = writeln!(out, "  the short form of {whole}");
    }
    if let Some(error) = last_error {
        let _ = writeln!(out, "  {error}");
    }
}

async fn again(id: &str, config: &Config, store: &Store) -> Result<Exit, CliError> {
    let now_ms = Timestamp::now().as_millisecond();
    let mut webhooks = Vec::new();
    let of = store.webhooks_of(id).await?;
    let (known, unknown): (Vec<String>, Vec<String>) =
        of.into_iter().partition(|name| config.webhooks.iter().any(|webhook| *webhook.name == **name));
    if let ([], [first, ..]) = (known.as_slice(), unknown.as_slice()) {
        return Err(no_webhook(first, config));
    }
    for webhook in known {
        let delivered = store.deliver_again(&webhook, id, now_ms).await?;
        if delivered || store.send_again(&webhook, id, now_ms).await? {
            webhooks.push(webhook);
        }
    }
    if webhooks.is_empty() {
        return Err(CliError::usage(format!(
            "no message has the id \"{id}\". \"stationkeep deliveries --all\" lists those that are kept."
        )));
    }
    store.ask_deliveries().await?;
    print(&format!("{id} is sent to {} again, after what waits there.\n", webhooks.join(", ")))?;
    Ok(Exit::Done)
}

async fn start(webhook: &str, config: &Config, store: &Store) -> Result<Exit, CliError> {
    if !store.try_webhook(webhook, Timestamp::now().as_millisecond()).await? {
        let is_known = config.webhooks.iter().any(|known| *known.name == *webhook);
        return Err(if is_known {
            CliError::usage(format!("the webhook \"{webhook}\" is not stopped."))
        } else {
            no_webhook(webhook, config)
        });
    }
    store.ask_deliveries().await?;
    print(&format!("{webhook} is tried again. It counts as stopped until its receiver has taken something.\n"))?;
    Ok(Exit::Done)
}

fn no_webhook(name: &str, config: &Config) -> CliError {
    let known = config.webhooks.iter().map(|webhook| &*webhook.name);
    CliError::usage(format!("no webhook is called \"{name}\". {}", did_you_mean(name, known)))
}

/// For people.
fn time(ms: i64) -> String {
    minute(Timestamp::from_millisecond(ms).unwrap_or_default())
}

/// For programs (RFC 3339).
fn moment(ms: i64) -> String {
    Timestamp::from_millisecond(ms).unwrap_or_default().to_string()
}
