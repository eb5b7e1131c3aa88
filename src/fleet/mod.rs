//! The bridge where files, the store and the clock become values, and values become rows of the store.
//!
//! [`Fleet`] looks: at files ([`Sources`]), dropped reports ([`intake`]), ledger ([`Records`]) and clock. What it sees is a
//! [`View`], an immutable value with a [`Row`] a station. Whoever wants to know something asks the view (`ask`), and whoever
//! hands a script out records it first (`issue`). Decisions are the core's; what is shown is the program's.

mod answer;
mod answer_visit;
mod ask;
mod asking;
mod batch;
mod chained;
mod contacts;
mod decide;
mod drops;
mod entries;
mod error;
mod folds;
mod history;
pub mod intake;
mod issue;
mod judged;
mod keyed;
mod lines;
mod look;
mod oddities;
mod reading;
mod receipt;
mod records;
pub mod rejected;
mod rows;
mod script_line;
mod sheets;
mod side_by_side;
mod sources;
mod spoken;
mod summary;
mod unkept;
mod view;
mod work;

#[cfg(test)]
mod tests;

pub use answer::Answer;
pub use ask::{Drifts, Explanation, Keying};
pub use asking::{Askers, Asking, NoView, asking};
pub use chained::ExportChain;
pub use contacts::ContactsSince;
pub use decide::say;
pub use error::FleetError;
pub use folds::FoldsFound;
pub use history::{history, history_json};
pub use issue::{Cleared, IssueError, record_scripts};
pub use judged::judged;
pub use keyed::{KeyedError, open_existing_with_key, open_to_read_with_key, open_with_key};
pub use look::{Fleet, LookTerms, Moment, News};
pub use oddities::StationLines;
pub use reading::{Reading, ReadingCache, Texts};
pub use receipt::receipt;
pub use records::Records;
pub use rows::Row;
pub use sheets::{Foreseen, RowReceived};
pub use sources::{InUse, LastRead, Source, SourceTexts, Sources};
pub use summary::Summary;
pub use view::View;
