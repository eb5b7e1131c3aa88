//! Three shapes of tiny problems that the mixes of [`super::tiny`] hardly ever make, on which a search of this kind is easily
//! wrong: ladders of needs, several resets that keep different slots, lifelines that go by what was.
//! Nothing here decides whether an answer is right.

use super::{Dice, pick};
use crate::script::problem::{Also, Choice, Command, Field, Lifeline, Need, Problem, Read, Slot, ValueSet};

/// Number of shapes that [`shaped`] knows.
pub const SHAPES: u64 = 3;

/// The shape in which one change goes up and down many times.
pub const LADDER: u64 = 0;

/// Where the seeds of each shape begin: near some of the few problems on which the rarest mistakes show.
const FIRST: [u64; SHAPES as usize] = [2_600, 0, 0];

/// A random tiny problem of one shape.
pub fn shaped(seed: u64, shape: u64) -> Problem {
    let seed = seed.wrapping_add(FIRST[shape as usize]);
    let mut dice = Dice(seed.wrapping_mul(1_000_003).wrapping_add(90_000 + shape));
    match shape {
        LADDER => ladder(&mut dice),
        1 => resets(&mut dice),
        _ => as_it_was(&mut dice),
    }
}

/// Each slot can be set only while the one below is up and, often, those further below are down, as in a Gray code: one
/// change goes up and down the ladder many times.
fn ladder(dice: &mut Dice) -> Problem {
    let unknown = one(dice, &[0, 0, 20]);
    let slots: Vec<Slot> = (0..4 + dice.below(4)).map(|_| slot(dice, 2, unknown)).collect();
    let mut commands = Vec::new();
    for (id, value) in (0..slots.len()).flat_map(|id| [(id, 0), (id, 1)]) {
        if dice.percent(92) {
            commands.push(rung(dice, slots.len(), id, value));
        }
    }
    whole(dice, slots, commands, 5)
}

fn rung(dice: &mut Dice, slots: usize, id: usize, value: u8) -> Command {
    let mut command = plain(dice);
    if dice.percent(50) {
        let presses = dice.below(3) as u32;
        command.fields.push(Field { slot: id, choices: vec![Choice { value, presses, only_if_held: false }] });
    } else {
        command.also.push(Also { slot: id, value: Some(value) });
    }
    for below in 0..id {
        let next = below + 1 == id;
        if dice.percent(if next { 90 } else { 45 }) {
            command.needs.push(Need { slot: below, values: ValueSet::of([u8::from(next)]) });
        }
    }
    if dice.percent(12) {
        let cleared = dice.below(slots as u64) as usize;
        command.clears.extend((cleared != id).then_some(cleared));
    }
    command
}

/// Two to four resets that keep different slots, set some, and need or read what others destroy.
fn resets(dice: &mut Dice) -> Problem {
    let (unknown, values) = (one(dice, &[0, 0, 20]), 2 + dice.below(2) as u8);
    let slots: Vec<Slot> = (0..4 + dice.below(3)).map(|_| slot(dice, values, unknown)).collect();
    let mut commands = Vec::new();
    for id in 0..slots.len() {
        if dice.percent(80) {
            let mut command = Command { fields: vec![field(dice, &slots, id)], ..plain(dice) };
            if dice.percent(50) {
                command.needs.push(need(dice, &slots));
            }
            commands.push(command);
        }
    }
    for _ in 0..2 + dice.below(3) {
        let keeps = 10 + dice.below(30);
        let clears = (0..slots.len()).filter(|_| !dice.percent(keeps)).collect();
        let also = (0..dice.below(3)).map(|_| any_value(dice, &slots)).collect();
        let mut reset = Command { clears, also, ..plain(dice) };
        if dice.percent(40) {
            reset.needs.push(need(dice, &slots));
        }
        if dice.percent(20) {
            let slot = pick(dice, &slots);
            let presses = (0..slots[slot].values).map(|_| dice.below(5) as u32).collect();
            reset.reads.push(Read { slot, presses });
        }
        commands.push(reset);
    }
    whole(dice, slots, commands, 5)
}

/// All known, and besides plain writers such as bring back what was, set what is wanted, or spoil another slot with it.
fn as_it_was(dice: &mut Dice) -> Problem {
    let slots: Vec<Slot> = (0..3 + dice.below(4))
        .map(|_| {
            let values = 2 + dice.below(2) as u8;
            slot(dice, values, 0)
        })
        .collect();
    let mut commands = Vec::new();
    for id in 0..slots.len() {
        commands.push(Command { fields: vec![field(dice, &slots, id)], ..plain(dice) });
        for _ in 0..dice.below(3) {
            let value = if dice.percent(50) { slots[id].start } else { Some(slots[id].goal) };
            let mut command = Command { also: vec![Also { slot: id, value }], ..plain(dice) };
            if dice.percent(60) {
                let other = any_value(dice, &slots);
                let back = Also { slot: other.slot, value: slots[other.slot].start };
                let other = if dice.percent(40) { back } else { other };
                command.also.extend((other.slot != id).then_some(other));
            }
            if dice.percent(40) {
                command.needs.push(need(dice, &slots));
            }
            commands.push(command);
        }
    }
    whole(dice, slots, commands, 6)
}

/// The problem of these commands, shuffled, with fewer lifelines than that.
fn whole(dice: &mut Dice, slots: Vec<Slot>, mut commands: Vec<Command>, lifelines: u64) -> Problem {
    for last in (1..commands.len()).rev() {
        commands.swap(last, dice.below(last as u64 + 1) as usize);
    }
    let lifelines = (0..dice.below(lifelines)).map(|_| lifeline(dice, &slots)).collect();
    let (press_ms, answer_ms) = (one(dice, &[0, 1, 2, 600]), one(dice, &[0, 1, 5, 1500]));
    Problem { press_ms, answer_ms, slots, commands, lifelines }
}

fn lifeline(dice: &mut Dice, slots: &[Slot]) -> Lifeline {
    let (more, mut members) = (one(dice, &[20, 50, 75]), vec![pick(dice, slots)]);
    while members.len() < slots.len() && dice.percent(more) {
        let slot = pick(dice, slots);
        if !members.contains(&slot) {
            members.push(slot);
        }
    }
    let known = members.iter().all(|slot| slots[*slot].start.is_some());
    Lifeline { slots: members, start_counts: known && !dice.percent(15) }
}

fn one(dice: &mut Dice, of: &[u64]) -> u64 {
    of[dice.below(of.len() as u64) as usize]
}

fn slot(dice: &mut Dice, values: u8, unknown: u64) -> Slot {
    let any = |dice: &mut Dice| dice.below(u64::from(values)) as u8;
    let goal = any(dice);
    let known = if dice.percent(55) { any(dice) } else { goal };
    let start = (!dice.percent(unknown)).then_some(known);
    Slot { values, start, goal, factory: dice.percent(70).then_some(any(dice)) }
}

/// A command that does nothing yet.
fn plain(dice: &mut Dice) -> Command {
    Command { base_presses: dice.below(4) as u32, takes_ms: one(dice, &[0, 0, 0, 1, 5, 20]), ..Command::default() }
}

/// Keys the goal and most other values.
fn field(dice: &mut Dice, slots: &[Slot], id: usize) -> Field {
    let Slot { values, goal, .. } = slots[id];
    let keyed: Vec<u8> = (0..values).filter(|value| *value == goal || dice.percent(75)).collect();
    let choice = |value| Choice { value, presses: dice.below(5) as u32, only_if_held: false };
    Field { slot: id, choices: keyed.into_iter().map(choice).collect() }
}

fn need(dice: &mut Dice, slots: &[Slot]) -> Need {
    let slot = pick(dice, slots);
    Need { slot, values: ValueSet::of([dice.below(u64::from(slots[slot].values)) as u8]) }
}

fn any_value(dice: &mut Dice, slots: &[Slot]) -> Also {
    let slot = pick(dice, slots);
    Also { slot, value: Some(dice.below(u64::from(slots[slot].values)) as u8) }
}
