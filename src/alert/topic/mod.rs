//! What people are alerted about, a topic a file: what its subjects are, how each is, what makes it worse or better, and
//! what is said of it. Whom it is said to, and when, is the machine's business.

pub mod asides;
pub mod change;
pub mod files;
pub mod fixes;
pub mod growth;
pub mod pages;
pub mod receivers;
pub mod refused;
pub mod reports;
pub mod scope;
pub mod seen;
pub mod silent;
pub mod station;
pub mod trouble;
pub mod unrecorded;
