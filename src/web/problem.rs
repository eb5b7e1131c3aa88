//! Problem documents: RFC 9457, `application/problem+json`. Their types are addresses below `/problems/`, where each is
//! explained in a sentence or two.

use axum::http::{HeaderName, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value};

/// What kinds of problem there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Busy,
    CutShort,
    FirstPass,
    Foreign,
    Held,
    Inventory,
    Ledger,
    Link,
    LinkExpired,
    MediaType,
    Method,
    Metrics,
    NoScript,
    NoStation,
    NoSuchScript,
    NotAcceptable,
    NotParsed,
    PassesLate,
    Query,
    Rejected,
    Role,
    Token,
    TooLarge,
    UnknownPath,
    VisitOpen,
}

impl Kind {
    /// All of them.
    pub const ALL: [Kind; 25] = [
        Kind::Busy,
        Kind::CutShort,
        Kind::FirstPass,
        Kind::Foreign,
        Kind::Held,
        Kind::Inventory,
        Kind::Ledger,
        Kind::Link,
        Kind::LinkExpired,
        Kind::MediaType,
        Kind::Method,
        Kind::Metrics,
        Kind::NoScript,
        Kind::NoStation,
        Kind::NoSuchScript,
        Kind::NotAcceptable,
        Kind::NotParsed,
        Kind::PassesLate,
        Kind::Query,
        Kind::Rejected,
        Kind::Role,
        Kind::Token,
        Kind::TooLarge,
        Kind::UnknownPath,
        Kind::VisitOpen,
    ];

    /// The last part of its type, its status, and its title.
    fn facts(self) -> (&'static str, StatusCode, &'static str) {
        match self {
            Kind::Busy => ("busy", StatusCode::SERVICE_UNAVAILABLE, "No answer in time"),
            Kind::CutShort => ("cut-short", StatusCode::INTERNAL_SERVER_ERROR, "The answer was cut short"),
            Kind::FirstPass => ("first-pass", StatusCode::SERVICE_UNAVAILABLE, "Not ready"),
            Kind::Foreign => ("foreign", StatusCode::FORBIDDEN, "The request comes from another site"),
            Kind::Held => ("held", StatusCode::CONFLICT, "The script is held"),
            Kind::Inventory => ("inventory", StatusCode::SERVICE_UNAVAILABLE, "Not ready"),
            Kind::Ledger => ("ledger", StatusCode::SERVICE_UNAVAILABLE, "Not ready"),
            Kind::Link => ("link", StatusCode::FORBIDDEN, "The link is not for this"),
            Kind::LinkExpired => ("link-expired", StatusCode::FORBIDDEN, "The link has expired"),
            Kind::MediaType => ("media-type", StatusCode::UNSUPPORTED_MEDIA_TYPE, "Another media type is needed"),
            Kind::Method => ("method", StatusCode::METHOD_NOT_ALLOWED, "Another method is needed"),
            Kind::Metrics => ("metrics", StatusCode::INTERNAL_SERVER_ERROR, "The metrics cannot be written"),
            Kind::NoScript => ("no-script", StatusCode::CONFLICT, "There is no script"),
            Kind::NoStation => ("no-station", StatusCode::NOT_FOUND, "There is no such station"),
            Kind::NoSuchScript => ("no-such-script", StatusCode::NOT_FOUND, "There is no such script"),
            Kind::NotAcceptable => ("not-acceptable", StatusCode::NOT_ACCEPTABLE, "There is no such format"),
            Kind::NotParsed => ("not-parsed", StatusCode::BAD_REQUEST, "The body cannot be read"),
            Kind::PassesLate => ("passes-late", StatusCode::SERVICE_UNAVAILABLE, "Passes do not finish as they should"),
            Kind::Query => ("query", StatusCode::BAD_REQUEST, "The query cannot be used"),
            Kind::Rejected => ("rejected", StatusCode::UNPROCESSABLE_ENTITY, "It was rejected"),
            Kind::Role => ("role", StatusCode::FORBIDDEN, "The token is not for this"),
            Kind::Token => ("token", StatusCode::UNAUTHORIZED, "A token is needed"),
            Kind::TooLarge => ("too-large", StatusCode::PAYLOAD_TOO_LARGE, "The body is too large"),
            Kind::UnknownPath => ("unknown-path", StatusCode::NOT_FOUND, "Nothing is here"),
            Kind::VisitOpen => ("visit-open", StatusCode::CONFLICT, "Someone may be keying there"),
        }
    }

    /// The status that it is answered with.
    pub fn status(self) -> StatusCode {
        self.facts().1
    }

    /// The same for every problem of this kind.
    pub fn title(self) -> &'static str {
        self.facts().2
    }

    /// The last part of its type.
    pub fn code(self) -> &'static str {
        self.facts().0
    }

    /// It with its meaning, as a short text.
    pub fn text(self) -> String {
        let (_, status, title) = self.facts();
        format!("{title} ({})\n\n{}\n", status.as_u16(), self.meaning())
    }

    /// What it means, and what helps.
    fn meaning(self) -> &'static str {
        match self {
            Kind::Busy => {
                "The files and the ledger took too long to read. Ask again. A report or a visit may be sent again: it counts once."
            }
            Kind::CutShort => {
                "This is a mistake of the program: its log says more. A report or a visit may be sent again: it counts once."
            }
            Kind::FirstPass => "The program has just started. Ask again in a moment.",
            Kind::Foreign => {
                "A page of another site sent this request, or it was sent to a name that is not this program's. Without tokens only \
                 this machine may ask, under its own names (127.0.0.1, [::1], localhost). Behind a proxy set \"address\" and \"access\" \
                 in the configuration."
            }
            Kind::Held => {
                "The script is part of a change of many buttons, and waits until someone releases it. \"change\" is its name for \
                 \"stationkeep release\"."
            }
            Kind::Inventory => "No inventory without errors was ever read. \"stationkeep check\" says what is wrong.",
            Kind::Ledger => {
                "The ledger cannot be read or written now. Send it again later: a report or a visit counts once."
            }
            Kind::Link => {
                "A signed link files the report and the visit of its own card alone. Send them to the address that the card has."
            }
            Kind::LinkExpired => {
                "A signed link files reports for seven days longer than it shows its card. Ask ops for a new link."
            }
            Kind::MediaType => "A body is application/json or application/yaml. \"Content-Type\" must say which.",
            Kind::Method => "The header \"Allow\" lists the methods that this address takes.",
            Kind::Metrics => "This is a mistake of the program: its log says more.",
            Kind::NoScript => "No order of commands leads to what is wanted. \"detail\" says what stands in the way.",
            Kind::NoStation => "The inventory in use has no station of this name.",
            Kind::NoSuchScript => "No script of this digest is on record.",
            Kind::NotAcceptable => {
                "A script is given as application/json, text/plain or text/html. \"Accept\" asks for none of these."
            }
            Kind::NotParsed => "The body is not JSON or YAML, or not what this address takes. Nothing of it was kept.",
            Kind::PassesLate => "The last look at files, reports and ledger is too long ago. The log says why.",
            Kind::Query => "\"detail\" names the part of the address after the question mark that cannot be used.",
            Kind::Rejected => {
                "The report or the visit was read and is wrong: \"reasons\" says why. It was kept with the reasons, and on-call is \
                 alerted. Fix it and send it again. Its id may be used again."
            }
            Kind::Role => {
                "The token's role may not do this. Readers see how the fleet is; technicians and ops issue scripts and report."
            }
            Kind::Token => {
                "Give a name and its token as HTTP Basic authentication. The configuration lists them at \"access\"."
            }
            Kind::TooLarge => "A report has at most 65,536 bytes.",
            Kind::UnknownPath => "/openapi.json describes the addresses there are.",
            Kind::VisitOpen => {
                "Someone began to key another script of this station, and no report of it is on record. Make sure that nobody is \
                 keying there. Then ask again with \"beside\" and the visit's id."
            }
        }
    }
}

/// Something that cannot be answered as asked, or is not as it should be.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Problem {
    pub kind: Kind,
    /// What happened this time, and what to do.
    pub detail: String,
    /// Members of its own.
    pub more: Map<String, Value>,
    /// A header that belongs to it.
    pub header: Option<(HeaderName, &'static str)>,
}

impl Problem {
    pub fn new(kind: Kind, detail: impl Into<String>) -> Problem {
        Problem { kind, detail: detail.into(), more: Map::new(), header: None }
    }

    /// With a member of its own.
    pub fn with(mut self, name: &str, value: impl Into<Value>) -> Problem {
        self.more.insert(name.to_owned(), value.into());
        self
    }

    /// With a header.
    pub fn with_header(self, name: HeaderName, value: &'static str) -> Problem {
        Problem { header: Some((name, value)), ..self }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let (code, status, title) = self.kind.facts();
        let mut document = Map::new();
        document.insert("type".into(), format!("/problems/{code}").into());
        document.insert("title".into(), title.into());
        document.insert("status".into(), status.as_u16().into());
        document.insert("detail".into(), self.detail.into());
        document.extend(self.more);
        let answer = json(status, "application/problem+json", Value::Object(document));
        match self.header {
            Some(header) => ([header], answer).into_response(),
            None => answer,
        }
    }
}

/// A JSON answer that no cache keeps, and no browser takes for something else.
pub(super) fn json(status: StatusCode, content_type: &'static str, body: impl Into<Value>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, content_type),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    ];
    (status, headers, format!("{}\n", body.into())).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_a_code_of_its_own_that_can_stand_in_an_address() {
        let mut codes: Vec<&str> = Kind::ALL.iter().map(|kind| kind.code()).collect();
        assert!(
            codes.iter().all(|code| code.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-')),
            "{codes:?}"
        );
        assert!(codes.is_sorted(), "{codes:?}");
        codes.dedup();
        assert_eq!(codes.len(), Kind::ALL.len());
    }
}
