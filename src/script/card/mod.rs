//! A script laid out for the technician who keys it. [`Card`] is all that it says, in the order it is read; [`text()`] and
//! the page of `web` show the same one.
//!
//! The card holds access codes: it is for the person at the station and nobody else.

mod as_read;
mod cautions;
mod contents;
mod draft;
mod facts;
mod failing;
mod link;
mod note;
mod slip;
mod stretch;
mod tests_to_make;
mod text;
mod visit;
mod words;

pub use as_read::{Group, KeyGroup};
pub use cautions::cautions;
pub use contents::{Card, CardCall, CardLine, Label};
pub use link::{beside, link};
pub use slip::may_change;
pub use tests_to_make::WITHOUT_WAY_BACK;
pub use text::{keys, text};
pub use visit::{Answer, OUTDATED, Screen, Shows, Tells, Visit, VisitCall, VisitKeys, VisitStep, VisitTest, Word};
