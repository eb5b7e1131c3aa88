//! What a state leaves to be tried: the commands that can still matter, and states in which one slot's commands are
//! enough to go on with (`mod.rs` §6). It never forces a command whose place could matter.

use super::model::{Class, Classes, GOAL, Model, ModelCommand, Set};
use super::tail::{able, may_spoil, members};

/// A condition of a command: the classes that satisfy it, the commands that can bring one about or end it.
struct Condition {
    slot: usize,
    classes: Classes,
    makers: Set,
    breakers: Set,
}

/// What the rules need to know of one command.
struct Record {
    conditions: Vec<Condition>,
    /// Commands that write what it reads, or can bring back what it may hold.
    partners: Set,
    /// Slots it always leaves at the goal, may leave there, and always leaves away by a fixed effect.
    goals: Set,
    options: Set,
    spoils: Set,
    /// Whether a field can only be keyed away from the goal.
    astray: bool,
    /// Whether it reads; then its presses depend on when it is keyed.
    reads: bool,
    /// How many lifelines are uncovered whenever it is accepted.
    dark: u64,
}

/// Commands by what they do to one slot.
#[derive(Default)]
struct Touch {
    /// Can bring it to the goal.
    makers: Set,
    /// May leave it away from the goal.
    spoilers: Set,
    writers: Set,
    /// Need it in any way, read it, or may hold it.
    lookers: Set,
    /// Need it away from the goal, or read it more cheaply there.
    parters: Set,
    watched: bool,
}

/// A lifeline's slots, and the commands that can bring one of them to what it was or will be.
struct Line {
    makers: Set,
    writers: Set,
}

pub(super) struct Forced {
    records: Vec<Record>,
    touches: Vec<Touch>,
    lines: Vec<Line>,
    tail: Set,
}

fn commands(model: &Model, fits: impl Fn(&ModelCommand) -> bool) -> Set {
    model.commands.iter().enumerate().filter(|(_, command)| fits(command)).fold(0, |set, (id, _)| set | 1 << id)
}

/// Commands that may leave the slot in one of the classes.
fn leaving(model: &Model, slot: usize, classes: Classes) -> Set {
    commands(model, |command| {
        let set = command.sets.iter().any(|set| set.0 == slot && classes >> set.1 & 1 == 1);
        let fields = command.fields.iter().filter(|field| field.slot == slot);
        set || fields.flat_map(|field| &field.choices).any(|choice| classes >> choice.class & 1 == 1)
    })
}

impl Forced {
    pub fn new(model: &Model, tail: Set) -> Self {
        let touches: Vec<Touch> = (0..model.slots.len()).map(|slot| touch(model, slot)).collect();
        let records = model.commands.iter().map(|command| record(model, &touches, command)).collect();
        let line = |lifeline: &super::model::ModelLifeline| {
            let sets = lifeline.slots.iter().map(|slot| {
                // A start that can never come back here has no class, and so no bit.
                let as_was = model.slots[*slot].as_was.filter(|_| lifeline.start_counts);
                let as_was = as_was.and_then(|class| Classes::checked_shl(1, class.into())).unwrap_or(0);
                (leaving(model, *slot, as_was | 1 << GOAL), touches[*slot].writers)
            });
            let (makers, writers) = sets.fold((0, 0), |all, own| (all.0 | own.0, all.1 | own.1));
            Line { makers, writers }
        };
        Self { records, lines: model.lifelines.iter().map(line).collect(), touches, tail }
    }

    /// The commands that a best script from this state may still use.
    pub fn relevant(&self, model: &Model, state: &[Class]) -> Set {
        let mut relevant = 0;
        loop {
            let before = relevant;
            for (slot, touch) in self.touches.iter().enumerate() {
                if state[slot] != GOAL || touch.spoilers & relevant != 0 {
                    relevant |= touch.makers;
                }
            }
            for id in members(relevant) {
                relevant |= self.records[id].partners;
                for condition in &self.records[id].conditions {
                    if condition.classes >> state[condition.slot] & 1 == 0 || condition.breakers & relevant != 0 {
                        relevant |= condition.makers;
                    }
                }
            }
            for (line, lifeline) in self.lines.iter().zip(&model.lifelines) {
                if line.makers & !relevant != 0 && (line.writers & relevant != 0 || !lifeline.covered(model, state)) {
                    relevant |= line.makers;
                }
            }
            if relevant == before {
                return relevant;
            }
        }
    }

    /// The commands of one slot, to be keyed at their goals, where nothing else need be tried in this state.
    pub fn at(&self, state: &[Class], relevant: Set, uncovered: u64) -> Option<Set> {
        let mut fewest: Option<Set> = None;
        for (slot, touch) in self.touches.iter().enumerate().filter(|(slot, _)| state[*slot] != GOAL) {
            let ways = touch.makers;
            let better = ways & self.tail == 0
                && ways != 0
                && fewest.is_none_or(|fewest| ways.count_ones() < fewest.count_ones());
            if better && members(ways).all(|id| self.may_come_first(id, slot, state, relevant, uncovered)) {
                fewest = Some(ways);
                if ways.count_ones() == 1 {
                    break;
                }
            }
        }
        fewest
    }

    fn may_come_first(&self, id: usize, slot: usize, state: &[Class], relevant: Set, uncovered: u64) -> bool {
        let record = &self.records[id];
        let own = 1 << id;
        let others = relevant & !own;
        !record.astray
            && !record.reads
            && uncovered <= record.dark
            && (record.goals | record.options) >> slot & 1 == 1
            && record.conditions.iter().all(|condition| condition.classes >> state[condition.slot] & 1 == 1)
            && members(record.goals | record.options).all(|slot| {
                let touch = &self.touches[slot];
                let steady = !touch.watched || state[slot] == GOAL && touch.spoilers & relevant == 0;
                steady && touch.parters & relevant == 0 && touch.spoilers & others == 0
            })
            && members(record.options).all(|slot| self.touches[slot].writers & others == 0)
            && members(record.spoils)
                .all(|slot| !self.touches[slot].watched && self.touches[slot].lookers & relevant == 0)
    }
}

fn touch(model: &Model, slot: usize) -> Touch {
    let needs = |command: &ModelCommand| command.needs.iter().any(|need| need.0 == slot);
    let away = |command: &ModelCommand| command.needs.iter().any(|need| need.0 == slot && need.1 >> GOAL & 1 == 0);
    let reads = |command: &ModelCommand| command.reads.iter().any(|read| read.slot == slot);
    let dear = |command: &ModelCommand| {
        command.reads.iter().filter(|read| read.slot == slot).any(|read| {
            let goal = read.presses[usize::from(GOAL)];
            goal.is_none() || goal != read.presses.iter().flatten().min().copied()
        })
    };
    let holds = |command: &ModelCommand| {
        command
            .fields
            .iter()
            .filter(|field| field.slot == slot)
            .any(|field| field.choices.iter().any(|choice| choice.held))
    };
    Touch {
        makers: commands(model, |command| able(command) >> slot & 1 == 1),
        spoilers: commands(model, |command| may_spoil(command) >> slot & 1 == 1),
        writers: commands(model, |command| command.writes >> slot & 1 == 1),
        lookers: commands(model, |command| needs(command) || reads(command) || holds(command)),
        parters: commands(model, |command| away(command) || dear(command) || holds(command)),
        watched: model.lifelines.iter().any(|lifeline| lifeline.slots.contains(&slot)),
    }
}

fn record(model: &Model, touches: &[Touch], command: &ModelCommand) -> Record {
    let condition = |(slot, classes): &(usize, Classes)| {
        let (makers, breakers) = (leaving(model, *slot, *classes), leaving(model, *slot, !*classes));
        Condition { slot: *slot, classes: *classes, makers, breakers }
    };
    let mut partners = command.reads.iter().fold(0, |set, read| set | touches[read.slot].writers);
    for field in &command.fields {
        for choice in field.choices.iter().filter(|choice| choice.held) {
            partners |= leaving(model, field.slot, 1 << choice.class);
        }
    }
    let able = able(command);
    let away = |slot: usize| command.needs.iter().any(|need| need.0 == slot && need.1 >> GOAL & 1 == 0);
    let dark = model
        .lifelines
        .iter()
        .filter(|lifeline| lifeline.slots.iter().any(|slot| lifeline.tells(model, *slot) && away(*slot)));
    let may_spoil = may_spoil(command);
    let fields = command.fields.iter().fold(0, |set: Set, field| set | 1 << field.slot);
    Record {
        conditions: command.needs.iter().map(condition).collect(),
        partners,
        goals: able & !may_spoil,
        options: able & may_spoil,
        spoils: command.writes & !able & !fields,
        astray: fields & !able != 0,
        reads: !command.reads.is_empty(),
        dark: dark.count() as u64,
    }
}
