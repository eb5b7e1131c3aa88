//! One part of a problem as the search sees it: values that no script can tell apart are merged, choices that never
//! pay are dropped. It never drops a choice without the argument of `mod.rs` §3.

use super::effects::{UNKNOWN, Values, Write};
use super::packed::{Packed, pack};
use super::relevance::{Part, Relevance};
use crate::script::problem::{Choice, CommandId, Cost, Field, Problem, SlotId, State};

/// A class of values of one slot; [`GOAL`] is the class of the goal alone.
pub(super) type Class = u8;
/// A set of classes.
pub(super) type Classes = u128;
/// A set of local slots or local commands.
pub(super) type Set = u128;

pub(super) const GOAL: Class = 0;
/// Most slots and most commands of one part.
pub(super) const MOST: usize = 128;

/// The members of a set, rising.
pub(super) fn members(mut set: Set) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let member = (set != 0).then(|| set.trailing_zeros() as usize)?;
        set &= set - 1;
        Some(member)
    })
}

#[derive(Clone)]
pub(super) struct ModelSlot {
    pub origin: SlotId,
    /// Where this part starts.
    pub from: Class,
    /// How many classes it has.
    pub classes: u8,
    /// The class of the problem's start, where a lifeline compares with it.
    pub as_was: Option<Class>,
    class_of: [Class; UNKNOWN as usize + 1],
}

#[derive(Clone)]
pub(super) struct ModelChoice {
    pub class: Class,
    pub presses: u32,
    pub held: bool,
}

#[derive(Clone)]
pub(super) struct ModelField {
    pub slot: usize,
    pub choices: Vec<ModelChoice>,
}

#[derive(Clone)]
pub(super) struct ModelRead {
    pub slot: usize,
    /// Presses by class; `None`: unknown.
    pub presses: Vec<Option<u32>>,
}

#[derive(Clone)]
pub(super) struct ModelCommand {
    pub origin: CommandId,
    /// Cost without reads and fields.
    pub base: Packed,
    pub needs: Vec<(usize, Classes)>,
    pub reads: Vec<ModelRead>,
    /// Fixed effects, none of a slot that a field writes.
    pub sets: Vec<(usize, Class)>,
    pub fields: Vec<ModelField>,
    /// Local slots it writes.
    pub writes: Set,
}

#[derive(Clone)]
pub(super) struct ModelLifeline {
    pub slots: Vec<usize>,
    /// The same as a set.
    pub set: Set,
    /// Whether being as it was counts in this part.
    pub start_counts: bool,
}

impl ModelLifeline {
    fn new(slots: Vec<usize>, start_counts: bool) -> Self {
        Self { set: slots.iter().fold(0, |set, slot| set | 1 << slot), slots, start_counts }
    }

    /// Whether the lifeline is uncovered whenever this slot of it is away from its goal.
    pub fn tells(&self, model: &Model, slot: usize) -> bool {
        !self.start_counts || model.slots[slot].as_was == Some(GOAL)
    }

    /// Whether it is as it was, where that counts, or as it will be.
    pub fn covered(&self, model: &Model, state: &[Class]) -> bool {
        self.slots.iter().all(|slot| state[*slot] == GOAL) || self.as_was(model, state)
    }

    /// The same, where the slots `open` may hold anything.
    pub fn may_be_covered(&self, model: &Model, state: &[Class], open: Set) -> bool {
        let all = |held: &dyn Fn(usize) -> bool| self.slots.iter().all(|slot| open >> slot & 1 == 1 || held(*slot));
        all(&|slot| state[slot] == GOAL)
            || self.start_counts && all(&|slot| model.slots[slot].as_was == Some(state[slot]))
    }

    /// Whether it can only be covered by coming to its goals: some slot is not as it was, and can never be again.
    pub fn left(&self, model: &Model, restorable: Set, state: &[Class]) -> bool {
        let changed = |slot: &&usize| model.slots[**slot].as_was != Some(state[**slot]);
        !self.start_counts || self.slots.iter().filter(changed).any(|slot| restorable >> slot & 1 == 0)
    }

    fn as_was(&self, model: &Model, state: &[Class]) -> bool {
        self.start_counts && self.slots.iter().all(|slot| model.slots[*slot].as_was == Some(state[*slot]))
    }
}

pub(super) struct Model {
    pub slots: Vec<ModelSlot>,
    pub commands: Vec<ModelCommand>,
    pub lifelines: Vec<ModelLifeline>,
    /// Packed cost of one press.
    pub press: Packed,
}

/// What a part is cut from.
pub(super) struct Source<'a> {
    pub problem: &'a Problem,
    pub writes: &'a [Vec<Write>],
    pub relevance: &'a Relevance,
    pub from: &'a State,
}

impl Model {
    /// The model of one part, or `None` where it is larger than [`MOST`].
    pub fn of(source: &Source, part: &Part) -> Option<Self> {
        if part.slots.len() > MOST || part.commands.len() > MOST {
            return None;
        }
        let problem = source.problem;
        let mut local = vec![usize::MAX; problem.slots.len()];
        part.slots.iter().enumerate().for_each(|(place, slot)| local[*slot] = place);
        let lifelines = if part.has_lifelines { lifelines_of(source, &local) } else { Vec::new() };
        let uses = uses_of(source, part, &local, &lifelines);
        let slots: Vec<ModelSlot> = uses.iter().map(|slot_uses| merge(source, slot_uses)).collect();
        let commands = part.commands.iter().map(|id| command_of(source, *id, &local, &uses, &slots)).collect();
        Some(Self { slots, commands, lifelines, press: press_cost(problem) })
    }
}

impl Model {
    /// The model with a further slot, the last, that comes to its goal by the last of the given commands keyed: there is
    /// one, and none after it. `None`: too large.
    pub fn through(mut self, given: &[CommandId]) -> Option<Self> {
        let slot = self.slots.len();
        let (last, others): (Vec<_>, Vec<_>) =
            self.commands.into_iter().partition(|command| given.contains(&command.origin));
        self.commands = others;
        for mut command in last {
            command.needs.push((slot, 1 << 1));
            self.commands.push(command.clone());
            command.sets.push((slot, GOAL));
            command.writes |= Set::checked_shl(1, slot as u32)?;
            self.commands.push(command);
        }
        self.slots.push(ModelSlot {
            origin: SlotId::MAX,
            from: 1,
            classes: 2,
            as_was: None,
            class_of: [1; UNKNOWN as usize + 1],
        });
        (self.slots.len() <= MOST && self.commands.len() <= MOST).then_some(self)
    }

    /// The last slot, where it is that of [`Model::through`].
    pub fn last_reset(&self) -> Option<usize> {
        let last = self.slots.len().checked_sub(1)?;
        (self.slots[last].origin == SlotId::MAX).then_some(last)
    }

    /// The model without the commands that need this slot.
    pub fn before_reset(&self, last: usize) -> Self {
        let others = self.commands.iter().filter(|command| command.needs.iter().all(|need| need.0 != last));
        Self {
            slots: self.slots.clone(),
            commands: others.cloned().collect(),
            lifelines: self.lifelines.clone(),
            press: self.press,
        }
    }

    /// The lifelines not covered in this state, as bits.
    pub fn uncovered(&self, state: &[Class]) -> u64 {
        let covered = self.lifelines.iter().enumerate().map(|(place, line)| (place, line.covered(self, state)));
        covered.filter(|(_, covered)| !covered).fold(0, |set, (place, _)| set | 1 << place)
    }

    /// The same after a command that writes these slots, by what was uncovered before it.
    pub fn uncovered_after(&self, before: u64, writes: Set, after: &[Class]) -> u64 {
        let touched = self.lifelines.iter().enumerate().filter(|(_, line)| line.set & writes != 0);
        touched.fold(before, |set, (place, line)| set & !(1 << place) | u64::from(!line.covered(self, after)) << place)
    }

    /// The model that knows only these slots: whatever else a command needs holds, whatever else it keys is cheapest.
    /// Every script of this model is one of the projection, which costs no more.
    pub fn projected(&self, kept: Set) -> Self {
        let mut local = vec![usize::MAX; self.slots.len()];
        let kept = (0..self.slots.len()).filter(|slot| kept >> slot & 1 == 1);
        let slots: Vec<ModelSlot> = kept
            .enumerate()
            .map(|(place, slot)| {
                local[slot] = place;
                self.slots[slot].clone()
            })
            .collect();
        let commands = self.commands.iter().filter_map(|command| command.projected(self.press, &local)).collect();
        let lifelines = self.lifelines.iter().map(|lifeline| {
            let slots = lifeline.slots.iter().map(|slot| local[*slot]).collect();
            ModelLifeline::new(slots, lifeline.start_counts)
        });
        Self { slots, commands, lifelines: lifelines.collect(), press: self.press }
    }
}

impl ModelCommand {
    /// Slots it can bring to the goal.
    pub fn achieves(&self) -> Set {
        let sets = self.sets.iter().filter(|set| set.1 == GOAL).fold(0, |all: Set, set| all | 1 << set.0);
        let goal = |field: &&ModelField| field.choices.iter().any(|choice| choice.class == GOAL && !choice.held);
        self.fields.iter().filter(goal).fold(sets, |all, field| all | 1 << field.slot)
    }

    /// Slots it may take away from the goal. (What is only keyed while held changes nothing.)
    pub fn may_spoil(&self) -> Set {
        let sets = self.sets.iter().filter(|set| set.1 != GOAL).fold(0, |all: Set, set| all | 1 << set.0);
        let away = |field: &&ModelField| field.choices.iter().any(|choice| choice.class != GOAL && !choice.held);
        self.fields.iter().filter(away).fold(sets, |all, field| all | 1 << field.slot)
    }

    /// Cheapest it can be, without exposure.
    pub fn least(&self, press: Packed) -> Packed {
        let reads = self.reads.iter().map(|read| read.presses.iter().flatten().min());
        let fields = self.fields.iter().map(|field| field.choices.iter().map(|choice| &choice.presses).min());
        let presses: u32 = reads.chain(fields).flatten().sum();
        self.base + press * Packed::from(presses)
    }

    /// Whether it can bring the slot to one of the classes.
    pub fn can_bring(&self, slot: usize, classes: Classes) -> bool {
        let fits = |class: Class| classes >> class & 1 == 1;
        let mut fields = self.fields.iter().filter(|field| field.slot == slot).flat_map(|field| &field.choices);
        self.sets.iter().any(|set| set.0 == slot && fits(set.1)) || fields.any(|choice| fits(choice.class))
    }

    /// `None`: it writes none of the slots kept.
    fn projected(&self, press: Packed, local: &[usize]) -> Option<Self> {
        let kept = |slot: usize| local[slot] != usize::MAX;
        let mut presses = 0;
        for read in self.reads.iter().filter(|read| !kept(read.slot)) {
            presses += read.presses.iter().flatten().min().copied().unwrap_or(0);
        }
        for field in self.fields.iter().filter(|field| !kept(field.slot)) {
            presses += field.choices.iter().map(|choice| choice.presses).min().unwrap_or(0);
        }
        let sets: Vec<(usize, Class)> =
            self.sets.iter().filter(|set| kept(set.0)).map(|set| (local[set.0], set.1)).collect();
        let fields = self.fields.iter().filter(|field| kept(field.slot));
        let fields: Vec<ModelField> =
            fields.map(|field| ModelField { slot: local[field.slot], choices: field.choices.clone() }).collect();
        let writes = sets
            .iter()
            .map(|set| set.0)
            .chain(fields.iter().map(|field| field.slot))
            .fold(0, |set: Set, slot| set | 1 << slot);
        let reads = self.reads.iter().filter(|read| kept(read.slot));
        (writes != 0).then(|| Self {
            origin: self.origin,
            base: self.base + press * Packed::from(presses),
            needs: self.needs.iter().filter(|need| kept(need.0)).map(|need| (local[need.0], need.1)).collect(),
            reads: reads.map(|read| ModelRead { slot: local[read.slot], presses: read.presses.clone() }).collect(),
            sets,
            fields,
            writes,
        })
    }
}

fn press_cost(problem: &Problem) -> Packed {
    pack(Cost { exposure_ms: 0, time_ms: problem.press_ms, presses: 1, commands: 0 })
}

/// The lifelines that a command of the part can touch, with the slots that move. A slot that never moves holds its
/// goal, so that it decides nothing, unless it is not as it was; then being as it was never counts again.
fn lifelines_of(source: &Source, local: &[usize]) -> Vec<ModelLifeline> {
    let problem = source.problem;
    let moves = |slot: &SlotId| source.relevance.moving[*slot];
    let mut lifelines = Vec::new();
    for lifeline in problem.lifelines.iter().filter(|lifeline| lifeline.slots.iter().any(moves)) {
        let holds = |slot: &SlotId| {
            let start = problem.slots[*slot].start;
            start.is_some() && (moves(slot) || source.from[*slot] == start)
        };
        let mut slots: Vec<usize> = lifeline.slots.iter().filter(|slot| moves(slot)).map(|slot| local[*slot]).collect();
        slots.sort_unstable();
        slots.dedup();
        lifelines.push(ModelLifeline::new(slots, lifeline.start_counts && lifeline.slots.iter().all(holds)));
    }
    lifelines
}

/// Everything that can tell the values of one slot apart.
struct Uses<'a> {
    slot: SlotId,
    needs: Vec<Values>,
    reads: Vec<&'a [u32]>,
    fields: Vec<&'a Field>,
    /// The choices of each field that can pay.
    kept: Vec<Vec<&'a Choice>>,
    /// The start, where a lifeline compares with it.
    as_was: Option<u8>,
}

fn uses_of<'a>(source: &Source<'a>, part: &Part, local: &[usize], lifelines: &[ModelLifeline]) -> Vec<Uses<'a>> {
    let problem = source.problem;
    let blank = |slot: &SlotId| Uses {
        slot: *slot,
        needs: Vec::new(),
        reads: Vec::new(),
        fields: Vec::new(),
        kept: Vec::new(),
        as_was: None,
    };
    let mut uses: Vec<Uses> = part.slots.iter().map(blank).collect();
    for lifeline in lifelines {
        for slot in &lifeline.slots {
            if lifeline.start_counts {
                uses[*slot].as_was = problem.slots[uses[*slot].slot].start;
            }
        }
    }
    for id in &part.commands {
        let command = &problem.commands[*id];
        for need in command.needs.iter().filter(|need| local[need.slot] != usize::MAX) {
            let needs = &mut uses[local[need.slot]].needs;
            let values = Values::from(need.values.bits());
            if !needs.contains(&values) {
                needs.push(values);
            }
        }
        for read in command.reads.iter().filter(|read| local[read.slot] != usize::MAX) {
            uses[local[read.slot]].reads.push(&read.presses);
        }
        command.fields.iter().for_each(|field| uses[local[field.slot]].fields.push(field));
    }
    for slot_uses in &mut uses {
        let goal = problem.slots[slot_uses.slot].goal;
        let reach = source.relevance.reach[slot_uses.slot];
        slot_uses.kept = slot_uses.fields.iter().map(|field| slot_uses.paying(goal, reach, field)).collect();
    }
    uses
}

impl<'a> Uses<'a> {
    /// The choices that can pay, cheapest first and the goal first among equals.
    fn paying(&self, goal: u8, reach: Values, field: &'a Field) -> Vec<&'a Choice> {
        let mut order: Vec<&Choice> = field.choices.iter().filter(|choice| reach >> choice.value & 1 == 1).collect();
        order.sort_by_key(|choice| (choice.presses, choice.only_if_held, choice.value != goal));
        let mut kept: Vec<&Choice> = Vec::with_capacity(order.len());
        for choice in order {
            let beats = |other: &&Choice| {
                !other.only_if_held && self.dominates(goal, other.value, choice.value)
                    || other.only_if_held && choice.only_if_held && other.value == choice.value
            };
            if !kept.iter().any(beats) {
                kept.push(choice);
            }
        }
        kept
    }

    /// Same for every need, read and lifeline.
    fn alike(&self, goal: u8, one: u8, other: u8) -> bool {
        let plain = |value: u8| value != goal && Some(value) != self.as_was;
        one == other
            || plain(one)
                && plain(other)
                && self.needs.iter().all(|need| need >> one & 1 == need >> other & 1)
                && self.reads.iter().all(|presses| read_of(presses, one) == read_of(presses, other))
    }

    /// Whether no script can tell the two values apart, once only the kept choices are keyed.
    fn same(&self, goal: u8, one: u8, other: u8) -> bool {
        let held = |field: &[&Choice], value: u8| {
            field.iter().find(|choice| choice.only_if_held && choice.value == value).map(|choice| choice.presses)
        };
        self.alike(goal, one, other) && self.kept.iter().all(|field| held(field, one) == held(field, other))
    }

    /// Whether holding `one` is never worse than holding `other`, whatever follows (`mod.rs` §3).
    fn dominates(&self, goal: u8, one: u8, other: u8) -> bool {
        if one == other {
            return true;
        }
        let matters = other == goal || Some(other) == self.as_was;
        let needs = self.needs.iter().all(|need| need >> other & 1 <= need >> one & 1);
        let reads = self.reads.iter().all(|presses| match (read_of(presses, one), read_of(presses, other)) {
            (_, None) => true,
            (None, Some(_)) => false,
            (Some(one), Some(other)) => one <= other,
        });
        let holds = self.fields.iter().all(|field| match holding(field, other) {
            None => true,
            Some(held) => field.choices.iter().any(|choice| choice.value == one && choice.presses <= held),
        });
        !matters && needs && reads && holds
    }
}

/// Presses of keying this value only while it is held, where it may not be keyed anyway as cheaply.
fn holding(field: &Field, value: u8) -> Option<u32> {
    let of = |held: bool| {
        let choices = field.choices.iter().filter(move |choice| choice.only_if_held == held && choice.value == value);
        choices.map(|choice| choice.presses).min()
    };
    of(true).filter(|held| of(false).is_none_or(|free| *held < free))
}

fn read_of(presses: &[u32], value: u8) -> Option<u32> {
    presses.get(usize::from(value)).copied()
}

/// The classes of one slot's values: the goal alone, then the others by their smallest value, unknown last.
fn merge(source: &Source, uses: &Uses) -> ModelSlot {
    let goal = source.problem.slots[uses.slot].goal;
    let reach = source.relevance.reach[uses.slot];
    let mut class_of = [Class::MAX; UNKNOWN as usize + 1];
    class_of[usize::from(goal)] = GOAL;
    let mut leaders = vec![goal];
    for value in (0..=UNKNOWN).filter(|value| reach >> value & 1 == 1 && *value != goal) {
        let class = leaders.iter().position(|leader| uses.same(goal, *leader, value)).unwrap_or(leaders.len());
        if class == leaders.len() {
            leaders.push(value);
        }
        class_of[usize::from(value)] = class as Class;
    }
    let class = |value: Option<u8>| class_of[usize::from(value.unwrap_or(UNKNOWN))];
    ModelSlot {
        origin: uses.slot,
        from: class(source.from[uses.slot]),
        classes: leaders.len() as u8,
        as_was: uses.as_was.map(|value| class(Some(value))),
        class_of,
    }
}

impl ModelSlot {
    pub fn class(&self, value: Option<u8>) -> Class {
        self.class_of[usize::from(value.unwrap_or(UNKNOWN))]
    }

    pub fn classes_in(&self, values: Values) -> Classes {
        (0..=UNKNOWN)
            .filter(|value| values >> value & 1 == 1 && self.class_of[usize::from(*value)] != Class::MAX)
            .fold(0, |set, value| set | 1 << self.class_of[usize::from(value)])
    }
}

fn command_of(source: &Source, id: CommandId, local: &[usize], uses: &[Uses], slots: &[ModelSlot]) -> ModelCommand {
    let problem = source.problem;
    let command = &problem.commands[id];
    let moves = |slot: SlotId| local[slot] != usize::MAX;
    let mut presses = u64::from(command.base_presses);
    for read in command.reads.iter().filter(|read| !moves(read.slot)) {
        presses += source.from[read.slot].map_or(0, |value| u64::from(read.presses[usize::from(value)]));
    }
    let time_ms = problem.time_ms(id, presses);
    let needs = command.needs.iter().filter(|need| moves(need.slot)).map(|need| {
        let slot = local[need.slot];
        (slot, slots[slot].classes_in(Values::from(need.values.bits())))
    });
    let reads = command.reads.iter().filter(|read| moves(read.slot)).map(|read| {
        let slot = local[read.slot];
        ModelRead { slot, presses: by_class(&slots[slot], &read.presses) }
    });
    let field = |field: &Field| {
        let slot = local[field.slot];
        let place = uses[slot].fields.iter().position(|other| std::ptr::eq(*other, field)).unwrap_or(0);
        field_of(&uses[slot].kept[place], slot, &slots[slot])
    };
    let fields: Vec<ModelField> = command.fields.iter().map(field).collect();
    let sets = source.writes[id]
        .iter()
        .map(|write| (local[write.slot], write.may))
        .filter(|(slot, _)| !fields.iter().any(|field| field.slot == *slot));
    ModelCommand {
        origin: id,
        base: pack(Cost { exposure_ms: 0, time_ms, presses, commands: 1 }),
        needs: needs.collect(),
        reads: reads.collect(),
        sets: sets.map(|(slot, may)| (slot, slots[slot].class_of[may.trailing_zeros() as usize])).collect(),
        writes: source.writes[id].iter().fold(0, |set, write| set | 1 << local[write.slot]),
        fields,
    }
}

fn by_class(slot: &ModelSlot, presses: &[u32]) -> Vec<Option<u32>> {
    let mut by_class = vec![None; usize::from(slot.classes)];
    for (value, presses) in presses.iter().enumerate() {
        if let Some(entry) = by_class.get_mut(usize::from(slot.class_of[value])) {
            *entry = Some(*presses);
        }
    }
    by_class
}

/// The kept choices of a field, by class; at most one a class that may always be keyed, and one while held.
fn field_of(kept: &[&Choice], local: usize, slot: &ModelSlot) -> ModelField {
    let mut choices: Vec<ModelChoice> = Vec::with_capacity(kept.len());
    for choice in kept {
        let class = slot.class(Some(choice.value));
        if !choices.iter().any(|other| other.class == class && other.held == choice.only_if_held) {
            choices.push(ModelChoice { class, presses: choice.presses, held: choice.only_if_held });
        }
    }
    ModelField { slot: local, choices }
}
