//! Random problems shaped like those of real keybooks, ordinary and hard, for measuring and for the outside check.
//! All of them are invented; nothing here decides whether an answer is right.

use super::{Dice, pick};
use crate::script::problem::{Also, Choice, Command, Field, Lifeline, Need, Problem, Read, Slot, ValueSet};

/// How the station starts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// All known, some differ.
    Known,
    /// All unknown, as for a station nobody has a record of.
    Unknown,
    /// Some unknown.
    Mixed,
}

/// Shape of a keybook.
struct Shape {
    slots: usize,
    commands: usize,
    lifelines: usize,
    /// Percent of commands that need a slot to hold something.
    needs: u64,
    /// Percent of commands that set another slot besides.
    also: u64,
    /// Percent of commands that write several slots.
    compound: u64,
    /// Number of mode slots.
    modes: usize,
}

/// A station with a usual keybook (18 settings, 17 commands, a reset, two lifelines) of which 3 to 8 settings differ.
pub fn ordinary(seed: u64) -> Problem {
    let mut dice = Dice(seed ^ 0x0d1_0000);
    let shape = Shape { slots: 18, commands: 17, lifelines: 2, needs: 15, also: 12, compound: 20, modes: 0 };
    let mut problem = keybook(&mut dice, &shape);
    let differ = 3 + dice.below(6) as usize;
    start(&mut dice, &mut problem, Start::Known, differ);
    if dice.percent(20) {
        let slot = pick(&mut dice, &problem.slots);
        problem.slots[slot].start = None;
    }
    settle_lifelines(&mut problem);
    problem
}

/// 60 settings, 40 commands: one or two modes to set, use and set back, compounds that overlap, side effects, needs, a
/// reset with `keeps`, two to four lifelines that share settings.
pub fn hard(seed: u64, kind: Start) -> Problem {
    let mut dice = Dice(seed ^ 0x4a2d_0000_0000);
    let (lifelines, modes) = (2 + dice.below(3) as usize, 1 + dice.below(2) as usize);
    let (needs, also) = (20 + dice.below(20), 10 + dice.below(15));
    let shape = Shape { slots: 60, commands: 40, lifelines, needs, also, compound: 50, modes };
    started(&mut dice, &shape, kind)
}

/// The same with five to eight lifelines, as where fallbacks, lamps and doors have one each beside two buttons: most begin
/// with the line, some share numbers, and every sixth that is known is dead or failed at the start, so that how it was does
/// not count.
pub fn crowded(seed: u64, kind: Start) -> Problem {
    let mut dice = Dice(seed ^ 0x4a2d_c20d_0000_0000);
    let (lifelines, modes) = (5 + dice.below(4) as usize, 1 + dice.below(2) as usize);
    let (needs, also) = (20 + dice.below(20), 10 + dice.below(15));
    let shape = Shape { slots: 60, commands: 40, lifelines, needs, also, compound: 50, modes };
    let mut problem = started(&mut dice, &shape, kind);
    for at in 0..problem.lifelines.len() {
        if dice.percent(40) {
            let other = problem.lifelines[dice.below(lifelines as u64) as usize].slots.clone();
            let shared = other[dice.below(other.len() as u64) as usize];
            let slots = &mut problem.lifelines[at].slots;
            slots.extend((!slots.contains(&shared)).then_some(shared));
        }
    }
    settle_lifelines(&mut problem);
    problem.lifelines.iter_mut().for_each(|lifeline| lifeline.start_counts &= !dice.percent(17));
    problem
}

/// The same, far beyond what a keybook may be expected to be: up to three modes of up to five values, half of all
/// commands with needs, up to five lifelines, nearly everything in one knot.
pub fn knotted(seed: u64, kind: Start) -> Problem {
    let mut dice = Dice(seed ^ 0x4a2d_0000_0000);
    let lifelines = 2 + dice.below(4) as usize;
    let modes = 1 + dice.below(3) as usize;
    let (needs, also) = (25 + dice.below(30), 15 + dice.below(25));
    let shape = Shape { slots: 60, commands: 40, lifelines, needs, also, compound: 70, modes };
    started(&mut dice, &shape, kind)
}

/// 24 to 60 settings that a few commands key at once, 8 to 20 fields each, which overlap; some have a command of their own
/// besides, some blocks need a mode, some keybooks have a reset; one to three lifelines of many numbers.
pub fn blocks(seed: u64) -> Problem {
    let mut dice = Dice(seed ^ 0xb10c_0000);
    let count = 24 + dice.below(37) as usize;
    let mut slots: Vec<Slot> = (0..count).map(|_| slot(&mut dice)).collect();
    let presses = presses_of(&mut dice, &slots);
    for slot in &mut slots {
        let away = dice.percent(70);
        slot.start = Some(if away { (slot.goal + 1) % slot.values } else { slot.goal });
    }
    let mut commands = Vec::new();
    for first in (1..count).step_by(7) {
        let mut block = Command { base_presses: 3, ..Command::default() };
        let last = (first + 8 + dice.below(13) as usize).min(count);
        (first..last).for_each(|slot| put_field(&slots, &presses, &mut block, slot));
        if dice.percent(40) {
            block.needs.push(Need { slot: 0, values: ValueSet::of([dice.below(u64::from(slots[0].values)) as u8]) });
        }
        commands.push(block);
    }
    for slot in 0..count {
        let mut own = Command { base_presses: 3, ..Command::default() };
        put_field(&slots, &presses, &mut own, slot);
        if slot == 0 || dice.percent(30) {
            commands.push(own);
        }
    }
    if dice.percent(50) {
        commands.push(Command { base_presses: 4, takes_ms: 8000, clears: (1..count).collect(), ..Command::default() });
    }
    offer_needed_values(&slots, &presses, &mut commands);
    let line = |dice: &mut Dice| {
        let slots = (1..count).filter(|_| dice.percent(40)).chain([0]).collect();
        Lifeline { slots, start_counts: dice.percent(80) }
    };
    let lifelines = (0..1 + dice.below(3)).map(|_| line(&mut dice)).collect();
    Problem { press_ms: 600, answer_ms: 1500, slots, commands, lifelines }
}

/// So many numbers of one lifeline, all to be changed, and one command that keys them all.
pub fn block(count: usize) -> Problem {
    let slots = vec![Slot { values: 3, start: Some(1), goal: 0, factory: Some(2) }; count];
    let choice = |(value, presses): (u8, u32)| Choice { value, presses, only_if_held: value == 1 };
    let choices: Vec<Choice> = [(0, 11), (1, 11), (2, 0)].into_iter().map(choice).collect();
    let fields = (0..count).map(|slot| Field { slot, choices: choices.clone() }).collect();
    let commands = vec![Command { base_presses: 2 + count as u32, fields, ..Command::default() }];
    let lifelines = vec![Lifeline { slots: (0..count).collect(), start_counts: true }];
    Problem { press_ms: 300, answer_ms: 1500, slots, commands, lifelines }
}

/// So many settings in no lifeline, all unknown, and so many commands that key a few each: the cheapest that key all.
pub fn cover(seed: u64, count: usize, commands: usize, fields: usize) -> Problem {
    let mut dice = Dice(seed ^ 0xc0_7e12);
    let slots = vec![Slot { values: 2, start: None, goal: 0, factory: Some(1) }; count];
    let command = |nth: usize| {
        let mut command = Command { base_presses: 2 + dice.below(3) as u32, ..Command::default() };
        for place in 0..fields {
            let slot = if place == 0 { nth % count } else { dice.below(count as u64) as usize };
            let choices = vec![Choice { value: 0, presses: 2 + dice.below(10) as u32, only_if_held: false }];
            if command.fields.iter().all(|field| field.slot != slot) {
                command.fields.push(Field { slot, choices });
            }
        }
        command
    };
    let commands = (0..commands).map(command).collect();
    Problem { press_ms: 600, answer_ms: 1500, slots, commands, lifelines: Vec::new() }
}

/// Several hard problems as one, without their resets, tied together by their lifelines: more settings in one knot than
/// the search takes on.
pub fn tied(seed: u64, copies: u64, kind: Start) -> Problem {
    let mut parts = (0..copies).map(|copy| {
        let mut part = hard(seed + copy, kind);
        part.commands.pop();
        part
    });
    let Some(mut whole) = parts.next() else { return hard(seed, kind) };
    for mut part in parts {
        let shift = whole.slots.len();
        for command in &mut part.commands {
            command.needs.iter_mut().for_each(|need| need.slot += shift);
            command.reads.iter_mut().for_each(|read| read.slot += shift);
            command.clears.iter_mut().for_each(|slot| *slot += shift);
            command.also.iter_mut().for_each(|also| also.slot += shift);
            command.fields.iter_mut().for_each(|field| field.slot += shift);
        }
        part.lifelines.iter_mut().flat_map(|line| &mut line.slots).for_each(|slot| *slot += shift);
        whole.slots.append(&mut part.slots);
        whole.commands.append(&mut part.commands);
        whole.lifelines.append(&mut part.lifelines);
    }
    whole
}

fn started(dice: &mut Dice, shape: &Shape, kind: Start) -> Problem {
    let mut problem = keybook(dice, shape);
    let differ = 5 + dice.below(40) as usize;
    start(dice, &mut problem, kind, differ);
    settle_lifelines(&mut problem);
    problem
}

fn slot(dice: &mut Dice) -> Slot {
    let values = 2 + dice.below(4) as u8;
    let factory = dice.percent(85).then(|| dice.below(u64::from(values)) as u8);
    Slot { values, start: None, goal: dice.below(u64::from(values)) as u8, factory }
}

/// Presses of every value of every slot: what the value is keyed with, wherever it is keyed.
fn presses_of(dice: &mut Dice, slots: &[Slot]) -> Vec<Vec<u32>> {
    slots
        .iter()
        .map(|slot| {
            let long = dice.percent(30);
            let least = if long { 4 } else { 1 };
            let spread = if long { 12 } else { 3 };
            let fixed = dice.percent(40).then(|| least + dice.below(spread) as u32);
            (0..slot.values).map(|_| fixed.unwrap_or(least + dice.below(spread) as u32)).collect()
        })
        .collect()
}

fn keybook(dice: &mut Dice, shape: &Shape) -> Problem {
    let slots: Vec<Slot> = (0..shape.slots).map(|_| slot(dice)).collect();
    let presses = presses_of(dice, &slots);
    let mut commands = vec![Command::default(); shape.commands - 1];
    deal_fields(dice, shape, &slots, &presses, &mut commands);
    for id in 0..commands.len() {
        commands[id].base_presses = 2 + dice.below(4) as u32;
        commands[id].takes_ms = if dice.percent(10) { 2000 } else { 0 };
        add_needs(dice, shape, &slots, &mut commands, id);
        if id >= shape.modes && dice.percent(shape.also) {
            add_side_effect(dice, &slots, &mut commands, id);
        }
    }
    commands.push(reset(dice, shape, &slots));
    offer_needed_values(&slots, &presses, &mut commands);
    let lifelines = (0..shape.lifelines).map(|_| lifeline(dice, shape, &slots)).collect();
    Problem { press_ms: 600, answer_ms: 1500, slots, commands, lifelines }
}

/// Every slot gets a command; mode slots have one of their own; compounds overlap with one another.
fn deal_fields(dice: &mut Dice, shape: &Shape, slots: &[Slot], presses: &[Vec<u32>], commands: &mut [Command]) {
    for id in 0..slots.len() {
        let own = if id < commands.len() {
            id
        } else {
            shape.modes + dice.below((commands.len() - shape.modes) as u64) as usize
        };
        put_field(slots, presses, &mut commands[own], id);
    }
    for command in &mut commands[shape.modes..] {
        if dice.percent(shape.compound) {
            for _ in 0..1 + dice.below(2) {
                let slot = shape.modes + dice.below((slots.len() - shape.modes) as u64) as usize;
                if dice.percent(35) {
                    put_field(slots, presses, command, slot);
                }
            }
        }
    }
}

fn put_field(slots: &[Slot], presses: &[Vec<u32>], command: &mut Command, slot: usize) {
    if command.fields.iter().any(|field| field.slot == slot) {
        return;
    }
    let record = &slots[slot];
    let choice = |value: u8| Choice {
        value,
        presses: presses[slot][usize::from(value)],
        only_if_held: value != record.goal && Some(value) != record.factory,
    };
    command.fields.push(Field { slot, choices: (0..record.values).map(choice).collect() });
}

fn add_needs(dice: &mut Dice, shape: &Shape, slots: &[Slot], commands: &mut [Command], id: usize) {
    if id < shape.modes.max(1) || !dice.percent(shape.needs) {
        return;
    }
    let modes = shape.modes > 0 && dice.percent(60);
    // Needs point to earlier slots, as keybooks' do: the line before the numbers, the mode before everything.
    let slot = if modes { dice.below(shape.modes as u64) as usize } else { dice.below(id as u64) as usize };
    if commands[id].fields.iter().any(|field| field.slot == slot) {
        return;
    }
    let record = &slots[slot];
    let away = modes && dice.percent(60);
    let first = if away {
        (record.goal + 1 + dice.below(u64::from(record.values) - 1) as u8) % record.values
    } else {
        record.goal
    };
    let values = ValueSet::of((0..record.values).filter(|value| *value == first || !away && dice.percent(20)));
    commands[id].needs.push(Need { slot, values });
}

fn add_side_effect(dice: &mut Dice, slots: &[Slot], commands: &mut [Command], id: usize) {
    // Mostly on settings that come later in the keybook, so that most problems have a script.
    let slot =
        if dice.percent(90) { id + 1 + dice.below((slots.len() - id - 1) as u64) as usize } else { pick(dice, slots) };
    if commands[id].fields.iter().any(|field| field.slot == slot) {
        return;
    }
    let record = &slots[slot];
    let fixed = Some(dice.below(u64::from(record.values)) as u8);
    commands[id].also.push(Also { slot, value: if dice.percent(60) { record.factory } else { fixed } });
}

fn reset(dice: &mut Dice, shape: &Shape, slots: &[Slot]) -> Command {
    let keeps: Vec<usize> = (0..1 + dice.below(3)).map(|_| pick(dice, slots)).collect();
    let clears = (0..slots.len()).filter(|slot| !keeps.contains(slot)).collect();
    let mut command = Command { base_presses: 4, takes_ms: 8000, clears, ..Command::default() };
    if shape.modes > 0 && dice.percent(30) {
        command.needs.push(Need { slot: 0, values: ValueSet::of([dice.below(u64::from(slots[0].values)) as u8]) });
    }
    if dice.percent(15) {
        let slot = keeps[0];
        command.reads.push(Read { slot, presses: (0..slots[slot].values).map(|_| 4 + dice.below(4) as u32).collect() });
    }
    command
}

/// Constants that a need or a side effect names may always be keyed.
fn offer_needed_values(slots: &[Slot], presses: &[Vec<u32>], commands: &mut [Command]) {
    let mut named = vec![0u64; slots.len()];
    for command in commands.iter() {
        command.needs.iter().for_each(|need| named[need.slot] |= need.values.bits());
        command.also.iter().for_each(|also| named[also.slot] |= also.value.map_or(0, |value| 1 << value));
    }
    debug_assert_eq!(presses.len(), slots.len());
    for field in commands.iter_mut().flat_map(|command| command.fields.iter_mut()) {
        for choice in &mut field.choices {
            choice.only_if_held &= named[field.slot] >> choice.value & 1 == 0;
        }
    }
}

fn lifeline(dice: &mut Dice, shape: &Shape, slots: &[Slot]) -> Lifeline {
    // A shared head (the line), then numbers of its own; now and then the mode belongs to it.
    let mut members = vec![shape.modes + dice.below(2) as usize];
    if shape.modes > 0 && dice.percent(15) {
        members.push(0);
    }
    for _ in 0..1 + dice.below(3) {
        let slot = pick(dice, &slots[shape.modes..]) + shape.modes;
        if !members.contains(&slot) {
            members.push(slot);
        }
    }
    Lifeline { slots: members, start_counts: true }
}

fn start(dice: &mut Dice, problem: &mut Problem, kind: Start, differ: usize) {
    for slot in &mut problem.slots {
        slot.start = Some(slot.goal);
    }
    for _ in 0..differ {
        let slot = pick(dice, &problem.slots);
        let record = &mut problem.slots[slot];
        record.start = Some((record.goal + 1 + dice.below(u64::from(record.values) - 1) as u8) % record.values);
    }
    for slot in &mut problem.slots {
        if kind == Start::Unknown || kind == Start::Mixed && dice.percent(40) {
            slot.start = None;
        }
    }
}

fn settle_lifelines(problem: &mut Problem) {
    for lifeline in &mut problem.lifelines {
        lifeline.start_counts = lifeline.slots.iter().all(|slot| problem.slots[*slot].start.is_some());
    }
}
