//! `deliveries try NAME`: one marked message, sent once and now, so that someone sees whether a receiver takes what it would
//! get. Nothing of it is kept.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use crate::alert::body::render;
use crate::alert::{source_of, trial};
use crate::cli::context::Files;
use crate::cli::error::{CliError, print};
use crate::cli::exit::Exit;
use crate::config::{Config, Resolved, Webhook};
use crate::daemon::destination;
use crate::files::{Secrets, process_env};
use crate::webhook::{Attempt, Limits, Message, Said, Sender, shown_address};

/// Sends it and prints the answer.
pub async fn run(webhook: &Webhook, config: &Config) -> Result<Exit, CliError> {
    let name = &webhook.name;
    let secrets = Secrets::new(&config.folder, &process_env);
    let target = match webhook.resolve(&secrets) {
        Resolved::On(target) => target,
        Resolved::Off(why) => return Err(CliError::failed(why)),
    };
    let to = destination(webhook, &target)?;
    let fleet = Files::read(&config.file).map(|files| files.reading.inventory.fleet.to_string()).unwrap_or_default();
    let now = Timestamp::now();
    let event = trial(&webhook.name, format!("try-{}", Uuid::now_v7()), (&source_of(&fleet), &fleet), now, false);
    let full_pass = SignedDuration::try_from(config.full_pass()).unwrap_or(SignedDuration::MAX);
    let made = render(&event, &webhook.body.form, full_pass);
    if let Some(failure) = &made.failure {
        return Err(CliError::failed(format!("the body of {name} cannot be made: {failure}.")));
    }
    let body = to.body(made.form, &made.body);
    let message = Message {
        id: &event.id,
        timestamp_s: now.as_second(),
        content_type: made.content_type,
        headers: Some(&made.headers),
        body: &body,
    };
    let address = shown_address(&to.url);
    let attempt = Sender::new(Limits::default())?.send(&to, &message).await;
    let mut out = String::new();
    match attempt {
        Attempt::Delivered { status, said: Said(said) } => {
            let _ = writeln!(out, "{name} at {address} took it ({status}).");
            if !said.is_empty() {
                let _ = writeln!(out, "It said: {said}");
            }
            print(&out)?;
            Ok(Exit::Done)
        }
        other => {
            let why = other.error().unwrap_or_default();
            Err(CliError::failed(format!("{name} at {address} did not take it: {why}.")))
        }
    }
}
