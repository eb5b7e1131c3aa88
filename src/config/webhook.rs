//! One webhook of the configuration: whom it tells of what, and what its references lead to.
//!
//! Addresses and signing secrets never stand in a finding, in a message or in `Debug`.

use std::collections::{BTreeMap, BTreeSet};

use super::Address;
use crate::alert::body::form::BodyTerms;
use crate::files::{Origin, SecretError, Secrets};
use crate::finding::Place;
use crate::setting::{Name, Reference, Weight};
use crate::webhook::Expect;

/// Someone who is alerted.
#[derive(Debug, Clone, PartialEq)]
pub struct Webhook {
    /// No two have one.
    pub name: Name,
    /// Where the file names it.
    pub place: Place,
    /// What it is for.
    pub kind: WebhookKind,
    /// Where messages go.
    pub url: Given,
    /// In the order of the file: the newest first, as its owner turns them over. None: messages are not signed.
    pub signing: Vec<Reference>,
    /// Which alerts it gets; a heartbeat carries none.
    pub weights: BTreeSet<Weight>,
    /// Minutes after which an open alert is told again; has every weight.
    pub remind_minutes: BTreeMap<Weight, u32>,
    /// Minutes after which the others are told that it had something to deliver and delivered nothing.
    pub silent_minutes: u32,
    /// Header lines that every message is sent with, by name.
    pub headers: BTreeMap<String, Given>,
    /// What an answer must say, whatever its status.
    pub expect: Option<Expect>,
    /// What its messages look like, and how many there are.
    pub body: BodyTerms,
    /// Put into each message on sending, where they are of the form that needs one.
    pub routing_key: Option<Reference>,
}

/// What a webhook is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WebhookKind {
    /// It gets alerts about drift, and about what was rejected.
    Alerts,
    /// It gets an empty message regularly while passes finish, so that silence can be noticed.
    Heartbeat {
        /// From one to the next.
        every_seconds: u32,
    },
}

/// Where an address, or another text that may be a secret, stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Given {
    /// In the configuration itself.
    Written(Address),
    /// Where this leads.
    Secret(Reference),
}

/// A webhook as it can be used now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Resolved {
    /// It is used.
    On(Target),
    /// It cannot be used; the message says why.
    Off(String),
}

/// Where to send and how to sign.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Target {
    /// An `http` or `https` address with a host.
    pub url: Address,
    /// As they were read; what they must look like is the signer's business.
    pub signing: Vec<Address>,
    /// Sentences about signing secrets that are left out.
    pub notes: Vec<String>,
    /// Header lines, by name.
    pub headers: BTreeMap<String, Address>,
    /// See [`Webhook::routing_key`].
    pub routing_key: Option<Address>,
}

impl Webhook {
    /// Looks its references up. With an unset variable it is off; of several signing secrets one is enough.
    pub fn resolve(&self, secrets: &Secrets<'_>) -> Resolved {
        let name = &self.name;
        let look_up = |reference: &Reference| {
            secrets.look_up(reference, Origin::Owner).map(|code| Address::from(code.reveal().trim()))
        };
        let url = match &self.url {
            Given::Written(address) => address.clone(),
            Given::Secret(reference) => match look_up(reference) {
                Ok(address) if is_http(address.reveal()) => address,
                Ok(_) => {
                    return Resolved::Off(format!(
                        "The webhook \"{name}\" is off: \"{reference}\" leads to no http or https address."
                    ));
                }
                Err(error) => return Resolved::Off(format!("The webhook \"{name}\" is off: {error}.")),
            },
        };
        let mut headers = BTreeMap::new();
        for (header, given) in &self.headers {
            let value = match given {
                Given::Written(value) => Ok(value.clone()),
                Given::Secret(reference) => look_up(reference),
            };
            match value {
                Ok(value) => headers.insert(header.clone(), value),
                Err(error) => return Resolved::Off(format!("The webhook \"{name}\" is off: {error}.")),
            };
        }
        let routing_key = match self.routing_key.as_ref().map(look_up).transpose() {
            Ok(key) => key,
            Err(error) => return Resolved::Off(format!("The webhook \"{name}\" is off: {error}.")),
        };
        let (found, lost): (Vec<_>, Vec<_>) = self.signing.iter().map(look_up).partition(Result::is_ok);
        let lost: Vec<SecretError> = lost.into_iter().filter_map(Result::err).collect();
        let signing: Vec<Address> = found.into_iter().filter_map(Result::ok).collect();
        match lost.first() {
            Some(error) if signing.is_empty() => {
                Resolved::Off(format!("The webhook \"{name}\" is off, since its messages cannot be signed: {error}."))
            }
            Some(_) | None => {
                let note =
                    |error: &SecretError| format!("The webhook \"{name}\" signs without one of its secrets: {error}.");
                Resolved::On(Target { url, signing, notes: lost.iter().map(note).collect(), headers, routing_key })
            }
        }
    }

    /// Every secret it refers to.
    pub fn references(&self) -> impl Iterator<Item = &Reference> {
        fn secret(given: &Given) -> Option<&Reference> {
            match given {
                Given::Written(_) => None,
                Given::Secret(reference) => Some(reference),
            }
        }
        [&self.url]
            .into_iter()
            .chain(self.headers.values())
            .filter_map(secret)
            .chain(&self.signing)
            .chain(&self.routing_key)
    }
}

/// Whether a text is an `http` or `https` address with a host.
pub(super) fn is_http(text: &str) -> bool {
    reqwest::Url::parse(text).is_ok_and(|url| matches!(url.scheme(), "http" | "https") && url.has_host())
}
