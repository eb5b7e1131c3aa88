//! What the lifelines alone cost: the exposure still to come in a projection of the part onto the slots that lifelines
//! hang on (`mod.rs` §6). It never overestimates, for a projection of a script is a script of the projection.

use super::budget::Purse;
use super::exposure_search::ExposureSearch;
use super::model::{Class, Model, ModelCommand, Set, members};

/// Usual limits on the states looked at for the first bound, and for each one after it.
pub(super) const FIRST_EXPANSIONS: u64 = 5000;
pub(super) const MOST_EXPANSIONS: u64 = 1000;

pub(super) struct Projection {
    slots: Vec<usize>,
    search: ExposureSearch,
}

impl Projection {
    /// The projection that leaves out only what can be settled while no lifeline is touched. `asked`: slots that may have
    /// to be brought to their goal. `None`: nothing is left.
    pub fn of(model: &Model, asked: Set) -> Option<Self> {
        let lifelines =
            model.lifelines.iter().flat_map(|lifeline| &lifeline.slots).fold(0, |set: Set, slot| set | 1 << slot);
        let mut kept = with_needs(model, lifelines);
        if kept == 0 {
            return None;
        }
        loop {
            let wider = with_needs(model, kept | hanging_on(model, kept, asked));
            if wider == kept {
                return Some(Self {
                    slots: members(kept).collect(),
                    search: ExposureSearch::new(model.projected(kept)),
                });
            }
            kept = wider;
        }
    }

    /// A bound on the exposure, in milliseconds × lifelines, still to come (`u64::MAX`: no script leads on); the least of
    /// the projection, unless that is more than `limit` or so many states did not tell.
    pub fn exposure(&mut self, state: &[Class], limit: u64, most: u64, purse: &mut Purse) -> u64 {
        let own: Vec<Class> = self.slots.iter().map(|slot| state[*slot]).collect();
        let (bound, spent) = self.search.least(&own, limit, purse.expansions.min(most), purse.bytes);
        purse.pay(spent);
        bound
    }
}

/// The slots, what the commands that write them need, what the commands that write that need, and so on.
fn with_needs(model: &Model, mut slots: Set) -> Set {
    loop {
        let writers = model.commands.iter().filter(|command| command.writes & slots != 0);
        let wider = writers.fold(slots, |set, command| {
            let reads = command.reads.iter().map(|read| read.slot);
            command.needs.iter().map(|need| need.0).chain(reads).fold(set, |set, slot| set | 1 << slot)
        });
        if wider == slots {
            return slots;
        }
        slots = wider;
    }
}

/// Slots that can only be brought to their goal by commands that touch, or depend on, the given ones.
fn hanging_on(model: &Model, slots: Set, asked: Set) -> Set {
    let touching = |command: &&ModelCommand| {
        command.may_spoil() & slots != 0 || command.needs.iter().any(|need| slots >> need.0 & 1 == 1 && need.1 & 1 == 0)
    };
    let others =
        model.commands.iter().filter(|command| !touching(command)).fold(0, |set, command| set | command.achieves());
    asked & !others
}
