//! One station's reprogramming as an abstract problem: slots, commands, lifelines and what a script costs.
//! It knows no keybook text, and it decides nothing: it says what a step does and what it costs.

use std::fmt;

/// Place of a slot in [`Problem::slots`].
pub type SlotId = usize;
/// Place of a command in [`Problem::commands`].
pub type CommandId = usize;
/// A known value of a slot, `0..Slot::values`.
pub type Value = u8;
/// What every slot holds; `None` is unknown.
pub type State = Vec<Option<Value>>;

/// Most values one slot may have.
pub const MAX_VALUES: u8 = 64;
/// Most slots, and most commands, a problem may have.
pub const MAX_SLOTS: usize = 1024;
/// Most presses one command may take, whatever is keyed.
pub const MAX_PRESSES: u64 = 8191;
/// Longest time of one command, in milliseconds.
pub const MAX_COMMAND_MS: u64 = (1 << 24) - 1;
/// Most lifelines.
pub const MAX_LIFELINES: usize = 64;

/// A set of values of one slot.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ValueSet(u64);

impl ValueSet {
    /// The set of the given values; values of [`MAX_VALUES`] and above are left out.
    pub fn of(values: impl IntoIterator<Item = Value>) -> Self {
        values.into_iter().filter(|value| *value < MAX_VALUES).fold(Self(0), |set, value| Self(set.0 | 1 << value))
    }

    /// Whether the value is a member.
    pub fn contains(self, value: Value) -> bool {
        value < MAX_VALUES && self.0 >> value & 1 == 1
    }

    /// Bit `v` is set where value `v` is a member.
    pub fn bits(self) -> u64 {
        self.0
    }

    /// The members, rising.
    pub fn iter(self) -> impl Iterator<Item = Value> {
        (0..MAX_VALUES).filter(move |value| self.contains(*value))
    }
}

/// A setting that matters to the script.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Slot {
    /// How many known values there are, at most [`MAX_VALUES`].
    pub values: u8,
    /// What it holds now; `None` is unknown.
    pub start: Option<Value>,
    /// What it must hold in the end.
    pub goal: Value,
    /// What a clear leaves; `None`: a clear leaves it unknown.
    pub factory: Option<Value>,
}

/// A condition on the station before a command. An unknown value satisfies none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Need {
    /// The slot that is looked at.
    pub slot: SlotId,
    /// It must hold one of these.
    pub values: ValueSet,
}

/// A `{=x}`: the slot must be known before the command, and its value is keyed.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Read {
    /// The slot whose value is keyed; its value stays.
    pub slot: SlotId,
    /// Presses for each value held, as often as it is keyed in this command.
    pub presses: Vec<u32>,
}

/// A side effect: the slot takes a fixed value (`None`: becomes unknown, the factory value where none is given).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Also {
    /// The slot that is written.
    pub slot: SlotId,
    /// What it holds afterwards; `None`: unknown.
    pub value: Option<Value>,
}

/// One value that may be keyed for a placeholder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Choice {
    /// What the slot holds afterwards.
    pub value: Value,
    /// Presses in this command, repetition included.
    pub presses: u32,
    /// Allowed only while the slot holds this very value before the command.
    pub only_if_held: bool,
}

/// A placeholder `{x}`.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Field {
    /// The slot that is written.
    pub slot: SlotId,
    /// The values that may be keyed.
    pub choices: Vec<Choice>,
}

/// A command of the keybook. Effects in this order: `clears`, `also`, `fields`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Command {
    /// Literal keys.
    pub base_presses: u32,
    /// Added to the command's time, milliseconds.
    pub takes_ms: u64,
    /// All must hold, else the station refuses.
    pub needs: Vec<Need>,
    /// All must be known, else nobody can say what to key.
    pub reads: Vec<Read>,
    /// Slots set back to factory.
    pub clears: Vec<SlotId>,
    /// Slots written whatever is keyed.
    pub also: Vec<Also>,
    /// At most one a slot.
    pub fields: Vec<Field>,
}

/// Slots that must be right together for a button to summon help (tracked lifelines only).
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Lifeline {
    /// Places in [`Problem::slots`].
    pub slots: Vec<SlotId>,
    /// Whether the start counts as covered; false where it is out of service or a slot is unknown at the start.
    pub start_counts: bool,
}

/// What one station's script must achieve, and with what. Equal problems have equal answers, so a caller may keep
/// a map from problem to answer for a whole fleet.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Problem {
    /// Time of one press, milliseconds.
    pub press_ms: u64,
    /// Wait for the answer to each command, milliseconds.
    pub answer_ms: u64,
    /// A [`SlotId`] is a place here.
    pub slots: Vec<Slot>,
    /// A [`CommandId`] is a place here.
    pub commands: Vec<Command>,
    /// Exposure is counted over these.
    pub lifelines: Vec<Lifeline>,
}

/// One command of a script with the choice made for each of its fields (an index into [`Field::choices`]).
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Step {
    /// A place in [`Problem::commands`].
    pub command: CommandId,
    /// One for each field, in its order.
    pub choices: Vec<usize>,
}

/// What people call the step at this place of a script: they count from 1.
pub(super) fn step_number(place: usize) -> u32 {
    u32::try_from(place + 1).unwrap_or(u32::MAX)
}

/// The objective, compared in the order of its fields; smaller is better.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Cost {
    /// Sum over commands of time × lifelines not covered just before it, milliseconds.
    pub exposure_ms: u64,
    /// Total time of the commands, milliseconds.
    pub time_ms: u64,
    /// Keys pressed by commands; opening and closing a call are not in it.
    pub presses: u64,
    /// How many are keyed.
    pub commands: u64,
}

impl std::ops::Add for Cost {
    type Output = Cost;
    fn add(self, other: Cost) -> Cost {
        Cost {
            exposure_ms: self.exposure_ms.saturating_add(other.exposure_ms),
            time_ms: self.time_ms.saturating_add(other.time_ms),
            presses: self.presses.saturating_add(other.presses),
            commands: self.commands.saturating_add(other.commands),
        }
    }
}

/// Why a problem is not well formed. Ids are those of the problem.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ProblemError {
    /// Too many slots, commands or lifelines.
    TooLarge,
    /// The slot has no value or too many, or its start, goal or factory lies outside its values.
    Slot(SlotId),
    /// The command names a slot or value that is not there, a slot twice among its fields, or is too long.
    Command(CommandId),
    /// The lifeline names a slot that is not there, or none.
    Lifeline(usize),
}

impl fmt::Display for ProblemError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLarge => write!(f, "too many slots, commands or lifelines"),
            Self::Slot(id) => write!(f, "slot {id} has a value outside its range"),
            Self::Command(id) => write!(f, "command {id} names what is not there, a field twice, or is too long"),
            Self::Lifeline(id) => write!(f, "lifeline {id} names a slot that is not there, or none"),
        }
    }
}

impl std::error::Error for ProblemError {}

/// Why a step cannot be keyed in a state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// No such command, or not one known choice for each of its fields.
    NoSuchStep,
    /// The need (an index into [`Command::needs`]) does not hold.
    Need(usize),
    /// The read (an index into [`Command::reads`]) is of an unknown value.
    Read(usize),
    /// The field (an index into [`Command::fields`]) is keyed with a value that is only allowed while held.
    NotHeld(usize),
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSuchStep => write!(f, "no such command or choice"),
            Self::Need(index) => write!(f, "need {index} does not hold"),
            Self::Read(index) => write!(f, "read {index} is of an unknown value"),
            Self::NotHeld(index) => write!(f, "field {index} is keyed with a value that the slot does not hold"),
        }
    }
}

impl std::error::Error for Refusal {}

/// Why a script does not land.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReplayError {
    /// The step at this place is refused.
    Step(usize, Refusal),
    /// After the last step this slot is not at its goal.
    Missed(SlotId),
}

impl fmt::Display for ReplayError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Step(place, refusal) => write!(f, "step {place}: {refusal}"),
            Self::Missed(slot) => write!(f, "slot {slot} does not end at its goal"),
        }
    }
}

impl std::error::Error for ReplayError {}

impl Problem {
    /// Whether every id and value is in range; what the search asks for.
    pub fn check(&self) -> Result<(), ProblemError> {
        if self.slots.len() > MAX_SLOTS || self.commands.len() > MAX_SLOTS || self.lifelines.len() > MAX_LIFELINES {
            return Err(ProblemError::TooLarge);
        }
        for (id, slot) in self.slots.iter().enumerate() {
            let fits = |value: Option<Value>| value.is_none_or(|value| value < slot.values);
            if slot.values > MAX_VALUES || slot.goal >= slot.values || !fits(slot.start) || !fits(slot.factory) {
                return Err(ProblemError::Slot(id));
            }
        }
        for id in 0..self.commands.len() {
            self.check_command(id)?;
        }
        for (id, lifeline) in self.lifelines.iter().enumerate() {
            if lifeline.slots.is_empty() || lifeline.slots.iter().any(|slot| *slot >= self.slots.len()) {
                return Err(ProblemError::Lifeline(id));
            }
        }
        Ok(())
    }

    fn check_command(&self, id: CommandId) -> Result<(), ProblemError> {
        let command = &self.commands[id];
        let known = |slot: SlotId, value: Value| self.slots.get(slot).is_some_and(|slot| value < slot.values);
        let there = |slot: SlotId| slot < self.slots.len();
        let needs = command.needs.iter().all(|need| there(need.slot));
        let reads = command
            .reads
            .iter()
            .all(|read| there(read.slot) && read.presses.len() == usize::from(self.slots[read.slot].values));
        let clears = command.clears.iter().all(|slot| there(*slot));
        let also =
            command.also.iter().all(|also| there(also.slot) && also.value.is_none_or(|value| known(also.slot, value)));
        let fields = command.fields.iter().enumerate().all(|(index, field)| {
            !command.fields[..index].iter().any(|other| other.slot == field.slot)
                && field.choices.iter().all(|choice| known(field.slot, choice.value))
        });
        let presses = most_presses(command);
        let time =
            presses.saturating_mul(self.press_ms).saturating_add(self.answer_ms).saturating_add(command.takes_ms);
        if needs && reads && clears && also && fields && presses <= MAX_PRESSES && time <= MAX_COMMAND_MS {
            Ok(())
        } else {
            Err(ProblemError::Command(id))
        }
    }

    /// How many slots, commands, needs, reads, effects and choices there are in all.
    pub fn size(&self) -> usize {
        let size = |command: &Command| {
            let choices: usize = command.fields.iter().map(|field| field.choices.len()).sum();
            let reads: usize = command.reads.iter().map(|read| read.presses.len()).sum();
            1 + command.needs.len() + reads + command.clears.len() + command.also.len() + choices
        };
        let lifelines: usize = self.lifelines.iter().map(|lifeline| lifeline.slots.len()).sum();
        self.slots.len() + self.commands.iter().map(size).sum::<usize>() + lifelines
    }

    /// What every slot holds now.
    pub fn start(&self) -> State {
        self.slots.iter().map(|slot| slot.start).collect()
    }

    /// Time of a command, milliseconds.
    pub fn time_ms(&self, command: CommandId, presses: u64) -> u64 {
        presses * self.press_ms + self.answer_ms + self.commands[command].takes_ms
    }

    /// Whether the lifeline is covered: as it was at the start (where that counts), or as it will be.
    pub fn covers(&self, lifeline: &Lifeline, state: &State) -> bool {
        let as_was = lifeline.start_counts
            && lifeline.slots.iter().all(|slot| state[*slot].is_some() && state[*slot] == self.slots[*slot].start);
        as_was || lifeline.slots.iter().all(|slot| state[*slot] == Some(self.slots[*slot].goal))
    }

    /// The lifelines not covered in this state.
    pub fn uncovered(&self, state: &State) -> Vec<usize> {
        (0..self.lifelines.len()).filter(|id| !self.covers(&self.lifelines[*id], state)).collect()
    }

    /// Whether the command's needs hold and its reads are known.
    pub fn accepts(&self, state: &State, command: CommandId) -> bool {
        let command = &self.commands[command];
        command.needs.iter().all(|need| state[need.slot].is_some_and(|value| need.values.contains(value)))
            && command.reads.iter().all(|read| state[read.slot].is_some())
    }

    /// Presses of the step in this state, or why it is refused. `state` has one entry a slot.
    pub fn presses(&self, state: &State, step: &Step) -> Result<u64, Refusal> {
        let command = self.commands.get(step.command).ok_or(Refusal::NoSuchStep)?;
        if step.choices.len() != command.fields.len() {
            return Err(Refusal::NoSuchStep);
        }
        for (index, need) in command.needs.iter().enumerate() {
            if !state[need.slot].is_some_and(|value| need.values.contains(value)) {
                return Err(Refusal::Need(index));
            }
        }
        let mut presses = u64::from(command.base_presses);
        for (index, read) in command.reads.iter().enumerate() {
            let value = state[read.slot].ok_or(Refusal::Read(index))?;
            presses += u64::from(read.presses[usize::from(value)]);
        }
        for (index, (field, choice)) in command.fields.iter().zip(&step.choices).enumerate() {
            let choice = field.choices.get(*choice).ok_or(Refusal::NoSuchStep)?;
            if choice.only_if_held && state[field.slot] != Some(choice.value) {
                return Err(Refusal::NotHeld(index));
            }
            presses += u64::from(choice.presses);
        }
        Ok(presses)
    }

    /// Keys one step: changes the state and says what it cost, or leaves the state and says why it is refused.
    pub fn key(&self, state: &mut State, step: &Step) -> Result<Cost, Refusal> {
        let presses = self.presses(state, step)?;
        let time_ms = self.time_ms(step.command, presses);
        let uncovered = self.lifelines.iter().filter(|lifeline| !self.covers(lifeline, state)).count() as u64;
        let command = &self.commands[step.command];
        for slot in &command.clears {
            state[*slot] = self.slots[*slot].factory;
        }
        for also in &command.also {
            state[also.slot] = also.value;
        }
        for (field, choice) in command.fields.iter().zip(&step.choices) {
            state[field.slot] = Some(field.choices[*choice].value);
        }
        Ok(Cost { exposure_ms: uncovered * time_ms, time_ms, presses, commands: 1 })
    }

    /// Keys a whole script from the start; its cost, or why it does not land.
    pub fn replay(&self, steps: &[Step]) -> Result<Cost, ReplayError> {
        let mut state = self.start();
        let mut cost = Cost::default();
        for (place, step) in steps.iter().enumerate() {
            cost = cost + self.key(&mut state, step).map_err(|refusal| ReplayError::Step(place, refusal))?;
        }
        match (0..self.slots.len()).find(|slot| state[*slot] != Some(self.slots[*slot].goal)) {
            Some(slot) => Err(ReplayError::Missed(slot)),
            None => Ok(cost),
        }
    }
}

fn most_presses(command: &Command) -> u64 {
    let most = |presses: &mut dyn Iterator<Item = u32>| u64::from(presses.max().unwrap_or(0));
    let reads: u64 = command.reads.iter().map(|read| most(&mut read.presses.iter().copied())).sum();
    let fields: u64 =
        command.fields.iter().map(|field| most(&mut field.choices.iter().map(|choice| choice.presses))).sum();
    u64::from(command.base_presses) + reads + fields
}
