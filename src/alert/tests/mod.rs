//! Tests of the room as a whole: a small fleet, pass after pass.

mod asides;
mod body;
mod bounds;
mod buttons;
mod change;
mod files;
mod fixes;
mod fixture;
mod message;
mod pages;
mod receivers;
mod refused;
mod reminder;
mod reports;
mod scope;
mod silent;
mod station;
mod stream;
mod visits;
mod kept;

use super::*;
