//! States that another one dominates: it costs no more and, whatever follows, is nowhere worse (`mod.rs` §6).

use super::model::{Class, Classes, GOAL, Model, Set};
use super::state_registry::StateRegistry;

/// Most states of one group that a new state is compared with.
const MOST_COMPARED: usize = 16;

/// No state.
const NONE: u32 = u32::MAX;

pub(super) struct Dominance {
    /// For each slot the classes that are no better than the goal, whatever follows.
    worse: Vec<Classes>,
    /// What states hold that the goal is not better than: the groups, and of each the last state met.
    groups: StateRegistry,
    last: Vec<u32>,
    met: Vec<Met>,
    /// Room for a key.
    key: Vec<Class>,
}

/// A state met, the slots where it holds something that the goal is better than, and the one of its group met before.
struct Met {
    away: Set,
    state: u32,
    before: u32,
}

impl Dominance {
    pub fn new(model: &Model) -> Self {
        Self {
            worse: (0..model.slots.len()).map(|slot| worse(model, slot)).collect(),
            groups: StateRegistry::new(model.slots.len()),
            last: Vec::new(),
            met: Vec::new(),
            key: Vec::new(),
        }
    }

    pub fn clear(&mut self) {
        self.groups = StateRegistry::new(self.worse.len());
        self.last.clear();
        self.met.clear();
    }

    /// Whether one state is nowhere worse than the other.
    pub fn is_no_worse(&self, one: &[Class], other: &[Class]) -> bool {
        let pairs = one.iter().zip(other).zip(&self.worse);
        pairs.into_iter().all(|((one, other), worse)| one == other || *one == GOAL && worse >> other & 1 == 1)
    }

    /// Whether a state met before is nowhere worse than this one and, by `cheaper`, costs no more. Else it is kept, where it
    /// is `fresh`.
    pub fn is_dominated(
        &mut self,
        registry: &StateRegistry,
        id: u32,
        fresh: bool,
        cheaper: impl Fn(u32) -> bool,
    ) -> bool {
        let state = registry.get(id);
        let mut away: Set = 0;
        self.key.clear();
        for (slot, (class, worse)) in state.iter().zip(&self.worse).enumerate() {
            let is_worse = worse >> class & 1 == 1;
            away |= Set::from(is_worse) << slot;
            self.key.push(if is_worse { GOAL } else { *class });
        }
        let (group, new) = self.groups.insert(&self.key);
        if new {
            self.last.push(NONE);
        }
        let last = &mut self.last[group as usize];
        // Of one group, states differ only where one is away; so nowhere worse is: away only where this one is, and so.
        let same = |other: u32| registry.get(other).iter().zip(state).all(|(one, own)| one == own || *one == GOAL);
        let better = |met: &Met| met.away & !away == 0 && met.state != id && cheaper(met.state) && same(met.state);
        let before = |met: &Met| self.met.get(met.before as usize);
        if std::iter::successors(self.met.get(*last as usize), |met| before(met)).take(MOST_COMPARED).any(better) {
            return true;
        }
        if fresh {
            self.met.push(Met { away, state: id, before: *last });
            *last = self.met.len() as u32 - 1;
        }
        false
    }
}

/// The classes that are no better than the goal: no lifeline was covered with them, no need holds with them alone, they
/// are read no cheaper, and what may be keyed for being held may be keyed as cheaply at the goal.
fn worse(model: &Model, slot: usize) -> Classes {
    let lifelines = model.lifelines.iter().filter(|line| line.start_counts && line.slots.contains(&slot));
    let as_was = lifelines
        .filter_map(|_| model.slots[slot].as_was)
        .fold(0, |set: Classes, class| set | Classes::checked_shl(1, class.into()).unwrap_or(0));
    let fits = |class: &Class| {
        as_was >> class & 1 == 0
            && model.commands.iter().all(|command| {
                let needs = command.needs.iter().filter(|need| need.0 == slot);
                let reads = command.reads.iter().filter(|read| read.slot == slot);
                let fields = command.fields.iter().filter(|field| field.slot == slot);
                needs.into_iter().all(|need| need.1 >> class & 1 <= need.1 >> GOAL & 1)
                    && reads.into_iter().all(|read| {
                        match (read.presses[usize::from(GOAL)], read.presses[usize::from(*class)]) {
                            (_, None) => true,
                            (None, Some(_)) => false,
                            (Some(goal), Some(other)) => goal <= other,
                        }
                    })
                    && fields.into_iter().all(|field| {
                        let held = field.choices.iter().filter(|choice| choice.held && choice.class == *class);
                        held.into_iter().all(|held| {
                            field.choices.iter().any(|choice| choice.class == GOAL && choice.presses <= held.presses)
                        })
                    })
            })
    };
    (1..model.slots[slot].classes).filter(fits).fold(0, |set, class| set | 1 << class)
}
