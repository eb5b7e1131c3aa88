//! What the lifelines alone cost: the exposure still to come in a projection of the part onto the slots that lifelines
//! hang on (`mod.rs` §5). It never overestimates, for a projection of a script is a script of the projection.

use super::core::{Core, PartAnswer, Purse};
use super::model::{Class, EXPOSURE_SHIFT, Model, Set};
use super::tail::{able, may_spoil, members};
use std::collections::HashSet;
use std::rc::Rc;

/// Largest share of the slots, in percent, with which a projection is still worth its cost.
const MOST_PERCENT: usize = 70;
/// Most slots to be brought to their goal for which a projection is widened.
const MOST_ASKED: u32 = 14;
/// Most states looked at for the first bound, and for each one after it.
const FIRST_EXPANSIONS: u64 = 1000;
const MOST_EXPANSIONS: u64 = 50;

pub(super) struct Cone {
    slots: Vec<usize>,
    core: Core,
    /// Projected states that were asked about.
    asked: HashSet<Vec<Class>>,
}

impl Cone {
    /// The largest useful projection, if there is any. `asked`: slots that must be brought to their goal.
    pub fn of(model: &Model, asked: Set) -> Option<Self> {
        let lifelines =
            model.lifelines.iter().flat_map(|lifeline| &lifeline.slots).fold(0, |set: Set, slot| set | 1 << slot);
        let fits = |set: Set| set.count_ones() as usize * 100 <= model.slots.len() * MOST_PERCENT;
        let mut kept = with_needs(model, lifelines);
        if kept == 0 || !fits(kept) {
            return None;
        }
        loop {
            let wider = with_needs(model, kept | hanging_on(model, kept, asked));
            if wider == kept || !fits(wider) || (wider & asked).count_ones() > MOST_ASKED {
                break;
            }
            kept = wider;
        }
        let core = Core::new(Rc::new(model.projected(kept)))?;
        Some(Self { slots: members(kept).collect(), core, asked: HashSet::new() })
    }

    /// Least exposure, in milliseconds × lifelines, still to come; `None`: no script leads on from here.
    pub fn exposure(&mut self, state: &[Class], purse: &mut Purse) -> Option<u64> {
        let own: Vec<Class> = self.slots.iter().map(|slot| state[*slot]).collect();
        if self.asked.contains(&own) {
            let known = self.core.learned.get(&own).copied().unwrap_or(0);
            return (known != u64::MAX).then_some(known);
        }
        let most = if self.asked.is_empty() { FIRST_EXPANSIONS } else { MOST_EXPANSIONS };
        let share = Purse { expansions: purse.expansions.min(most), bytes: purse.bytes };
        let mut rest = share;
        let answer = self.core.run_from(&own, &mut rest);
        purse.expansions -= share.expansions - rest.expansions;
        self.asked.insert(own.clone());
        let bound = match answer {
            PartAnswer::Best { cost, .. } => cost,
            PartAnswer::Spent { bound, .. } => bound,
            PartAnswer::None => {
                self.core.learned.insert(own, u64::MAX);
                return None;
            }
        };
        let ms = (bound >> EXPOSURE_SHIFT) as u64;
        self.core.learn(ms);
        Some(ms)
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
    let touching = |command: &&super::model::ModelCommand| {
        may_spoil(command) & slots != 0 || command.needs.iter().any(|need| slots >> need.0 & 1 == 1 && need.1 & 1 == 0)
    };
    let others = model.commands.iter().filter(|command| !touching(command)).fold(0, |set, command| set | able(command));
    asked & !others
}
