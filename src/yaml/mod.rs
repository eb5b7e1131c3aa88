//! YAML text as a tree that remembers where everything stood and whether it was quoted.
//!
//! The events come from `saphyr-parser`; what could change a value's meaning behind its author's
//! back (tags, anchors, merge keys, repeated keys, a second document) is rejected here, for every
//! kind of file. Size and depth are bounded. Nothing here knows what the files mean.

mod broken;
mod sheet;
mod spot;
mod tree;

pub use sheet::{Sheet, is_shortened};
pub use spot::Spot;
pub use tree::{Data, Key, LIMIT_BYTES, Node, read};
