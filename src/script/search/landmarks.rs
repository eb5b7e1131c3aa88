//! A lower bound on the time, presses and number of the commands still to come, from what every script must bring
//! about (`mod.rs` §5). It never overestimates; it may call a state hopeless only where it is.

use super::landmark_set::{LandmarkSet, MOST_LANDMARKS};
use super::model::{Class, Classes, GOAL, Model, ModelCommand, Set, members};
use super::packed::{Packed, time_of};

/// A command, or a command keyed with one class in its dividing field.
struct Op {
    command: usize,
    /// Dividing field (an index into the command's fields) and the class keyed there.
    keyed: Option<(usize, Class)>,
    /// Cheapest it can be.
    least: Packed,
}

/// "At some time a command brings the slot to one of these classes": a landmark of every state that asks for it.
struct Landmark {
    slot: usize,
    classes: Classes,
    /// Ops that can, with what they cost beyond their least then.
    achievers: Vec<(u16, Packed)>,
    /// Landmarks that hold before each of them.
    needs: LandmarkSet,
    /// "Brought to its goal" for slots that each of them leaves away from it, and for this one where it is then away.
    lost: LandmarkSet,
    /// Slots of lifelines that are away from what they were and what they will be just before each of them.
    dark: Set,
}

/// What a bound asks for, from [`Landmarks::scope`].
pub(super) struct Scope {
    /// Goals that are asked for, and those that are where they are lost on the way.
    counted: LandmarkSet,
    again: LandmarkSet,
    /// Slots that a reset still to come will write; what landmarks of these may ask for, and what others may.
    late: Set,
    by_late: LandmarkSet,
    by_others: LandmarkSet,
}

pub(super) struct Landmarks {
    /// Slots that, away from their goal, leave some lifeline uncovered.
    telling: Set,
    /// What the last state asked for in all.
    last: LandmarkSet,
    /// What did not hold there.
    gaps: LandmarkSet,
    ops: Vec<Packed>,
    /// Least time of each op, milliseconds.
    ops_ms: Vec<u32>,
    /// The ops that can bring a landmark about, and the time beyond their least: of one landmark after the other; and where
    /// each one's begin.
    achievers_ms: Vec<(u16, u32)>,
    begins: Vec<usize>,
    /// Landmarks that nothing brings about.
    never: LandmarkSet,
    /// What each command can bring about.
    helped: Vec<LandmarkSet>,
    left: Vec<u32>,
    /// Those with the fewest achievers first.
    all: Vec<Landmark>,
    /// The landmark "this slot is brought to its goal", by slot.
    goals: Vec<usize>,
    every: Set,
    /// Where each slot's classes begin in `missing`.
    first: Vec<usize>,
    missing: Vec<LandmarkSet>,
    rest: Vec<Packed>,
}

impl Landmarks {
    pub fn new(model: &Model) -> Self {
        let mut ops = Vec::new();
        for (id, command) in model.commands.iter().enumerate() {
            split(model, id, command, &mut ops);
        }
        let all = (0..model.slots.len()).map(|slot| landmark(model, &ops, slot, 1 << GOAL)).collect();
        let mut made = Self {
            telling: telling(model),
            last: LandmarkSet::default(),
            gaps: LandmarkSet::default(),
            ops_ms: Vec::new(),
            achievers_ms: Vec::new(),
            begins: Vec::new(),
            never: LandmarkSet::default(),
            helped: vec![LandmarkSet::default(); model.commands.len()],
            left: Vec::new(),
            ops: Vec::new(),
            all,
            goals: (0..model.slots.len()).collect(),
            every: (0..model.slots.len()).fold(0, |set, slot| set | 1 << slot),
            first: Vec::new(),
            missing: Vec::new(),
            rest: Vec::new(),
        };
        let mut next = 0;
        while next < made.all.len() {
            made.link(model, &ops, next);
            next += 1;
        }
        made.ops = ops.iter().map(|op| op.least).collect();
        made.ops_ms = ops.iter().map(|op| time_of(op.least) as u32).collect();
        made.rest = made.ops.clone();
        made.rank();
        made.fill_missing(model);
        made.fill_times();
        for (place, landmark) in made.all.iter().enumerate() {
            landmark.achievers.iter().for_each(|(op, _)| made.helped[ops[usize::from(*op)].command].insert(place));
        }
        made
    }

    /// Fills in what every achiever of a landmark needs and spoils.
    fn link(&mut self, model: &Model, ops: &[Op], id: usize) {
        let achievers: Vec<&Op> = self.all[id].achievers.iter().map(|(op, _)| &ops[usize::from(*op)]).collect();
        let Some(first) = achievers.first() else { return };
        let spoils = achievers.iter().fold(!0, |set, op| set & spoiled(model, op));
        let needs = shared_requirements(model, first, &achievers);
        let mut dark = if self.all[id].classes == 1 << GOAL { 1 << self.all[id].slot } else { 0 };
        let mut links = LandmarkSet::default();
        for (slot, classes) in needs {
            if classes >> GOAL & 1 == 0 {
                dark |= 1 << slot;
            }
            let known = self.all.iter().position(|landmark| landmark.slot == slot && landmark.classes == classes);
            let place = known.unwrap_or(self.all.len());
            if place == self.all.len() {
                if place == MOST_LANDMARKS {
                    continue;
                }
                self.all.push(landmark(model, ops, slot, classes));
            }
            links.insert(place);
        }
        let landmark = &mut self.all[id];
        let away = if landmark.classes >> GOAL & 1 == 0 { 1 << landmark.slot } else { 0 };
        let spoils = spoils & self.every & !(1 << landmark.slot) | away;
        members(spoils).for_each(|slot| landmark.lost.insert(slot));
        landmark.needs = links;
        landmark.dark = dark & self.telling;
    }

    /// Puts landmarks with fewer achievers first, so that a set of landmarks is charged in that order.
    fn rank(&mut self) {
        let mut order: Vec<usize> = (0..self.all.len()).collect();
        order.sort_by_key(|landmark| (self.all[*landmark].achievers.len(), *landmark));
        let mut rank = vec![0usize; order.len()];
        order.iter().enumerate().for_each(|(place, landmark)| rank[*landmark] = place);
        let moved = |landmarks: &LandmarkSet| {
            let mut moved = LandmarkSet::default();
            landmarks.iter().for_each(|landmark| moved.insert(rank[landmark]));
            moved
        };
        self.goals = (0..self.goals.len()).map(|slot| rank[slot]).collect();
        let mut landmarks: Vec<(usize, Landmark)> = rank.iter().copied().zip(std::mem::take(&mut self.all)).collect();
        landmarks.sort_by_key(|(rank, _)| *rank);
        let moved = landmarks.into_iter().map(|(_, landmark)| Landmark {
            needs: moved(&landmark.needs),
            lost: moved(&landmark.lost),
            ..landmark
        });
        self.all = moved.collect();
    }

    /// For every slot and class, the landmarks of the slot that do not hold then.
    fn fill_missing(&mut self, model: &Model) {
        for (slot, record) in model.slots.iter().enumerate() {
            self.first.push(self.missing.len());
            for class in 0..record.classes {
                let mut missing = LandmarkSet::default();
                let landmarks = self.all.iter().enumerate().filter(|(_, landmark)| landmark.slot == slot);
                landmarks
                    .filter(|(_, landmark)| landmark.classes >> class & 1 == 0)
                    .for_each(|(place, _)| missing.insert(place));
                self.missing.push(missing);
            }
        }
    }

    fn fill_times(&mut self) {
        for (place, landmark) in self.all.iter().enumerate() {
            self.begins.push(self.achievers_ms.len());
            self.achievers_ms.extend(landmark.achievers.iter().map(|(op, extra)| (*op, time_of(*extra) as u32)));
            if landmark.achievers.is_empty() {
                self.never.insert(place);
            }
        }
        self.begins.push(self.achievers_ms.len());
    }

    /// The landmarks "brought to its goal" of these slots.
    pub fn goals_of(&self, slots: Set) -> LandmarkSet {
        let mut goals = LandmarkSet::default();
        members(slots & self.every).for_each(|slot| goals.insert(self.goals[slot]));
        goals
    }

    /// The landmarks of these slots.
    pub fn of(&self, slots: Set) -> LandmarkSet {
        let mut landmarks = LandmarkSet::default();
        let own = self.all.iter().enumerate().filter(|(_, landmark)| slots >> landmark.slot & 1 == 1);
        own.for_each(|(place, _)| landmarks.insert(place));
        landmarks
    }

    /// Asks for the goals of slots in `counted`, and for those of `again` where they are lost on the way, in a state that
    /// a reset is still to bring about, which writes the slots `late`; nothing about the slots `free`.
    pub fn scope(&self, counted: Set, again: Set, late: Set, free: Set) -> Scope {
        // What may be brought about before the reset asks nothing of the slots that it writes.
        let (by_late, by_others) = (self.of(!free), self.of(!free & !late));
        Scope { counted: self.goals_of(counted & !free), again: self.goals_of(again), late, by_late, by_others }
    }

    /// Least cost of what must still be keyed in this state, without exposure, where these goals are asked for; `None`: no
    /// script leads on from here.
    pub fn cost(&mut self, state: &[Class], goals: &LandmarkSet) -> Option<Packed> {
        self.gaps = self.missing(state);
        self.last = self.closure(&self.gaps, goals, goals);
        self.charge(&self.last.clone())
    }

    /// The same while a command is keyed in part: the slots of the fields still open may hold anything, and for each it is
    /// given how many presses its goal takes there beyond the least (`u32::MAX`: it cannot be keyed there).
    pub fn cost_in_part(
        &mut self,
        state: &[Class],
        goals: &LandmarkSet,
        open: &[(usize, u32)],
        press: Packed,
    ) -> Option<Packed> {
        let unsure = open.iter().fold(0, |set: Set, (slot, _)| set | 1 << slot);
        self.gaps = LandmarkSet::default();
        for (slot, (first, class)) in self.first.iter().zip(state).enumerate() {
            if unsure >> slot & 1 == 0 {
                self.gaps.add(&self.missing[first + usize::from(*class)]);
            }
        }
        self.last = self.closure(&self.gaps, goals, goals);
        let mut total = self.charge(&self.last.clone())?;
        let asked = self.last;
        // A goal comes about now or later, and takes its own either way. Those asked for have been charged with it.
        for (slot, presses) in open.iter().filter(|(slot, _)| !asked.has(self.goals[*slot])) {
            let goal = self.goals[*slot];
            let later = self.all[goal].achievers.iter().map(|(_, extra)| *extra).min();
            let now = (*presses != u32::MAX).then(|| press * Packed::from(*presses));
            if goals.has(goal) {
                total += now.into_iter().chain(later).min()?;
            }
        }
        Some(total)
    }

    /// The same, for a state that a reset is still to bring about.
    pub fn within(&mut self, state: &[Class], scope: &Scope) -> Option<Packed> {
        self.last = self.asked(&self.missing(state), scope);
        self.charge(&self.last.clone())
    }

    /// What is asked for in such a state, by the landmarks that do not hold there.
    pub fn asked(&self, missing: &LandmarkSet, scope: &Scope) -> LandmarkSet {
        let binds = |slot: usize| if scope.late >> slot & 1 == 1 { &scope.by_late } else { &scope.by_others };
        self.closure_where(missing, &scope.counted, &scope.again, binds)
    }

    /// The landmarks that do not hold in a state.
    pub fn missing(&self, state: &[Class]) -> LandmarkSet {
        let mut missing = LandmarkSet::default();
        for (first, class) in self.first.iter().zip(state) {
            missing.add(&self.missing[first + usize::from(*class)]);
        }
        missing
    }

    /// Of these goals, those that do not hold, and all that they ask for; those of `again` where they are lost on the way.
    pub fn closure(&self, missing: &LandmarkSet, goals: &LandmarkSet, again: &LandmarkSet) -> LandmarkSet {
        let all = LandmarkSet::all();
        self.closure_where(missing, goals, again, |_| &all)
    }

    fn closure_where<'a>(
        &self,
        missing: &LandmarkSet,
        goals: &LandmarkSet,
        again: &LandmarkSet,
        binds: impl Fn(usize) -> &'a LandmarkSet,
    ) -> LandmarkSet {
        let mut asked = goals.within(missing);
        let mut open = asked;
        while let Some(id) = open.pop() {
            let landmark = &self.all[id];
            let mut fresh = landmark.needs.within(missing);
            fresh.add(&landmark.lost.within(again));
            let fresh = fresh.within(binds(landmark.slot)).without(&asked);
            asked.add(&fresh);
            open.add(&fresh);
        }
        asked
    }

    /// Landmarks whose achievers need one of these slots away from what it was and will be.
    pub fn dark(&self, slots: Set) -> LandmarkSet {
        let mut dark = LandmarkSet::default();
        for landmark in (0..self.all.len()).filter(|landmark| self.all[*landmark].dark & slots != 0) {
            dark.insert(landmark);
        }
        dark
    }

    /// The landmarks that a command can bring about.
    pub fn helped(&self, command: usize) -> &LandmarkSet {
        &self.helped[command]
    }

    /// What the last state asked for in all.
    pub fn last(&self) -> LandmarkSet {
        self.last
    }

    /// Appends a set of these landmarks as bytes; all sets take as many.
    pub fn write(&self, landmarks: &LandmarkSet, bytes: &mut Vec<u8>) {
        landmarks.write(self.all.len(), bytes);
    }

    /// The landmarks that did not hold in the last state given to [`Landmarks::cost`] or [`Landmarks::count`].
    pub fn gaps(&self) -> LandmarkSet {
        self.gaps
    }

    /// Least time of each op, for [`Landmarks::charge_ms`] to take from.
    pub fn whole_ms(&self) -> &[u32] {
        &self.ops_ms
    }

    /// What the landmarks take, in milliseconds, of what is left of the ops' times; `None`: one can never be.
    pub fn charge_ms(&self, left: &mut [u32], asked: &LandmarkSet) -> Option<u64> {
        let (mut total, mut open) = (0, *asked);
        while let Some(landmark) = open.pop() {
            let achievers = &self.achievers_ms[self.begins[landmark]..self.begins[landmark + 1]];
            let share = achievers.iter().map(|(op, extra)| left[usize::from(*op)] + extra).min()?;
            total += u64::from(share);
            for (op, extra) in achievers {
                left[usize::from(*op)] -= share.saturating_sub(*extra);
            }
        }
        Some(total)
    }

    /// The same, of the whole of all ops.
    pub fn least_ms(&mut self, asked: &LandmarkSet) -> Option<u64> {
        let mut left = std::mem::take(&mut self.left);
        left.clone_from(&self.ops_ms);
        let total = self.charge_ms(&mut left, asked);
        self.left = left;
        total
    }

    /// How many landmarks a state asks for, where these goals are; `None`: no script leads on from here.
    pub fn count(&mut self, state: &[Class], goals: &LandmarkSet) -> Option<u32> {
        self.gaps = self.missing(state);
        self.last = self.closure(&self.gaps, goals, goals);
        (self.last.within(&self.never).count() == 0).then(|| self.last.count())
    }

    /// Least cost of bringing these slots to their goal, whatever is needed for it counted as done.
    pub fn settling(&mut self, slots: Set) -> Option<Packed> {
        let asked = self.goals_of(slots);
        self.charge(&asked)
    }

    /// Shares each op's cost out among the landmarks asked for, each landmark taking what its cheapest achiever has left.
    fn charge(&mut self, asked: &LandmarkSet) -> Option<Packed> {
        self.rest.copy_from_slice(&self.ops);
        let mut total = 0;
        for landmark in asked.iter() {
            let achievers = &self.all[landmark].achievers;
            let share = achievers.iter().map(|(op, extra)| self.rest[usize::from(*op)] + extra).min()?;
            total += share;
            for (op, extra) in achievers {
                self.rest[usize::from(*op)] -= share.saturating_sub(*extra);
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

/// What all achievers require, each slot with the classes that satisfy one of them; `first` is one of them.
fn shared_requirements(model: &Model, first: &Op, achievers: &[&Op]) -> Vec<(usize, Classes)> {
    let mut shared = Vec::new();
    for (slot, _) in requirements(&model.commands[first.command]) {
        let mut union: Option<Classes> = Some(0);
        for op in achievers {
            let mut own = requirements(&model.commands[op.command]).filter(|(other, _)| *other == slot);
            let own = own.next().map(|first| own.fold(first.1, |set, (_, classes)| set & classes));
            union = union.zip(own).map(|(union, own)| union | own);
        }
        shared.extend(union.map(|classes| (slot, classes)));
    }
    shared
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

fn landmark(model: &Model, ops: &[Op], slot: usize, classes: Classes) -> Landmark {
    // One keying can serve the goal and a need of the same slot, so only the goal is charged for what is keyed there.
    let counted = |extra: Packed| if classes == 1 << GOAL { extra } else { 0 };
    let can = |(place, op): (usize, &Op)| Some((place as u16, counted(extra(model, op, slot, classes)?)));
    let achievers: Vec<(u16, Packed)> = ops.iter().enumerate().filter_map(can).collect();
    Landmark { slot, classes, achievers, needs: LandmarkSet::default(), lost: LandmarkSet::default(), dark: 0 }
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
