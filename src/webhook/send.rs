//! One try to deliver one message over HTTP. It follows no redirect, waits no longer than its limits, reads little of
//! the answer, and never logs: what it returns is fit to be shown.

use std::collections::BTreeMap;
use std::sync::OnceLock;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, DATE, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::{Client, Response, StatusCode, Url, redirect};
use serde_json::Value;
use thiserror::Error;

use super::retry::{http_date_ms, retry_after_ms};
use super::said::{Said, said};
use super::sign::signature;
use super::target::{Expect, Target};

/// An answer's body is read so far, so that its connection can be used again.
const MOST_READ: usize = 16 * 1024;

/// And no longer than this: the status has decided, where nothing is expected of the body.
const LONGEST_READ: Duration = Duration::from_secs(2);

/// These say that the message will not be taken, however often it is sent (RFC 9110 §15.5.1, §15.5.14, §15.5.16, §15.5.21).
const REFUSALS: [StatusCode; 4] = [
    StatusCode::BAD_REQUEST,
    StatusCode::PAYLOAD_TOO_LARGE,
    StatusCode::UNSUPPORTED_MEDIA_TYPE,
    StatusCode::UNPROCESSABLE_ENTITY,
];

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
    /// Header lines beside those of every message, by name.
    pub headers: Option<&'a BTreeMap<String, String>>,
    /// As it is signed and sent.
    pub body: &'a str,
}

/// What became of a try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Attempt {
    /// The receiver answered with a 2xx status, and with what is expected of it.
    Delivered {
        /// That status.
        status: u16,
        /// The beginning of what it said.
        said: Said,
    },
    /// It says that it will not take this message: 400, 413, 415, 422, or a 2xx without what is expected of it.
    Refused {
        /// The status.
        status: u16,
        /// The beginning of what it said.
        said: Said,
        /// The wait that it asked for, in milliseconds.
        retry_after_ms: Option<i64>,
    },
    /// It answered with another status (a redirect, too).
    Rejected {
        /// That status.
        status: u16,
        /// The beginning of what it said.
        said: Said,
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
            Attempt::Rejected { status, said, .. } => Some(format!("the receiver answered {status}{said}")),
            Attempt::Refused { status, said, .. } => {
                Some(format!("the receiver will not take this message: it answered {status}{said}"))
            }
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

    /// Makes one try. Without secrets the message is sent unsigned.
    pub async fn send(&self, to: &Target, message: &Message<'_>) -> Attempt {
        let request = match self.request(to, message) {
            Ok(request) => request,
            Err(attempt) => return attempt,
        };
        match tokio::time::timeout(self.limits.whole, request.send()).await {
            Ok(Ok(response)) => judged(response, to, message.timestamp_s).await,
            Ok(Err(error)) if error.is_timeout() => Attempt::TimedOut,
            Ok(Err(error)) => Attempt::Unreachable { why: reasons(error) },
            Err(_) => Attempt::TimedOut,
        }
    }

    fn request(&self, to: &Target, message: &Message<'_>) -> Result<reqwest::RequestBuilder, Attempt> {
        let unsendable = |why: String| Attempt::Unsendable { why };
        let url = Url::parse(to.url.trim())
            .map_err(|error| unsendable(format!("the webhook's address is not a URL: {error}")))?;
        let client = self.client_for(&url)?;
        let signed = signature(&to.secrets, message.id, message.timestamp_s, message.body)
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
        for (name, value) in message.headers.into_iter().flatten().chain(&to.headers) {
            // It may be a secret, so it is not repeated.
            let of = |what: &str| unsendable(format!("the header \"{name}\" has {what} that HTTP does not allow"));
            let name = HeaderName::from_bytes(name.as_bytes()).map_err(|_| of("a name"))?;
            let mut value = HeaderValue::from_str(value.trim()).map_err(|_| of("a value"))?;
            value.set_sensitive(true);
            request = request.header(name, value);
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

async fn judged(response: Response, to: &Target, timestamp_s: i64) -> Attempt {
    let status = response.status();
    let header = |name: HeaderName| response.headers().get(name).and_then(|value| value.to_str().ok());
    // A date is meant by the receiver's clock, which its answer tells; ours may be wrong.
    let now_ms = header(DATE).and_then(http_date_ms).unwrap_or(timestamp_s.saturating_mul(1000));
    let retry_after_ms = header(RETRY_AFTER).and_then(|text| retry_after_ms(text, now_ms));
    let mut body = Vec::new();
    // How the body ends changes nothing, unless something is expected of it.
    let is_whole = tokio::time::timeout(LONGEST_READ, drained(response, &mut body)).await.unwrap_or(false);
    let said = said(&body, to);
    let status = (status, status.as_u16());
    match status {
        (code, status) if code.is_success() => match &to.expect {
            // A delivery must not be made again because the rest of an answer is slow.
            None => Attempt::Delivered { status, said },
            Some(expect) if is_expected(expect, &body) => Attempt::Delivered { status, said },
            Some(_) if is_whole => Attempt::Refused { status, said, retry_after_ms },
            Some(_) => Attempt::Rejected { status, said, retry_after_ms },
        },
        (StatusCode::GONE, _) => Attempt::Gone,
        (code, status) if REFUSALS.contains(&code) => Attempt::Refused { status, said, retry_after_ms },
        (_, status) => Attempt::Rejected { status, said, retry_after_ms },
    }
}

/// Whether an answer says what is expected of it.
fn is_expected(expect: &Expect, body: &[u8]) -> bool {
    let answer: Value = serde_json::from_slice(body).unwrap_or_default();
    answer.pointer(&expect.pointer) == Some(&expect.equals)
}

/// Reads the beginning of an answer's body; true where that is all of it.
async fn drained(mut response: Response, body: &mut Vec<u8>) -> bool {
    loop {
        match response.chunk().await {
            Ok(Some(chunk)) => {
                body.extend_from_slice(&chunk);
                if body.len() > MOST_READ {
                    body.truncate(MOST_READ);
                    return false;
                }
            }
            Ok(None) => return true,
            Err(_) => return false,
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
