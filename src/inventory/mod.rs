//! From the texts of an inventory to what every station should hold.
//!
//! Three stages: [`read()`] takes one file apart, [`resolve()`] puts all files together, layer over layer,
//! and checks what only shows then. Both collect every finding. Nothing here reads a file or asks a clock.
//! Whoever resolves again and again keeps a [`Resolver`], so that an edit costs what it touches.

mod commit;
mod fiction;
mod metadata;
mod names;
mod numbering;
mod spelling;
mod line;
mod raw;
mod station;
mod shared;
mod columns;
mod layers;
mod count;
mod values;
mod file;
mod checks;
mod resolve;

pub use columns::{Column, Columns, Strangers, WrongCell, number_in, value_in};
pub use commit::Commit;
pub use layers::{Spoken, SpokenLine, layers, spoken, spoken_line};
pub use line::{Contact, Form, Lacks, Line, LineKind, Part, Reach, dial, leads_to, parts};
pub use numbering::{Country, E164, NotE164};
pub use raw::{LineEntry, RawFile, RawLifeline, RawSetting, Wish, read};
pub use resolve::{ForEach, InTurn, Resolver, resolve};
pub use shared::Keybooks;
pub use station::{Extent, ForNow, Inventory, Layer, Station, Stations, Taken, Wanted};
