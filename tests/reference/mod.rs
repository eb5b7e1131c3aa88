//! A reference for the search: an interpreter of scripts and a plain Dijkstra over whole states, written from the
//! rules of a keybook and not from the code under test; and the generator of random tiny problems.
//! It uses the data types of `script::problem` and none of its functions.

pub mod buttons;
pub mod compare;
pub mod dice;
pub mod keybooks;
pub mod reasons;
pub mod shapes;

pub use dice::Dice;

use crate::script::problem::{Also, Choice, Command, Cost, Field, Lifeline, Need, Problem, Read, Slot, Step, ValueSet};
use std::collections::{BTreeMap, BTreeSet};

pub type Held = Vec<Option<u8>>;

/// Number of feature mixes that [`tiny`] knows.
pub const MIXES: u64 = 10;

/// The lifelines that are neither as they will be nor, where that counts, as they were.
pub fn dark(problem: &Problem, held: &Held) -> Vec<usize> {
    let is_dark = |at: &usize| {
        let lifeline = &problem.lifelines[*at];
        let right = lifeline.slots.iter().all(|slot| held[*slot] == Some(problem.slots[*slot].goal));
        let untouched =
            lifeline.slots.iter().all(|slot| held[*slot].is_some() && held[*slot] == problem.slots[*slot].start);
        !(right || lifeline.start_counts && untouched)
    };
    (0..problem.lifelines.len()).filter(is_dark).collect()
}

/// What one command does in one state: the cost and the state after, or nothing where it is refused.
pub fn obey(problem: &Problem, held: &Held, id: usize, keyed: &[usize]) -> Option<(Cost, Held)> {
    obey_with(problem, held, id, keyed, &|held| dark(problem, held).len() as u64)
}

/// The same where so many lifelines are uncovered in a state.
fn obey_with(
    problem: &Problem,
    held: &Held,
    id: usize,
    keyed: &[usize],
    uncovered: &dyn Fn(&Held) -> u64,
) -> Option<(Cost, Held)> {
    let command = &problem.commands[id];
    if !command.needs.iter().all(|need| matches!(held[need.slot], Some(v) if need.values.bits() & (1 << v) != 0)) {
        return None;
    }
    let mut presses = u64::from(command.base_presses);
    for read in &command.reads {
        presses += u64::from(read.presses[held[read.slot]? as usize]);
    }
    for (field, pick) in command.fields.iter().zip(keyed) {
        let choice = field.choices[*pick];
        if choice.only_if_held && held[field.slot] != Some(choice.value) {
            return None;
        }
        presses += u64::from(choice.presses);
    }
    let time_ms = presses * problem.press_ms + problem.answer_ms + command.takes_ms;
    let dark = uncovered(held);
    let mut after = held.clone();
    for slot in &command.clears {
        after[*slot] = problem.slots[*slot].factory;
    }
    for also in &command.also {
        after[also.slot] = also.value;
    }
    for (field, pick) in command.fields.iter().zip(keyed) {
        after[field.slot] = Some(field.choices[*pick].value);
    }
    Some((Cost { exposure_ms: dark * time_ms, time_ms, presses, commands: 1 }, after))
}

/// Keys a script and says what it cost, or at which step it fails (the number of steps: it does not land).
pub fn interpret(problem: &Problem, steps: &[Step]) -> Result<Cost, usize> {
    let mut held: Held = problem.slots.iter().map(|slot| slot.start).collect();
    let mut sum = Cost::default();
    for (place, step) in steps.iter().enumerate() {
        if problem.commands[step.command].fields.len() != step.choices.len() {
            return Err(place);
        }
        let (cost, after) = obey(problem, &held, step.command, &step.choices).ok_or(place)?;
        held = after;
        sum.exposure_ms += cost.exposure_ms;
        sum.time_ms += cost.time_ms;
        sum.presses += cost.presses;
        sum.commands += cost.commands;
    }
    let lands = problem.slots.iter().zip(&held).all(|(slot, value)| *value == Some(slot.goal));
    if lands { Ok(sum) } else { Err(steps.len()) }
}

/// Dijkstra over whole states.
pub struct Reference<'a> {
    problem: &'a Problem,
    /// Every command with every combination of choices.
    ways: Vec<(usize, Vec<usize>)>,
}

impl<'a> Reference<'a> {
    pub fn new(problem: &'a Problem) -> Self {
        let mut ways = Vec::new();
        for (id, command) in problem.commands.iter().enumerate() {
            let mut combinations = vec![Vec::new()];
            for field in &command.fields {
                let longer = |pick: &Vec<usize>| {
                    let pick = pick.clone();
                    (0..field.choices.len()).map(move |choice| [pick.clone(), vec![choice]].concat())
                };
                combinations = combinations.iter().flat_map(longer).collect();
            }
            ways.extend(combinations.into_iter().map(|pick| (id, pick)));
        }
        Self { problem, ways }
    }

    /// Every state that commands lead to, or `None` where there are more than that many.
    pub fn states(&self, most: usize) -> Option<BTreeSet<Held>> {
        let start: Held = self.problem.slots.iter().map(|slot| slot.start).collect();
        let (mut all, mut open) = (BTreeSet::from([start.clone()]), vec![start]);
        while let Some(held) = open.pop() {
            for (id, pick) in &self.ways {
                let after = obey(self.problem, &held, *id, pick).map(|(_, after)| after);
                open.extend(after.filter(|after| all.insert(after.clone())));
            }
            if all.len() > most {
                return None;
            }
        }
        Some(all)
    }

    /// The best cost (`Some(None)`: no script exists), or `None` after that many states.
    pub fn solve(&self, most: usize) -> Option<Option<Cost>> {
        self.solve_with(most, &|held| dark(self.problem, held).len() as u64)
    }

    /// The same where so many lifelines are uncovered in a state.
    pub fn solve_with(&self, most: usize, uncovered: &dyn Fn(&Held) -> u64) -> Option<Option<Cost>> {
        let start: Held = self.problem.slots.iter().map(|slot| slot.start).collect();
        let goal: Held = self.problem.slots.iter().map(|slot| Some(slot.goal)).collect();
        let mut best = BTreeMap::from([(start.clone(), Cost::default())]);
        let mut open = BTreeSet::from([(Cost::default(), start)]);
        let mut done = 0;
        while let Some((cost, held)) = open.pop_first() {
            if held == goal {
                return Some(Some(cost));
            }
            done += 1;
            if done > most {
                return None;
            }
            for (id, pick) in &self.ways {
                let Some((step, after)) = obey_with(self.problem, &held, *id, pick, uncovered) else { continue };
                let sum = Cost {
                    exposure_ms: cost.exposure_ms + step.exposure_ms,
                    time_ms: cost.time_ms + step.time_ms,
                    presses: cost.presses + step.presses,
                    commands: cost.commands + step.commands,
                };
                if best.get(&after).is_none_or(|known| sum < *known) {
                    best.insert(after.clone(), sum);
                    open.insert((sum, after));
                }
            }
        }
        Some(None)
    }
}

/// How often each feature occurs, in percent.
struct Mix {
    slots: u64,
    commands: u64,
    unknown: u64,
    factory: u64,
    needs: u64,
    also: u64,
    clears: u64,
    reset: u64,
    reads: u64,
    held: u64,
    lifelines: u64,
    wide_fields: u64,
}

const MIX: [Mix; MIXES as usize] = [
    // Plain settings, hardly entangled.
    Mix {
        slots: 5,
        commands: 5,
        unknown: 20,
        factory: 70,
        needs: 10,
        also: 10,
        clears: 0,
        reset: 0,
        reads: 0,
        held: 0,
        lifelines: 1,
        wide_fields: 20,
    },
    // Compound commands, all unknown.
    Mix {
        slots: 5,
        commands: 5,
        unknown: 95,
        factory: 60,
        needs: 10,
        also: 20,
        clears: 10,
        reset: 50,
        reads: 0,
        held: 20,
        lifelines: 2,
        wide_fields: 80,
    },
    // Modes.
    Mix {
        slots: 5,
        commands: 6,
        unknown: 10,
        factory: 60,
        needs: 70,
        also: 10,
        clears: 0,
        reset: 20,
        reads: 0,
        held: 10,
        lifelines: 2,
        wide_fields: 30,
    },
    // Side effects.
    Mix {
        slots: 5,
        commands: 6,
        unknown: 20,
        factory: 60,
        needs: 20,
        also: 70,
        clears: 20,
        reset: 30,
        reads: 0,
        held: 10,
        lifelines: 1,
        wide_fields: 30,
    },
    // Resets.
    Mix {
        slots: 5,
        commands: 6,
        unknown: 50,
        factory: 80,
        needs: 15,
        also: 15,
        clears: 10,
        reset: 100,
        reads: 5,
        held: 10,
        lifelines: 2,
        wide_fields: 40,
    },
    // Reads and held values.
    Mix {
        slots: 4,
        commands: 6,
        unknown: 40,
        factory: 50,
        needs: 20,
        also: 20,
        clears: 10,
        reset: 20,
        reads: 50,
        held: 80,
        lifelines: 1,
        wide_fields: 50,
    },
    // Several lifelines, all unknown.
    Mix {
        slots: 5,
        commands: 6,
        unknown: 90,
        factory: 50,
        needs: 15,
        also: 15,
        clears: 10,
        reset: 30,
        reads: 0,
        held: 10,
        lifelines: 4,
        wide_fields: 30,
    },
    // Several lifelines, known.
    Mix {
        slots: 5,
        commands: 6,
        unknown: 0,
        factory: 50,
        needs: 30,
        also: 30,
        clears: 10,
        reset: 40,
        reads: 10,
        held: 30,
        lifelines: 3,
        wide_fields: 30,
    },
    // No lifelines, everything entangled.
    Mix {
        slots: 6,
        commands: 7,
        unknown: 40,
        factory: 60,
        needs: 50,
        also: 40,
        clears: 20,
        reset: 40,
        reads: 10,
        held: 30,
        lifelines: 0,
        wide_fields: 50,
    },
    // Everything.
    Mix {
        slots: 5,
        commands: 7,
        unknown: 40,
        factory: 60,
        needs: 40,
        also: 40,
        clears: 20,
        reset: 40,
        reads: 20,
        held: 40,
        lifelines: 3,
        wide_fields: 40,
    },
];

/// A random tiny problem.
pub fn tiny(seed: u64, mix: u64) -> Problem {
    let mut dice = Dice(seed.wrapping_mul(1_000_003).wrapping_add(mix));
    let mix = &MIX[mix as usize];
    let (slots, count) = (1 + dice.below(mix.slots), 1 + dice.below(mix.commands));
    random(&mut dice, mix, slots, count)
}

/// A random tiny problem with a reset that keeps some slots, which are better, or only, brought to what they are wanted
/// to be before it: their commands need what the reset destroys.
pub fn kept(seed: u64) -> Problem {
    let mut dice = Dice(seed.wrapping_mul(1_000_003).wrapping_add(4_242));
    let mix = &MIX[4];
    let mut problem = random(&mut dice, mix, 5, 4);
    let count = problem.slots.len();
    let keeps: Vec<usize> = (0..1 + dice.below(2)).map(|_| pick(&mut dice, &problem.slots)).collect();
    problem.commands.truncate(4 + dice.below(4) as usize);
    for keep in &keeps {
        let slot = (keep + 1 + dice.below(count as u64 - 1) as usize) % count;
        let Some(start) = problem.slots[slot].start else { continue };
        problem.slots[*keep].start = Some((problem.slots[*keep].goal + 1) % problem.slots[*keep].values);
        for command in problem.commands.iter_mut().filter(|c| c.fields.iter().any(|field| field.slot == *keep)) {
            command.needs = vec![Need { slot, values: ValueSet::of([start]) }];
        }
    }
    let clears: Vec<usize> = (0..count).filter(|slot| !keeps.contains(slot)).collect();
    let mut resets = vec![Command { base_presses: 1, takes_ms: dice.below(3), clears, ..Command::default() }];
    if dice.percent(30) {
        let clears = (0..count).filter(|slot| *slot != keeps[0]).collect();
        resets.push(Command { base_presses: 2, takes_ms: dice.below(2), clears, ..Command::default() });
    }
    if dice.percent(20) {
        resets[0].needs.push(Need { slot: keeps[0], values: some_values(&mut dice, &problem.slots[keeps[0]]) });
    }
    problem.commands.append(&mut resets);
    for lifeline in &mut problem.lifelines {
        lifeline.start_counts &= lifeline.slots.iter().all(|slot| problem.slots[*slot].start.is_some());
    }
    problem
}

/// A random tiny problem whose commands write most slots at once, each slot as it is wanted, as a new unit holds it
/// (which is quickly keyed) or as it is.
pub fn blocks(seed: u64) -> Problem {
    let mut dice = Dice(seed.wrapping_mul(1_000_003).wrapping_add(9_191));
    let mix = &MIX[[2, 3, 4, 7, 9][dice.below(5) as usize]];
    let mut problem = random(&mut dice, mix, 3, 1 + seed % 3);
    let (count, unknown) = (3 + dice.below(4) as usize, if dice.percent(70) { 0 } else { 40 });
    while problem.slots.len() < count {
        problem.slots.push(slot(&mut dice, mix));
    }
    for slot in problem.slots.iter_mut().filter(|slot| slot.start.is_none()) {
        slot.start = (!dice.percent(unknown)).then_some((slot.goal + 1) % slot.values);
    }
    // What is keyed by itself mostly needs what a block brings about, and spoils some of it.
    for command in &mut problem.commands {
        if dice.percent(40) {
            let slot = dice.below(count as u64) as usize;
            command.needs.push(Need { slot, values: ValueSet::of([problem.slots[slot].goal]) });
        }
        let slot = dice.below(count as u64) as usize;
        if dice.percent(40) && command.fields.iter().all(|field| field.slot != slot) {
            command.also.push(Also { slot, value: problem.slots[slot].factory });
        }
    }
    for _ in 0..1 + dice.below(2) {
        let kept: Vec<usize> = (0..count).filter(|_| dice.percent(85)).collect();
        let fields = kept.into_iter().map(|slot| block_field(&mut dice, &problem.slots, slot)).collect();
        let mut block = Command { base_presses: dice.below(4) as u32, fields, ..Command::default() };
        if dice.percent(25) {
            let slot = pick(&mut dice, &problem.slots);
            block.needs.push(Need { slot, values: some_values(&mut dice, &problem.slots[slot]) });
        }
        problem.commands.push(block);
    }
    problem.lifelines = (0..dice.below(4)).map(|_| lifeline(&mut dice, &problem.slots)).collect();
    problem
}

fn block_field(dice: &mut Dice, slots: &[Slot], slot: usize) -> Field {
    let record = &slots[slot];
    let mut choices = Vec::new();
    let mut offer = |value: u8, presses: u64, only_if_held: bool| {
        choices.push(Choice { value, presses: presses as u32, only_if_held });
    };
    offer(record.goal, dice.below(7), false);
    if let Some(factory) = record.factory.filter(|factory| *factory != record.goal && dice.percent(80)) {
        offer(factory, dice.below(3), false);
    }
    if let Some(start) = record.start.filter(|start| ![Some(record.goal), record.factory].contains(&Some(*start))) {
        offer(start, dice.below(7), true);
    }
    Field { slot, choices }
}

/// A random problem too large for the plain reference, with so many lifelines.
pub fn middling(seed: u64, mix: u64, lifelines: usize) -> Problem {
    let mut dice = Dice(seed.wrapping_mul(1_000_003).wrapping_add(mix).wrapping_add(77));
    let mix = &MIX[mix as usize];
    let (slots, count) = (6 + dice.below(5), 5 + dice.below(5));
    let mut problem = random(&mut dice, mix, slots, count);
    problem.lifelines = (0..lifelines).map(|_| lifeline(&mut dice, &problem.slots)).collect();
    problem
}

fn random(dice: &mut Dice, mix: &Mix, slots: u64, count: u64) -> Problem {
    let slots: Vec<Slot> = (0..slots).map(|_| slot(dice, mix)).collect();
    let mut commands: Vec<Command> = (0..count).map(|_| command(dice, mix, &slots)).collect();
    // Most slots get a command of their own, so that most problems have a script.
    for id in 0..slots.len() {
        if dice.percent(75)
            && !commands.iter().any(|c| c.needs.is_empty() && c.fields.iter().any(|field| field.slot == id))
        {
            let mut own = command(dice, mix, &slots);
            own.fields = vec![field(dice, mix, &slots, id)];
            commands.push(own);
        }
    }
    if dice.percent(mix.reset) {
        commands.push(reset(dice, &slots));
    }
    let lifelines = (0..dice.below(mix.lifelines + 1)).map(|_| lifeline(dice, &slots)).collect();
    Problem { press_ms: 1 + dice.below(3), answer_ms: 1 + dice.below(4), slots, commands, lifelines }
}

fn slot(dice: &mut Dice, mix: &Mix) -> Slot {
    let values = 2 + dice.below(3) as u8;
    let goal = dice.below(u64::from(values)) as u8;
    let known = if dice.percent(35) { goal } else { dice.below(u64::from(values)) as u8 };
    Slot {
        values,
        start: (!dice.percent(mix.unknown)).then_some(known),
        goal,
        factory: dice.percent(mix.factory).then_some(dice.below(u64::from(values)) as u8),
    }
}

fn pick(dice: &mut Dice, slots: &[Slot]) -> usize {
    dice.below(slots.len() as u64) as usize
}

fn some_values(dice: &mut Dice, slot: &Slot) -> ValueSet {
    let first = dice.below(u64::from(slot.values)) as u8;
    let more: Vec<u8> = (0..slot.values).filter(|value| *value == first || dice.percent(25)).collect();
    ValueSet::of(more)
}

fn field(dice: &mut Dice, mix: &Mix, slots: &[Slot], slot: usize) -> Field {
    let record = &slots[slot];
    let mut choices = vec![Choice { value: record.goal, presses: dice.below(5) as u32, only_if_held: false }];
    for value in (0..record.values).filter(|value| *value != record.goal) {
        if dice.percent(40) {
            choices.push(Choice { value, presses: dice.below(5) as u32, only_if_held: dice.percent(mix.held) });
        } else if dice.percent(mix.held) {
            choices.push(Choice { value, presses: dice.below(4) as u32, only_if_held: true });
        }
    }
    if dice.percent(8) {
        choices.remove(0);
    }
    if choices.is_empty() {
        choices.push(Choice { value: record.goal, presses: 1, only_if_held: dice.percent(50) });
    }
    Field { slot, choices }
}

fn command(dice: &mut Dice, mix: &Mix, slots: &[Slot]) -> Command {
    let mut command = Command { base_presses: 1 + dice.below(3) as u32, takes_ms: dice.below(3), ..Command::default() };
    let mut fields: Vec<usize> = vec![pick(dice, slots)];
    while fields.len() < slots.len() && dice.percent(mix.wide_fields) {
        let slot = pick(dice, slots);
        if !fields.contains(&slot) {
            fields.push(slot);
        }
    }
    command.fields = fields.into_iter().map(|slot| field(dice, mix, slots, slot)).collect();
    if dice.percent(mix.needs) {
        let slot = pick(dice, slots);
        command.needs.push(Need { slot, values: some_values(dice, &slots[slot]) });
        if dice.percent(20) {
            let slot = pick(dice, slots);
            command.needs.push(Need { slot, values: some_values(dice, &slots[slot]) });
        }
    }
    if dice.percent(mix.also) {
        let slot = pick(dice, slots);
        let fixed = Some(dice.below(u64::from(slots[slot].values)) as u8);
        command.also.push(Also { slot, value: if dice.percent(50) { fixed } else { slots[slot].factory } });
    }
    if dice.percent(mix.clears) {
        command.clears.push(pick(dice, slots));
    }
    if dice.percent(mix.reads) {
        let slot = pick(dice, slots);
        command.reads.push(Read { slot, presses: (0..slots[slot].values).map(|_| dice.below(4) as u32).collect() });
    }
    command
}

fn reset(dice: &mut Dice, slots: &[Slot]) -> Command {
    let mut command = Command { base_presses: 1 + dice.below(4) as u32, takes_ms: dice.below(6), ..Command::default() };
    command.clears = (0..slots.len()).filter(|_| dice.percent(80)).collect();
    if dice.percent(15) {
        let slot = pick(dice, slots);
        command.needs.push(Need { slot, values: some_values(dice, &slots[slot]) });
    }
    command
}

fn lifeline(dice: &mut Dice, slots: &[Slot]) -> Lifeline {
    let mut members = vec![pick(dice, slots)];
    while members.len() < slots.len() && dice.percent(50) {
        let slot = pick(dice, slots);
        if !members.contains(&slot) {
            members.push(slot);
        }
    }
    let known = members.iter().all(|slot| slots[*slot].start.is_some());
    Lifeline { slots: members, start_counts: known && !dice.percent(15) }
}
