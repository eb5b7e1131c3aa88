//! What a new installation holds: a commented skeleton, with an example or with an inventory that was drafted from a sheet.
//!
//! It makes texts and writes nothing.

mod draft;
mod frame;
mod rows;

pub use draft::{Draft, draft, drafted};
pub use frame::{Answers, FIRST_KEYBOOK, Forge, INVENTORY, Mode, NewFile, skeleton};
