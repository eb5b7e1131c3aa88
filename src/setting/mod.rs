//! What a station can store: kinds of settings, their values, how a value is written and keyed.
//!
//! Values are text all the way. Nothing here knows files, models or stations.

mod code;
mod hash;
mod key;
mod kind;
mod value;
mod written;

pub use code::{Code, Codes, Fingerprint, Reference, Secret, key_check};
pub use hash::{Netstrings, content_sha, hex};
pub use key::{Key, Keys};
pub use kind::{Kind, Unfit};
pub use value::{Value, Weight};
pub use written::{Name, Written, decimal, spoken};
