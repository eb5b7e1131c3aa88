//! The delta script: the fewest keys that bring a station from what it holds to what is wanted, in the
//! order that never leaves a button uncovered longer than it must.
//!
//! [`write()`] decides everything: `task` lays out an abstract [`problem`], [`search`] finds the best steps, `choose` prefers
//! those that keep the way in, `writer` writes them down with `rationale` and `recovery`, [`calls`] cuts them into calls,
//! `proof` keys them into a simulated station. What comes out, a [`Script`] (`delta`), is shown by [`card`] and [`json()`].
//! Codes stay references until the moment of showing.
//!
//! *Best* is meant of the scripts that keep the way in: none is better that throws away the code by which the next call is
//! opened. `proven` and `bound` are of the same. Where none keeps it, the best of all is given, and warns of the step after
//! which nobody knows the code; so it is, but not proven, where the search for one that keeps it runs out of its budget.
//!
//! The way back leads from the end of a script of which no report came to what was known before it; else from what is on
//! record to what last worked (`aim.rs`). It says so before all else where it ends in what no test call has proved.

pub mod calls;
pub mod card;
pub mod problem;
pub mod search;

mod aim;
mod choose;
mod commission;
mod conflicts;
mod dead;
mod delta;
mod follows;
mod json;
mod kept;
mod memory;
mod no_script;
mod nothing;
mod obvious;
mod presence;
mod pressed;
mod proof;
mod rationale;
mod recovery;
mod renew;
mod request;
mod task;
mod test_call;
#[cfg(test)]
mod tests;
mod warning;
mod way_in;
mod work;
mod worklist;
mod write;
mod writer;

pub use aim::{Back, NoWayBack, Way, has_failed, no_way_back};
pub use commission::unkeyable;
pub use dead::{Dead, Undecided, calls_nobody};
pub use delta::{Basis, Begun, Call, OtherVisit, Renumbered, Script, Step};
pub use follows::follows;
pub use json::{digest_of, issued, json, nothing_to_key};
pub use kept::{begun, kept_calls, renewed};
pub use memory::Memory;
pub use no_script::{Beside, NoScript, Rule, Stuck};
pub use nothing::nothing_text;
pub use obvious::Obvious;
pub use pressed::{Piece, Pressed};
pub use proof::ProofError;
pub use rationale::{Because, Does, Place, Rationale};
pub use recovery::{Fallback, Recovery};
pub use renew::{renew, renewable};
pub use request::Request;
pub use test_call::TestCall;
pub use warning::Warning;
pub use work::Work;
pub use worklist::{Due, Errand, Laid, WorkList, is_to_repair, urgency};
pub use write::{digest, full_presses, reckon, write};
