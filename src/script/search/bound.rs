//! A lower bound on the time, presses and number of the commands still to come, from facts that every script must
//! bring about (`mod.rs` §5). It never overestimates; it may call a state hopeless only where it is.

use super::model::{Class, Classes, GOAL, Model, ModelCommand, Packed, Set, time_of};
use super::tail::members;

/// Most facts kept track of; further needs are left out (which only weakens the bound).
const MOST_FACTS: usize = 256;

/// A command, or a command keyed with one class in its dividing field.
struct Op {
    command: usize,
    /// Dividing field (an index into the command's fields) and the class keyed there.
    keyed: Option<(usize, Class)>,
    /// Cheapest it can be.
    least: Packed,
}

/// "At some time the slot is brought to one of these classes by a command."
struct Fact {
    slot: usize,
    classes: Classes,
    /// Ops that can, with what they cost beyond their least then.
    achievers: Vec<(u16, Packed)>,
    /// Facts that hold before each of them.
    needs: Vec<u16>,
    /// Slots that each of them leaves away from the goal.
    spoils: Set,
    /// Slots of lifelines that are away from what they were and what they will be just before each of them.
    dark: Set,
}

/// Which facts a state still asks for.
#[derive(Default, Clone, Copy)]
struct Asked([u64; MOST_FACTS / 64]);

impl Asked {
    fn insert(&mut self, fact: usize) -> bool {
        let fresh = self.0[fact / 64] >> (fact % 64) & 1 == 0;
        self.0[fact / 64] |= 1 << (fact % 64);
        fresh
    }
}

/// What a bound asks for.
pub(super) struct Scope {
    /// Slots whose goals are asked for.
    pub counted: Set,
    /// Slots whose goals are asked for where they are lost on the way.
    pub again: Set,
    /// Slots that a wide command still to come will write.
    pub late: Set,
    /// Slots about which nothing is asked.
    pub free: Set,
}

pub(super) struct Bound {
    /// Slots that, away from their goal, leave some lifeline uncovered.
    telling: Set,
    /// Milliseconds that must pass while a slot is away, by slot; filled by [`Bound::of`].
    pub dark_ms: Vec<u64>,
    ops: Vec<Packed>,
    /// Facts with the fewest achievers first.
    facts: Vec<Fact>,
    /// The fact "this slot is brought to its goal", by slot.
    goals: Vec<u16>,
    rest: Vec<Packed>,
    stack: Vec<u16>,
}

impl Bound {
    pub fn new(model: &Model) -> Self {
        let mut ops = Vec::new();
        for (id, command) in model.commands.iter().enumerate() {
            split(model, id, command, &mut ops);
        }
        let facts = (0..model.slots.len()).map(|slot| fact(model, &ops, slot, 1 << GOAL)).collect();
        let mut bound = Self {
            telling: telling(model),
            dark_ms: vec![0; model.slots.len()],
            ops: Vec::new(),
            facts,
            goals: (0..model.slots.len() as u16).collect(),
            rest: Vec::new(),
            stack: Vec::new(),
        };
        let mut next = 0;
        while next < bound.facts.len() {
            bound.link(model, &ops, next);
            next += 1;
        }
        bound.ops = ops.iter().map(|op| op.least).collect();
        bound.rest = bound.ops.clone();
        bound.rank();
        bound
    }

    /// Fills in what every achiever of a fact needs and spoils.
    fn link(&mut self, model: &Model, ops: &[Op], id: usize) {
        let achievers: Vec<&Op> = self.facts[id].achievers.iter().map(|(op, _)| &ops[usize::from(*op)]).collect();
        let Some(first) = achievers.first() else { return };
        let spoils = achievers.iter().fold(!0, |set, op| set & spoiled(model, op));
        let mut needs = Vec::new();
        for (slot, _) in requirements(&model.commands[first.command]) {
            let mut union: Option<Classes> = Some(0);
            for op in &achievers {
                let mut own = requirements(&model.commands[op.command]).filter(|(other, _)| *other == slot);
                let own = own.next().map(|first| own.fold(first.1, |set, (_, classes)| set & classes));
                union = union.zip(own).map(|(union, own)| union | own);
            }
            if let Some(classes) = union {
                needs.push((slot, classes));
            }
        }
        let mut dark = if self.facts[id].classes == 1 << GOAL { 1 << self.facts[id].slot } else { 0 };
        let mut links = Vec::new();
        for (slot, classes) in needs {
            if classes >> GOAL & 1 == 0 {
                dark |= 1 << slot;
            }
            let known = self.facts.iter().position(|fact| fact.slot == slot && fact.classes == classes);
            let place = known.unwrap_or(self.facts.len());
            if place == self.facts.len() {
                if place == MOST_FACTS {
                    continue;
                }
                self.facts.push(fact(model, ops, slot, classes));
            }
            links.push(place as u16);
        }
        let fact = &mut self.facts[id];
        fact.spoils = spoils & !(1 << fact.slot);
        fact.needs = links;
        fact.dark = dark & self.telling;
    }

    /// Puts facts with fewer achievers first, so that a set of facts is charged in that order.
    fn rank(&mut self) {
        let mut order: Vec<usize> = (0..self.facts.len()).collect();
        order.sort_by_key(|fact| (self.facts[*fact].achievers.len(), *fact));
        let mut rank = vec![0u16; order.len()];
        order.iter().enumerate().for_each(|(place, fact)| rank[*fact] = place as u16);
        self.goals.iter_mut().for_each(|goal| *goal = rank[usize::from(*goal)]);
        for fact in &mut self.facts {
            fact.needs.iter_mut().for_each(|need| *need = rank[usize::from(*need)]);
        }
        let mut facts: Vec<(u16, Fact)> = rank.into_iter().zip(std::mem::take(&mut self.facts)).collect();
        facts.sort_by_key(|(rank, _)| *rank);
        self.facts = facts.into_iter().map(|(_, fact)| fact).collect();
    }

    /// Least cost of what must still be keyed in this state, without exposure; `None`: no script leads on from here.
    /// Only goals of slots in `counted` are asked for, and only those in `again` for being lost on the way.
    pub fn of(&mut self, state: &[Class], counted: Set, again: Set) -> Option<Packed> {
        self.within(state, &Scope { counted, again, late: !0, free: 0 })
    }

    /// The same, for a state that a wide command is still to bring about.
    pub fn within(&mut self, state: &[Class], scope: &Scope) -> Option<Packed> {
        let Scope { counted, again, late, free } = *scope;
        // What may be brought about before the wide command asks nothing of the slots that it writes.
        let binds = |from: usize, to: usize| free >> to & 1 == 0 && (late >> from & 1 == 1 || late >> to & 1 == 0);
        let mut asked = Asked::default();
        let mut stack = std::mem::take(&mut self.stack);
        stack.clear();
        let mut ask = |fact: u16, stack: &mut Vec<u16>| {
            if asked.insert(usize::from(fact)) {
                stack.push(fact);
            }
        };
        for slot in members(counted & !free) {
            if state[slot] != GOAL {
                ask(self.goals[slot], &mut stack);
            }
        }
        while let Some(id) = stack.pop() {
            let fact = &self.facts[usize::from(id)];
            if fact.classes >> GOAL & 1 == 0 && again >> fact.slot & 1 == 1 && binds(fact.slot, fact.slot) {
                ask(self.goals[fact.slot], &mut stack);
            }
            for need in &fact.needs {
                let record = &self.facts[usize::from(*need)];
                if record.classes >> state[record.slot] & 1 == 0 && binds(fact.slot, record.slot) {
                    ask(*need, &mut stack);
                }
            }
            let spoils = members(fact.spoils & again).filter(|slot| binds(fact.slot, *slot));
            spoils.for_each(|slot| ask(self.goals[slot], &mut stack));
        }
        self.stack = stack;
        self.charge(&asked)
    }

    /// The slots that decide the bound for goals of these slots, where only these are asked for again.
    pub fn support(&self, slots: Set) -> Set {
        let mut asked = Asked::default();
        let mut stack: Vec<u16> = members(slots).map(|slot| self.goals[slot]).collect();
        let mut support = slots;
        while let Some(id) = stack.pop() {
            if asked.insert(usize::from(id)) {
                support |= 1 << self.facts[usize::from(id)].slot;
                stack.extend(&self.facts[usize::from(id)].needs);
            }
        }
        support
    }

    /// Least cost of bringing these slots to their goal, whatever is needed for it counted as done.
    pub fn settling(&mut self, slots: Set) -> Option<Packed> {
        let mut asked = Asked::default();
        members(slots).for_each(|slot| {
            asked.insert(usize::from(self.goals[slot]));
        });
        self.charge(&asked)
    }

    /// Shares each op's cost out among the facts asked for, each fact taking what its cheapest achiever has left.
    fn charge(&mut self, asked: &Asked) -> Option<Packed> {
        self.dark_ms.fill(0);
        self.rest.copy_from_slice(&self.ops);
        let mut total = 0;
        for (place, word) in asked.0.iter().enumerate() {
            for bit in members(Set::from(*word)) {
                let Fact { achievers, dark, .. } = &self.facts[place * 64 + bit];
                let share = achievers.iter().map(|(op, extra)| self.rest[usize::from(*op)] + extra).min()?;
                total += share;
                members(*dark).for_each(|slot| self.dark_ms[slot] += time_of(share));
                for (op, extra) in achievers {
                    self.rest[usize::from(*op)] -= share.saturating_sub(*extra);
                }
            }
        }
        Some(total)
    }
}

/// Slots of a lifeline that is uncovered whenever the slot is away from its goal.
fn telling(model: &Model) -> Set {
    let mut telling = 0;
    for lifeline in &model.lifelines {
        for slot in &lifeline.slots {
            if lifeline.tells(model, *slot) {
                telling |= 1 << slot;
            }
        }
    }
    telling
}

/// Needs and reads of a command alike.
fn requirements(command: &ModelCommand) -> impl Iterator<Item = (usize, Classes)> + '_ {
    let reads = command.reads.iter().map(|read| {
        let known = read.presses.iter().enumerate().filter(|(_, presses)| presses.is_some());
        (read.slot, known.fold(0, |set, (class, _)| set | 1 << class))
    });
    command.needs.iter().copied().chain(reads)
}

/// The ops of a command: one for each class of its first field whose slot is ever needed away from the goal.
fn split(model: &Model, id: usize, command: &ModelCommand, ops: &mut Vec<Op>) {
    let away = |slot: usize| {
        let needs = model.commands.iter().flat_map(|other| other.needs.iter());
        needs.clone().any(|(other, classes)| *other == slot && classes >> GOAL & 1 == 0)
    };
    let dividing = command.fields.iter().position(|field| field.choices.len() > 1 && away(field.slot));
    let reads: u32 = command.reads.iter().map(|read| read.presses.iter().flatten().min().copied().unwrap_or(0)).sum();
    let others = command.fields.iter().enumerate().filter(|(place, _)| Some(*place) != dividing);
    let others: u32 =
        others.map(|(_, field)| field.choices.iter().map(|choice| choice.presses).min().unwrap_or(0)).sum();
    let least = |presses: u32| command.base + model.press * Packed::from(presses + reads + others);
    match dividing {
        None => ops.push(Op { command: id, keyed: None, least: least(0) }),
        Some(place) => {
            let choices = &command.fields[place].choices;
            for (index, choice) in choices.iter().enumerate() {
                if choices[..index].iter().all(|other| other.class != choice.class) {
                    let presses = choices.iter().filter(|other| other.class == choice.class).map(|other| other.presses);
                    ops.push(Op {
                        command: id,
                        keyed: Some((place, choice.class)),
                        least: least(presses.min().unwrap_or(0)),
                    });
                }
            }
        }
    }
}

/// What the op costs beyond its least where it brings the slot to one of the classes; `None`: it cannot.
fn extra(model: &Model, op: &Op, slot: usize, classes: Classes) -> Option<Packed> {
    let command = &model.commands[op.command];
    if let Some(set) = command.sets.iter().find(|set| set.0 == slot) {
        return (classes >> set.1 & 1 == 1).then_some(0);
    }
    let place = command.fields.iter().position(|field| field.slot == slot)?;
    let choices = &command.fields[place].choices;
    let free = choices.iter().filter(|choice| !choice.held && classes >> choice.class & 1 == 1);
    match op.keyed {
        Some((keyed, class)) if keyed == place => free.clone().any(|choice| choice.class == class).then_some(0),
        _ => {
            let least = choices.iter().map(|choice| choice.presses).min()?;
            Some(model.press * Packed::from(free.map(|choice| choice.presses).min()? - least))
        }
    }
}

fn fact(model: &Model, ops: &[Op], slot: usize, classes: Classes) -> Fact {
    // One keying can serve the goal and a need of the same slot, so only the goal is charged for what is keyed there.
    let counted = |extra: Packed| if classes == 1 << GOAL { extra } else { 0 };
    let achievers = ops
        .iter()
        .enumerate()
        .filter_map(|(place, op)| Some((place as u16, counted(extra(model, op, slot, classes)?))));
    Fact { slot, classes, achievers: achievers.collect(), needs: Vec::new(), spoils: 0, dark: 0 }
}

/// Slots that the op leaves away from the goal, whatever else is keyed.
fn spoiled(model: &Model, op: &Op) -> Set {
    let command = &model.commands[op.command];
    let sets = command.sets.iter().filter(|set| set.1 != GOAL).fold(0, |all: Set, set| all | 1 << set.0);
    command.fields.iter().enumerate().fold(sets, |all, (place, field)| {
        let never = match op.keyed {
            Some((keyed, class)) if keyed == place => class != GOAL,
            _ => field.choices.iter().all(|choice| choice.class != GOAL),
        };
        if never { all | 1 << field.slot } else { all }
    })
}
