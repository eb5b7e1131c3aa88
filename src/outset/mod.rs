//! What a new installation holds: a commented skeleton, with an example or with an inventory that was drafted from a sheet.
//!
//! It makes texts and writes nothing.

mod draft;
mod frame;
mod profiles;
mod rows;
mod told;

pub use draft::{Draft, draft, drafted};
pub use frame::{Answers, Forge, INVENTORY, Mode, NewFile, skeleton};
