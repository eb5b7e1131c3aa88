//! What is on record about a station: field reports, issued scripts and decisions, and what they prove.
//!
//! [`read()`] takes a report apart, [`admit()`] says whether it may enter the ledger, [`fold`] turns all
//! reports of a station into its [`Record`], whatever order they arrived in, [`Decisions`] says which decisions are in force.
//! The ledger itself is
//! append-only and lives in the store; nothing here knows of it.

mod admit;
mod issued;
mod decision;
mod decisions;
mod proven;
mod record;
mod report;
mod shown;
mod wire;
mod wire_decision;
mod wire_key;
mod wire_value;

pub use admit::{AHEAD, Scrutiny, admit};
pub use decision::{
    Aside, Decision, End, LONGEST_ASIDE, LONGEST_TAKE, Release, Released, Said, Take, Target, Unsayable,
};
pub use decisions::Decisions;
pub use issued::{Digest, Effect, Issued, IssuedStep, NoDigest, effect, effect_value};
pub use proven::{Proven, same};
pub use record::{Holding, Mark, Proof, Record, State, fold};
pub use report::{Heard, Outcome, Places, REPORT_LIMIT_BYTES, Report, Test, Unit, read, too_long};
pub use shown::{HandedOut, IN_HAND, SHOWN_AGAIN, Shown, handed_out, leads_to, shown_at, unanswered};
pub use wire::{Line, export_line, line_of, parse_line, report_json, was_recorded};
pub use wire_key::{key_line, key_of_line};
pub use wire_value::{WireError, value_json};
