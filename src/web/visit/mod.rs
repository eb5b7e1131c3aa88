//! The visit page: the card's page, with what makes a visit of it. The files beside this one are sent as they are: no
//! framework, no build step, nothing from elsewhere. Without scripts the page is the card.

mod data;
mod modules;
mod waiting;

pub(super) use data::{State, Visiting, closed, policy, policy_of};
pub(super) use modules::{module, worker};
pub(super) use waiting::waiting;
