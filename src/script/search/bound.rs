//! A lower bound on the time, presses and number of the commands still to come, from facts that every script must
//! bring about (`mod.rs` §5). It never overestimates; it may call a state hopeless only where it is.

use super::model::{Class, Classes, GOAL, Model, ModelCommand, Packed, Set};

/// Most facts kept track of; the goals come first, further needs are left out (which only weakens the bound).
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

    fn contains(&self, fact: usize) -> bool {
        self.0[fact / 64] >> (fact % 64) & 1 == 1
    }
}

pub(super) struct Bound {
    ops: Vec<Packed>,
    facts: Vec<Fact>,
    /// Facts with the fewest achievers first.
    order: Vec<u16>,
    rest: Vec<Packed>,
    stack: Vec<u16>,
}

impl Bound {
    /// `counted`: the slots whose goals are counted (the others are paid for elsewhere).
    pub fn new(model: &Model) -> Self {
        let mut ops = Vec::new();
        for (id, command) in model.commands.iter().enumerate() {
            split(model, id, command, &mut ops);
        }
        let facts = (0..model.slots.len()).map(|slot| fact(model, &ops, slot, 1 << GOAL)).collect();
        let mut bound = Self { ops: Vec::new(), facts, order: Vec::new(), rest: Vec::new(), stack: Vec::new() };
        let mut next = 0;
        while next < bound.facts.len() {
            bound.link(model, &ops, next);
            next += 1;
        }
        bound.ops = ops.iter().map(|op| op.least).collect();
        bound.order = (0..bound.facts.len() as u16).collect();
        bound.order.sort_by_key(|fact| (bound.facts[usize::from(*fact)].achievers.len(), *fact));
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
        let mut links = Vec::new();
        for (slot, classes) in needs {
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
    }

    /// Least cost of what must still be keyed in this state, without exposure; `None`: no script leads on from here.
    /// Only goals of slots in `counted` are asked for.
    pub fn of(&mut self, state: &[Class], counted: Set) -> Option<Packed> {
        let mut asked = Asked::default();
        let mut stack = std::mem::take(&mut self.stack);
        stack.clear();
        let mut ask = |fact: usize, stack: &mut Vec<u16>| {
            if asked.insert(fact) {
                stack.push(fact as u16);
            }
        };
        for (slot, class) in state.iter().enumerate() {
            if *class != GOAL && counted >> slot & 1 == 1 {
                ask(slot, &mut stack);
            }
        }
        while let Some(id) = stack.pop() {
            let fact = &self.facts[usize::from(id)];
            if fact.classes >> GOAL & 1 == 0 && counted >> fact.slot & 1 == 1 {
                ask(fact.slot, &mut stack);
            }
            for need in &fact.needs {
                let need = usize::from(*need);
                if self.facts[need].classes >> state[self.facts[need].slot] & 1 == 0 {
                    ask(need, &mut stack);
                }
            }
            let mut spoils = fact.spoils & counted;
            while spoils != 0 {
                ask(spoils.trailing_zeros() as usize, &mut stack);
                spoils &= spoils - 1;
            }
        }
        self.stack = stack;
        self.charge(&asked)
    }

    /// Shares each op's cost out among the facts asked for, each fact taking what its cheapest achiever has left.
    fn charge(&mut self, asked: &Asked) -> Option<Packed> {
        self.rest.clear();
        self.rest.extend_from_slice(&self.ops);
        let mut total = 0;
        for id in &self.order {
            if !asked.contains(usize::from(*id)) {
                continue;
            }
            let achievers = &self.facts[usize::from(*id)].achievers;
            let share = achievers.iter().map(|(op, extra)| self.rest[usize::from(*op)] + extra).min()?;
            if share == 0 {
                continue;
            }
            total += share;
            for (op, extra) in achievers {
                self.rest[usize::from(*op)] -= share.saturating_sub(*extra);
            }
        }
        Some(total)
    }
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
    Fact { slot, classes, achievers: achievers.collect(), needs: Vec::new(), spoils: 0 }
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
