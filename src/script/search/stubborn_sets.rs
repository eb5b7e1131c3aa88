//! What a state leaves to be tried: the commands that can still matter and, among them, a stubborn set: some of which a best
//! script keys one first (`mod.rs` §7). It never leaves out a command whose place could matter.

use super::model::{Class, Classes, GOAL, Model, ModelCommand, ModelLifeline, Set, members};
use super::packed::time_of;

/// A condition of a command: the classes that satisfy it, the commands that can bring one about or end it.
struct Condition {
    slot: usize,
    classes: Classes,
    achievers: Set,
    breakers: Set,
}

/// What the rules need to know of one command.
struct Record {
    conditions: Vec<Condition>,
    /// Commands that write what it reads, or can bring back what it may hold.
    partners: Set,
    /// Slots it writes; slots it needs, reads or may hold; the commands that write these.
    writes: Set,
    looks: Set,
    enablers: Set,
    /// Slots it always leaves at the goal, may leave there, and always leaves away by a fixed effect.
    goals: Set,
    options: Set,
    spoils: Set,
    /// Whether a field can only be keyed away from the goal.
    astray: bool,
    /// Whether it reads; then its presses depend on when it is keyed.
    reads: bool,
    /// Lifelines that are uncovered whenever it is accepted.
    dark: u64,
    /// Commands that do not come to the same before and after it: one writes what the other looks at, or both write a
    /// slot, and not always its goal.
    interfering: Set,
}

/// Commands by what they do to one slot.
#[derive(Default)]
struct Touch {
    /// Can bring it to the goal.
    achievers: Set,
    /// May leave it as it was.
    restorers: Set,
    /// May take it away from the goal.
    spoilers: Set,
    writers: Set,
    /// Need it in any way, read it, or may hold it.
    lookers: Set,
    /// Need it away from the goal, or read it more cheaply there.
    parters: Set,
    /// Lifelines it belongs to.
    lines: u64,
}

/// A lifeline's slots, and the commands that can bring one of them to what it was or will be.
struct LifelineSets {
    achievers: Set,
    writers: Set,
    /// Slots that some command can bring back to what they were.
    restorable: Set,
}

/// Lifelines as a state leaves them.
#[derive(Default)]
struct Dark {
    uncovered: u64,
    /// Those that can only be covered by coming to their goals.
    for_good: u64,
}

/// Which of the uncovered lifelines may be the first that a best script covers, and how: bit 2n, the n-th by its goals; bit
/// 2n + 1, the n-th as it was.
pub(super) type Firsts = u128;
/// Any of them may be.
pub(super) const ANY: Firsts = !0;

/// What is tried in a state.
pub(super) struct Tries {
    pub commands: Set,
    /// Whether fields are keyed with their goals alone.
    pub goals_only: bool,
    /// The commands tried for each way to go on.
    sets: Vec<(Firsts, Set)>,
}

impl Tries {
    fn of(sets: Vec<(Firsts, Set)>, goals_only: bool) -> Self {
        Self { commands: sets.iter().fold(0, |all, (_, set)| all | set), goals_only, sets }
    }

    /// The ways to go on for which the command is tried.
    pub fn firsts(&self, command: usize) -> Firsts {
        self.sets.iter().filter(|(_, set)| set >> command & 1 == 1).fold(0, |all, (firsts, _)| all | firsts)
    }
}

pub(super) struct StubbornSets {
    records: Vec<Record>,
    touches: Vec<Touch>,
    lines: Vec<LifelineSets>,
    suffix: Set,
    /// Slots of lifelines.
    lifeline_slots: Set,
    /// Whether every command takes time.
    timed: bool,
}

fn commands(model: &Model, fits: impl Fn(&ModelCommand) -> bool) -> Set {
    model.commands.iter().enumerate().filter(|(_, command)| fits(command)).fold(0, |set, (id, _)| set | 1 << id)
}

/// The lifelines that fit, as bits.
fn lines(model: &Model, fits: impl Fn(&ModelLifeline) -> bool) -> u64 {
    model.lifelines.iter().enumerate().filter(|(_, line)| fits(line)).fold(0, |set, (place, _)| set | 1 << place)
}

/// Slots of the lifeline that some command can bring back to what they were, where that counts.
pub(super) fn restorable(model: &Model, lifeline: &ModelLifeline) -> Set {
    let slots = lifeline.slots.iter().filter(|_| lifeline.start_counts);
    slots.fold(0, |set, slot| if leaving(model, *slot, as_was(model, *slot)) == 0 { set } else { set | 1 << slot })
}

/// What the slot was, as a set; a start that can never come back here has no class, and so no bit.
fn as_was(model: &Model, slot: usize) -> Classes {
    model.slots[slot].as_was.and_then(|class| Classes::checked_shl(1, class.into())).unwrap_or(0)
}

/// Commands that may leave the slot in one of the classes.
fn leaving(model: &Model, slot: usize, classes: Classes) -> Set {
    commands(model, |command| {
        let set = command.sets.iter().any(|set| set.0 == slot && classes >> set.1 & 1 == 1);
        let fields = command.fields.iter().filter(|field| field.slot == slot);
        set || fields.flat_map(|field| &field.choices).any(|choice| classes >> choice.class & 1 == 1)
    })
}

impl StubbornSets {
    pub fn new(model: &Model, suffix: Set) -> Self {
        let touches: Vec<Touch> = (0..model.slots.len()).map(|slot| touch(model, slot)).collect();
        let mut records: Vec<Record> = model.commands.iter().map(|command| record(model, &touches, command)).collect();
        for id in 0..records.len() {
            records[id].interfering = (0..records.len())
                .filter(|other| *other != id && interfere(&records[id], &records[*other]))
                .fold(0, |set, other| set | 1 << other);
        }
        let lifeline_slots =
            model.lifelines.iter().flat_map(|line| &line.slots).fold(0, |set: Set, slot| set | 1 << slot);
        let line = |lifeline: &ModelLifeline| {
            let sets = lifeline.slots.iter().map(|slot| {
                let as_was = if lifeline.start_counts { as_was(model, *slot) } else { 0 };
                (leaving(model, *slot, as_was | 1 << GOAL), touches[*slot].writers)
            });
            let (achievers, writers) = sets.fold((0, 0), |all, own| (all.0 | own.0, all.1 | own.1));
            LifelineSets { achievers, writers, restorable: restorable(model, lifeline) }
        };
        Self {
            records,
            lines: model.lifelines.iter().map(line).collect(),
            touches,
            suffix,
            lifeline_slots,
            timed: model.commands.iter().all(|command| time_of(command.least(model.press)) > 0),
        }
    }

    /// What is tried in this state, where one of `firsts` is covered first.
    pub fn tries(&self, model: &Model, state: &[Class], firsts: Firsts) -> Tries {
        let relevant = self.relevant(model, state);
        match self.achievers_first(model, state, relevant) {
            Some(achievers) => Tries::of(vec![(firsts, achievers)], true),
            None => Tries::of(self.stubborn_sets(model, state, relevant, firsts), false),
        }
    }

    /// What may be covered first after a command tried for `firsts`, by the lifelines uncovered before it and after it. None: no
    /// best script goes on so.
    pub fn after(&self, firsts: Firsts, before: u64, after: u64) -> Firsts {
        let of = |lines: u64| members(lines.into()).fold(0, |set: Firsts, place| set | 3 << (2 * place));
        match before & !after {
            0 if before == after => firsts,
            0 => firsts | of(after & !before),
            covered if !self.timed || firsts & of(covered) != 0 => ANY,
            _ => 0,
        }
    }

    /// The commands that a best script from this state may still use.
    fn relevant(&self, model: &Model, state: &[Class]) -> Set {
        let mut relevant = 0;
        loop {
            let before = relevant;
            for (slot, touch) in self.touches.iter().enumerate() {
                if state[slot] != GOAL || touch.spoilers & relevant != 0 {
                    relevant |= touch.achievers;
                }
            }
            for id in members(relevant) {
                relevant |= self.records[id].partners;
                for condition in &self.records[id].conditions {
                    if condition.classes >> state[condition.slot] & 1 == 0 || condition.breakers & relevant != 0 {
                        relevant |= condition.achievers;
                    }
                }
            }
            for (line, lifeline) in self.lines.iter().zip(&model.lifelines) {
                if line.achievers & !relevant != 0 && (line.writers & relevant != 0 || !lifeline.covered(model, state))
                {
                    relevant |= line.achievers;
                }
            }
            if relevant == before {
                return relevant;
            }
        }
    }

    /// The commands of one slot, to be keyed at their goals, where nothing else need be tried in this state.
    fn achievers_first(&self, model: &Model, state: &[Class], relevant: Set) -> Option<Set> {
        let dark = self.dark(model, state);
        let mut fewest: Option<Set> = None;
        for (slot, touch) in self.touches.iter().enumerate().filter(|(slot, _)| state[*slot] != GOAL) {
            let ways = touch.achievers;
            let better = ways & self.suffix == 0
                && ways != 0
                && fewest.is_none_or(|fewest| ways.count_ones() < fewest.count_ones());
            if better && members(ways).all(|id| self.may_come_first(id, slot, state, relevant, &dark)) {
                fewest = Some(ways);
                if ways.count_ones() == 1 {
                    break;
                }
            }
        }
        fewest
    }

    /// Commands of which some best script from this state keys one first, where it need not be one of all: a stubborn set
    /// for what must be brought about in any case or, while lifelines are uncovered, before the first of them is covered,
    /// one for each that may be the first.
    fn stubborn_sets(&self, model: &Model, state: &[Class], relevant: Set, firsts: Firsts) -> Vec<(Firsts, Set)> {
        let dark = self.dark(model, state);
        let accepted = commands(model, |command| accepted(command, state));
        let movable = members(accepted & relevant).filter(|id| self.keeps_covered(*id, state, &dark));
        let fixed = accepted & !movable.fold(0, |set: Set, id| set | 1 << id);
        let away = |slot: &usize| state[*slot] != GOAL;
        // The set for one of these ways, whichever adds the fewest commands.
        let fewest = |ways: &mut dyn Iterator<Item = Set>, known: Set| {
            let sets = ways.filter_map(|ways| {
                let own = ways != 0 && ways & (self.suffix | fixed) == 0;
                let own = own.then(|| self.closure(ways, state, relevant & !self.suffix, accepted, fixed))?;
                Some(own? & accepted)
            });
            sets.min_by_key(|set| ((set & !known).count_ones(), set.count_ones())).unwrap_or(relevant)
        };
        if dark.uncovered == 0 {
            let slots = (0..self.touches.len()).filter(away);
            return vec![(ANY, fewest(&mut slots.map(|slot| self.touches[slot].achievers), 0))];
        }
        let (mut sets, mut known) = (Vec::new(), 0);
        let mut put = |first: Firsts, ways: &mut dyn Iterator<Item = Set>| {
            if firsts & first != 0 {
                let set = fewest(ways, known);
                known |= set;
                sets.push((if self.timed { first } else { ANY }, set));
            }
        };
        for place in members(dark.uncovered.into()) {
            let slots = &model.lifelines[place].slots;
            put(1 << (2 * place), &mut slots.iter().copied().filter(away).map(|slot| self.touches[slot].achievers));
            if dark.for_good >> place & 1 == 0 {
                let changed = slots.iter().filter(|slot| model.slots[**slot].as_was != Some(state[**slot]));
                put(2 << (2 * place), &mut changed.map(|slot| self.touches[*slot].restorers));
            }
        }
        sets
    }

    /// The commands, with what interfering with those accepted now and what makes one missing need of the others hold; `None`
    /// where one of `fixed` is among them.
    fn closure(&self, ways: Set, state: &[Class], relevant: Set, accepted: Set, fixed: Set) -> Option<Set> {
        let (mut all, mut open) = (ways, ways);
        while open != 0 {
            let id = open.trailing_zeros() as usize;
            open &= open - 1;
            let record = &self.records[id];
            let more = if accepted >> id & 1 == 1 {
                record.interfering
            } else {
                let mut missing = record.conditions.iter().filter(|own| own.classes >> state[own.slot] & 1 == 0);
                missing.next().map_or(record.enablers, |condition| condition.achievers)
            };
            let fresh = more & relevant & !all;
            if fresh & fixed != 0 {
                return None;
            }
            (all, open) = (all | fresh, open | fresh);
        }
        Some(all)
    }

    /// Whether the command, keyed now, leaves every lifeline that it touches at least as covered from here on, or touches
    /// only such as are uncovered at least until it is keyed.
    fn keeps_covered(&self, id: usize, state: &[Class], dark: &Dark) -> bool {
        let record = &self.records[id];
        members(record.writes & self.lifeline_slots).all(|slot| {
            let touch = &self.touches[slot];
            let steady = touch.lines & !(dark.for_good | dark.uncovered) == 0;
            touch.lines & !dark.uncovered == 0 || record.goals >> slot & 1 == 1 && (steady || state[slot] == GOAL)
        })
    }

    fn dark(&self, model: &Model, state: &[Class]) -> Dark {
        let mut dark = Dark::default();
        for (place, (line, lifeline)) in self.lines.iter().zip(&model.lifelines).enumerate() {
            dark.uncovered |= u64::from(!lifeline.covered(model, state)) << place;
            dark.for_good |= u64::from(lifeline.left(model, line.restorable, state)) << place;
        }
        dark
    }

    fn may_come_first(&self, id: usize, slot: usize, state: &[Class], relevant: Set, dark: &Dark) -> bool {
        let record = &self.records[id];
        let own = 1 << id;
        let others = relevant & !own;
        // These stay uncovered until the slot is at its goal, so that the command is keyed before, and takes as long then.
        let waiting = if record.options == 0 { self.touches[slot].lines & dark.for_good } else { 0 };
        !record.astray
            && !record.reads
            && dark.uncovered & !(record.dark | waiting) == 0
            && (record.goals | record.options) >> slot & 1 == 1
            && record.conditions.iter().all(|condition| condition.classes >> state[condition.slot] & 1 == 1)
            && members(record.goals | record.options).all(|slot| {
                let touch = &self.touches[slot];
                let steady = touch.lines & !dark.for_good == 0 || state[slot] == GOAL && touch.spoilers & relevant == 0;
                steady && touch.parters & others == 0 && touch.spoilers & others == 0
            })
            && members(record.options).all(|slot| self.touches[slot].writers & others == 0)
            && members(record.spoils)
                .all(|slot| self.touches[slot].lines == 0 && self.touches[slot].lookers & relevant == 0)
    }
}

/// Whether the order of two commands matters to what they do.
fn interfere(one: &Record, other: &Record) -> bool {
    let both = one.writes & other.writes & !(one.goals & other.goals);
    (one.writes & other.looks) | (one.looks & other.writes) | both != 0
}

/// Whether the command can be keyed in the state at all.
fn accepted(command: &ModelCommand, state: &[Class]) -> bool {
    command.needs.iter().all(|need| need.1 >> state[need.0] & 1 == 1)
        && command.reads.iter().all(|read| read.presses[usize::from(state[read.slot])].is_some())
        && command
            .fields
            .iter()
            .all(|field| field.choices.iter().any(|choice| !choice.held || state[field.slot] == choice.class))
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
        achievers: commands(model, |command| command.achieves() >> slot & 1 == 1),
        restorers: leaving(model, slot, as_was(model, slot)),
        spoilers: commands(model, |command| command.may_spoil() >> slot & 1 == 1),
        writers: commands(model, |command| command.writes >> slot & 1 == 1),
        lookers: commands(model, |command| needs(command) || reads(command) || holds(command)),
        parters: commands(model, |command| away(command) || dear(command) || holds(command)),
        lines: lines(model, |lifeline| lifeline.slots.contains(&slot)),
    }
}

fn record(model: &Model, touches: &[Touch], command: &ModelCommand) -> Record {
    let condition = |(slot, classes): &(usize, Classes)| {
        let (achievers, breakers) = (leaving(model, *slot, *classes), leaving(model, *slot, !*classes));
        Condition { slot: *slot, classes: *classes, achievers, breakers }
    };
    let mut partners = command.reads.iter().fold(0, |set, read| set | touches[read.slot].writers);
    for field in &command.fields {
        for choice in field.choices.iter().filter(|choice| choice.held) {
            partners |= leaving(model, field.slot, 1 << choice.class);
        }
    }
    let achieves = command.achieves();
    let away = |slot: usize| command.needs.iter().any(|need| need.0 == slot && need.1 >> GOAL & 1 == 0);
    let astray = command.fields.iter().filter(|field| field.choices.iter().any(|choice| choice.class != GOAL));
    let astray = astray.fold(0, |set: Set, field| set | 1 << field.slot);
    let fields = command.fields.iter().fold(0, |set: Set, field| set | 1 << field.slot);
    let held = command.fields.iter().filter(|field| field.choices.iter().any(|choice| choice.held));
    let needs = command.needs.iter().map(|need| need.0);
    let looks = needs.chain(command.reads.iter().map(|read| read.slot)).chain(held.map(|field| field.slot));
    let looks = looks.fold(0, |set: Set, slot| set | 1 << slot);
    Record {
        writes: command.writes,
        looks,
        enablers: members(looks).fold(0, |set, slot| set | touches[slot].writers),
        interfering: 0,
        conditions: command.needs.iter().map(condition).collect(),
        partners,
        goals: achieves & !astray,
        options: achieves & astray,
        spoils: command.writes & !achieves & !fields,
        astray: fields & !achieves != 0,
        reads: !command.reads.is_empty(),
        dark: lines(model, |lifeline| lifeline.slots.iter().any(|slot| lifeline.tells(model, *slot) && away(*slot))),
    }
}
