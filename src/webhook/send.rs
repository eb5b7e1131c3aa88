//! One try to deliver one message over HTTP. It follows no redirect, waits no longer than its limits, reads little of
//! the answer, and never logs: what it returns is fit to be shown.

use std::sync::OnceLock;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, DATE, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::{Client, Response, StatusCode, Url, redirect};
use thiserror::Error;

use super::retry::{http_date_ms, retry_after_ms};
use super::sign::{Secret, signature};

/// An answer's body is read so far, so that its connection can be used again; its content means nothing.
const MOST_READ: usize = 16 * 1024;

/// And no longer than this: the status has decided.
const LONGEST_READ: Duration = Duration::from_secs(2);

/// How long a try may take: to connect, and until the answer's headers are there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// To connect.
    pub connect: Duration,
    /// From the start of the try until the answer's headers are there.
    pub whole: Duration,
}

impl Default for Limits {
    /// 10 and 20 seconds (Standard Webhooks advises 15 to 30 for a try).
    fn default() -> Self {
        Self { connect: Duration::from_secs(10), whole: Duration::from_secs(20) }
    }
}

/// What is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message<'a> {
    /// The same at each try.
    pub id: &'a str,
    /// The time of this try, in seconds since 1970.
    pub timestamp_s: i64,
    /// The media type of the body.
    pub content_type: &'a str,
    /// As it is signed and sent.
    pub body: &'a str,
}

/// What became of a try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Attempt {
    /// The receiver answered with a 2xx status.
    Delivered {
        /// That status.
        status: u16,
    },
    /// It answered with another status (a redirect, too).
    Rejected {
        /// That status.
        status: u16,
        /// The wait that it asked for, in milliseconds.
        retry_after_ms: Option<i64>,
    },
    /// It answered 410: it wants no more messages.
    Gone,
    /// No answer that is HTTP came.
    Unreachable {
        /// Without the address or a secret.
        why: String,
    },
    /// No answer came within the limit.
    TimedOut,
    /// Nothing was sent, and trying again without a change of settings will not help.
    Unsendable {
        /// Without the address or a secret.
        why: String,
    },
}

impl Attempt {
    /// What went wrong, fit to be shown; nothing where the message was delivered.
    pub fn error(&self) -> Option<String> {
        match self {
            Attempt::Delivered { .. } => None,
            Attempt::Rejected { status, .. } => Some(format!("the receiver answered {status}")),
            Attempt::Gone => Some(
                "the receiver answered 410, it wants no more messages; sending stops until it is started again".into(),
            ),
            Attempt::Unreachable { why } | Attempt::Unsendable { why } => Some(why.clone()),
            Attempt::TimedOut => Some("the receiver gave no answer in time".into()),
        }
    }
}

/// Why a sender cannot be made.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum SendError {
    #[error("cannot make an HTTP client")]
    Client(#[source] reqwest::Error),
}

/// Sends messages; one for all webhooks. Clones share connections only through the same instance, so keep one in an `Arc`.
#[derive(Debug)]
pub struct Sender {
    limits: Limits,
    plain: Client,
    secure: OnceLock<Client>,
}

impl Sender {
    /// A sender with these limits. Needs no certificates: those are looked for when the first `https` address is used,
    /// and again at each try until they are there.
    pub fn new(limits: Limits) -> Result<Self, SendError> {
        // The first caller in a process decides; a second one, or another part that chose already, does no harm.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let plain = builder(limits).tls_certs_only(std::iter::empty()).build().map_err(SendError::Client)?;
        Ok(Self { limits, plain, secure: OnceLock::new() })
    }

    /// Makes one try. Without `secrets` the message is sent unsigned.
    pub async fn send(&self, url: &str, secrets: &[Secret], message: &Message<'_>) -> Attempt {
        let request = match self.request(url, secrets, message) {
            Ok(request) => request,
            Err(attempt) => return attempt,
        };
        match tokio::time::timeout(self.limits.whole, request.send()).await {
            // The status has decided, however long the body takes: a delivery must not be made again for that.
            Ok(Ok(response)) => judged(response, message.timestamp_s).await,
            Ok(Err(error)) if error.is_timeout() => Attempt::TimedOut,
            Ok(Err(error)) => Attempt::Unreachable { why: reasons(error) },
            Err(_) => Attempt::TimedOut,
        }
    }

    fn request(
        &self,
        url: &str,
        secrets: &[Secret],
        message: &Message<'_>,
    ) -> Result<reqwest::RequestBuilder, Attempt> {
        let unsendable = |why: String| Attempt::Unsendable { why };
        let url = Url::parse(url.trim())
            .map_err(|error| unsendable(format!("the webhook's address is not a URL: {error}")))?;
        let client = self.client_for(&url)?;
        let signed = signature(secrets, message.id, message.timestamp_s, message.body)
            .map_err(|error| unsendable(error.to_string()))?;
        let content_type = HeaderValue::from_str(message.content_type)
            .map_err(|_| unsendable("the content type is no header value".to_owned()))?;
        let mut request = client
            .post(url)
            .header("webhook-id", message.id)
            .header("webhook-timestamp", message.timestamp_s)
            .header(CONTENT_TYPE, content_type)
            .body(message.body.to_owned());
        if !signed.is_empty() {
            request = request.header("webhook-signature", signed);
        }
        Ok(request)
    }

    fn client_for(&self, url: &Url) -> Result<&Client, Attempt> {
        match url.scheme() {
            "http" => Ok(&self.plain),
            "https" => self.secure_client(),
            _ => Err(Attempt::Unsendable {
                why: "the webhook's address begins with neither http:// nor https://".to_owned(),
            }),
        }
    }

    fn secure_client(&self) -> Result<&Client, Attempt> {
        if let Some(client) = self.secure.get() {
            return Ok(client);
        }
        let client = builder(self.limits).build().map_err(|error| Attempt::Unreachable {
            why: format!(
                "no certificates to check an https address with were found on this machine; \
                 install them (Debian: ca-certificates) or name them in SSL_CERT_FILE ({})",
                reasons(error)
            ),
        })?;
        Ok(self.secure.get_or_init(|| client))
    }
}

fn builder(limits: Limits) -> reqwest::ClientBuilder {
    Client::builder()
        .redirect(redirect::Policy::none())
        .connect_timeout(limits.connect)
        .timeout(limits.whole)
        .http1_only()
        .user_agent(concat!("stationkeep/", env!("CARGO_PKG_VERSION")))
}

async fn judged(response: Response, timestamp_s: i64) -> Attempt {
    let status = response.status();
    let header = |name: HeaderName| response.headers().get(name).and_then(|value| value.to_str().ok());
    // A date is meant by the receiver's clock, which its answer tells; ours may be wrong.
    let now_ms = header(DATE).and_then(http_date_ms).unwrap_or(timestamp_s.saturating_mul(1000));
    let retry_after_ms = header(RETRY_AFTER).and_then(|text| retry_after_ms(text, now_ms));
    // How the body ends changes nothing.
    let _ = tokio::time::timeout(LONGEST_READ, drained(response)).await;
    if status.is_success() {
        return Attempt::Delivered { status: status.as_u16() };
    }
    if status == StatusCode::GONE {
        return Attempt::Gone;
    }
    Attempt::Rejected { status: status.as_u16(), retry_after_ms }
}

async fn drained(mut response: Response) {
    let mut read = 0;
    while let Ok(Some(chunk)) = response.chunk().await {
        read += chunk.len();
        if read > MOST_READ {
            return;
        }
    }
}

/// An error's whole chain without the address, which may hold a token.
fn reasons(error: reqwest::Error) -> String {
    let error = error.without_url();
    let mut text = error.to_string();
    let mut source = std::error::Error::source(&error);
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}

/// As much of a webhook's address as may be shown: scheme, host and port. The rest may be a secret.
pub fn shown_address(url: &str) -> String {
    match Url::parse(url.trim()) {
        Ok(url) => url.origin().ascii_serialization(),
        Err(_) => "(not a URL)".to_owned(),
    }
}
