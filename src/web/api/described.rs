//! What the description of the interface says at several addresses: which problems there are, and what a query may hold.

use std::collections::BTreeMap;

use utoipa::openapi::content::ContentBuilder;
use utoipa::openapi::path::{Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::{ObjectBuilder, Type};
use utoipa::openapi::{Ref, RefOr, Required, Response, ResponseBuilder};
use utoipa::{IntoParams, IntoResponses};

use super::super::problem::Kind;
use super::guard::SignedLink;
use crate::drift::Standing;
use crate::setting::Weight;

type Responses = BTreeMap<String, RefOr<Response>>;

/// What any answer from a view may be instead.
const OF_A_VIEW: [Kind; 8] = [
    Kind::Query,
    Kind::Token,
    Kind::Foreign,
    Kind::FirstPass,
    Kind::Inventory,
    Kind::Ledger,
    Kind::Busy,
    Kind::CutShort,
];

/// Problems as responses, one a status, each named by the kinds that have it.
fn problems(kinds: impl IntoIterator<Item = Kind>) -> Responses {
    let mut titles: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for kind in kinds {
        titles.entry(kind.status().as_u16().to_string()).or_default().push(kind.title());
    }
    let schema = || Some(Ref::from_schema_name("Problem"));
    let response = |mut titles: Vec<&str>| {
        titles.dedup();
        let content = ContentBuilder::new().schema(schema()).build();
        ResponseBuilder::new().description(titles.join("; ")).content("application/problem+json", content).build()
    };
    titles.into_iter().map(|(status, titles)| (status, response(titles).into())).collect()
}

/// What recording something may come to.
pub(super) struct FilingProblems;

impl IntoResponses for FilingProblems {
    fn responses() -> Responses {
        let own = [
            Kind::NotParsed,
            Kind::Role,
            Kind::Link,
            Kind::LinkExpired,
            Kind::TooLarge,
            Kind::MediaType,
            Kind::Rejected,
        ];
        problems(own.into_iter().chain(OF_A_VIEW))
    }
}

/// What reading the list may come to.
pub(super) struct ReadingProblems;

impl IntoResponses for ReadingProblems {
    fn responses() -> Responses {
        problems(OF_A_VIEW)
    }
}

/// What reading of one station may come to.
pub(super) struct StationProblems;

impl IntoResponses for StationProblems {
    fn responses() -> Responses {
        problems([Kind::NoStation].into_iter().chain(OF_A_VIEW))
    }
}

/// What asking for a script may come to.
pub(super) struct ScriptProblems;

impl IntoResponses for ScriptProblems {
    fn responses() -> Responses {
        let own = [Kind::NoStation, Kind::Role, Kind::NotAcceptable, Kind::Held, Kind::NoScript, Kind::VisitOpen];
        problems(own.into_iter().chain(OF_A_VIEW))
    }
}

/// What looking up a script may come to.
pub(super) struct LookUpProblems;

impl IntoResponses for LookUpProblems {
    fn responses() -> Responses {
        problems([Kind::NoSuchScript].into_iter().chain(OF_A_VIEW))
    }
}

fn query(name: &str, about: &str, schema: ObjectBuilder) -> Parameter {
    let parameter = ParameterBuilder::new().name(name).parameter_in(ParameterIn::Query).required(Required::False);
    parameter.description(Some(about)).schema(Some(schema.build())).build()
}

fn text() -> ObjectBuilder {
    ObjectBuilder::new().schema_type(Type::String)
}

fn words<'w>(words: impl IntoIterator<Item = &'w str>) -> ObjectBuilder {
    text().enum_values(Some(words))
}

/// The query of a signed link.
pub(super) struct LinkParams;

impl IntoParams for LinkParams {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let about = [
            "Of a card's signed link: its station.",
            "Of a card's signed link: until when it shows the card.",
            "Of a card's signed link: its signature. With these three nobody needs a token.",
        ];
        SignedLink::NAMES.iter().zip(about).map(|(name, about)| query(name, about, text())).collect()
    }
}

/// The query of the list of stations.
pub(super) struct ListParams;

impl ListParams {
    /// Its names.
    pub const NAMES: [&str; 5] = ["site", "standing", "weight", "after", "limit"];
    /// The most stations of one answer, and how many are given where nobody says.
    pub const MOST: usize = 1_000;
    pub const USUAL: usize = 100;
}

impl IntoParams for ListParams {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let [site, standing, weight, after, limit] = ListParams::NAMES;
        let number = ObjectBuilder::new().schema_type(Type::Integer);
        let number = number.minimum(Some(1)).maximum(Some(ListParams::MOST as u32));
        vec![
            query(site, "Only stations of this site.", text()),
            query(standing, "Only stations that are so.", words(Standing::ALL.map(Standing::as_str))),
            query(weight, "Only stations of this weight.", words(Weight::ALL.map(Weight::as_str))),
            query(after, "Only stations after this name: \"next\" of the answer before.", text()),
            query(limit, "So many stations at most. Default: 100.", number),
        ]
    }
}

/// The query of a station's script.
pub(super) struct ScriptParams;

impl ScriptParams {
    /// Its names.
    pub const NAMES: [&str; 3] = ["format", "way", "beside"];
    /// The words of each.
    pub const FORMATS: [&str; 4] = ["card", "keys", "json", "html"];
    pub const WAYS: [&str; 3] = ["there", "back", "renew"];
}

impl IntoParams for ScriptParams {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let [format, way, beside] = ScriptParams::NAMES;
        vec![
            query(
                format,
                "The form: a card of 80 columns, the bare keys, JSON, or the page of the card. Default: what \"Accept\" asks for, \
                 else json.",
                words(ScriptParams::FORMATS),
            ),
            query(
                way,
                "Where it leads: to what is wanted, back to what last worked, or overdue settings keyed again. Default: there.",
                words(ScriptParams::WAYS),
            ),
            query(beside, "The ids of the visits that you know of, with commas between.", text()),
        ]
    }
}

/// The query of the list of reports.
pub(super) struct ReportsParams;

impl ReportsParams {
    /// Its names.
    pub const NAMES: [&str; 3] = ["outcome", "after", "limit"];
    /// The words of the first.
    pub const OUTCOMES: [&str; 2] = ["recorded", "rejected"];
    /// The most reports of one answer, and how many are given where nobody says.
    pub const MOST: usize = 1_000;
    pub const USUAL: usize = 100;
    /// No ledger has as many entries.
    pub const LAST: usize = 1_000_000_000_000;
}

impl IntoParams for ReportsParams {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let [outcome, after, limit] = ReportsParams::NAMES;
        let number = || ObjectBuilder::new().schema_type(Type::Integer);
        let last = number().minimum(Some(0)).maximum(Some(ReportsParams::LAST as f64));
        let most = number().minimum(Some(1)).maximum(Some(ReportsParams::MOST as u32));
        vec![
            query(outcome, "Which reports. Default: recorded.", words(ReportsParams::OUTCOMES)),
            query(after, "Only reports after this number: \"next\" of the answer before.", last),
            query(limit, "So many reports at most. Default: 100.", most),
        ]
    }
}
