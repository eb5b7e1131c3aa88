//! Tests of the room as a whole: a small fleet, pass after pass.

mod asides;
mod bounds;
mod change;
mod files;
mod fixes;
mod fixture;
mod message;
mod receivers;
mod reminder;
mod reports;
mod scope;
mod station;
mod stream;
mod kept;

use super::*;
