//! What is on record about a station: field reports, issued scripts and decisions, and what they prove.
//!
//! [`read()`] takes a report apart, [`admit()`] says whether it may enter the ledger, [`fold()`] turns all
//! reports of a station into its [`Record`], whatever order they arrived in, [`Decisions`] says which decisions are in force.
//! The ledger itself is
//! append-only and lives in the store; nothing here knows of it.

mod admit;
mod apart;
mod begun;
mod call;
mod corrections;
mod issued;
mod keyed;
mod mark;
mod on_card;
mod decision;
mod decisions;
mod earlier;
mod fold;
mod folded;
mod led;
mod packed_record;
mod proven;
mod record;
mod report;
mod sheet;
mod shown;
mod visit;
mod wire;
mod wire_chain;
mod wire_decision;
mod wire_key;
mod wire_value;

pub use admit::{AHEAD, Corrected, NO_CONTACT, Scrutiny, Terms, admit, admit_visit};
pub use apart::{Leaves, beside_record};
pub use begun::read_visit;
pub use call::{IssuedCall, calls, code_json};
pub use corrections::{Corrections, standing};
pub use decision::{
    Aside, Decision, End, LONGEST_ASIDE, LONGEST_TAKE, Release, Released, Said, Take, Target, Unsayable,
};
pub use decisions::Decisions;
pub use earlier::{Earlier, FailedWith, Held, Of, RefusedStep, Worked};
pub use fold::{fold, fold_with_visits};
pub use folded::FOLDED_FORM;
pub use issued::{Digest, Effect, Issued, IssuedStep, NoDigest, effect, effect_value};
pub use keyed::{seal, seen_by};
pub use led::{Led, led, with_fallbacks};
pub use mark::Mark;
pub use on_card::{CARD_END, keepable, report_in};
pub use packed_record::PackedRecord;
pub use proven::{Proven, same};
pub use record::{Elsewhere, Failure, Holding, Proof, Record, Refusal, State};
pub use report::{Heard, Opened, Opening, Outcome, Places, REPORT_LIMIT_BYTES, Report, Test, Unit, read, too_long};
pub use sheet::{Sheet, SheetRow};
pub use shown::{HANDED_OUT_FOR, HandedOut, SHOWN_AGAIN, Shown, handed_out, leads_to, shown_at, unanswered};
pub use visit::{OpenVisit, Visit, open};
pub use wire::{LedgerLine, line_of, parse_line, report_json};
pub use wire_chain::{Exported, export_line, exported, head_line, head_of_line, recorded_at};
pub use wire_key::{key_line, key_of_line};
pub use wire_value::{WireError, value_json};
