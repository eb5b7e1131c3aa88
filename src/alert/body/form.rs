//! What the messages of a webhook look like, and how many there are.

use std::sync::Arc;

use super::tree::Tree;

/// The form of a body.
#[derive(Debug, Clone, PartialEq)]
pub enum Form {
    /// CloudEvents 1.0 in structured JSON.
    CloudEvents,
    /// `{"text": …}`
    Chat,
    /// Plain text; title and urgency are headers.
    Text,
    /// Events API v2: trigger and resolve by a stable key.
    Pager,
    /// The Prometheus Alertmanager's v2 API: a list of alerts.
    Alertmanager,
    /// The webhook's own.
    Tree(Arc<Tree>),
}

impl Form {
    /// The word used in the configuration and in output.
    pub fn as_str(&self) -> &'static str {
        match self {
            Form::CloudEvents => "cloudevents",
            Form::Chat => "chat",
            Form::Text => "text",
            Form::Pager => "pager",
            Form::Alertmanager => "alertmanager",
            Form::Tree(_) => "tree",
        }
    }
}

/// What one message of a webhook is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum For {
    /// All that there is to tell after a pass.
    Pass,
    /// One station.
    Station,
}

/// What the configuration says of a webhook's messages.
#[derive(Debug, Clone, PartialEq)]
pub struct BodyTerms {
    /// What they look like.
    pub form: Form,
    /// What one of them is of.
    pub of: For,
    /// More stations in a minute are told in one message.
    pub most_a_minute: u32,
}

/// So many where the configuration says nothing.
pub const MOST_A_MINUTE: u32 = 60;

impl Default for BodyTerms {
    /// An event a pass.
    fn default() -> BodyTerms {
        BodyTerms { form: Form::CloudEvents, of: For::Pass, most_a_minute: MOST_A_MINUTE }
    }
}
