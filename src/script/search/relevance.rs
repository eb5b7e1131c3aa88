//! Which commands a best script can use at all, and which parts of the problem have nothing to do with each other.
//! It only leaves out what provably changes no best cost; it never decides an order.

use super::effects::{Values, Write, bit, known};
use crate::script::problem::{Choice, Command, CommandId, Field, Need, Problem, SlotId, State};

/// Facts found before any search.
pub(super) struct Relevance {
    /// Values each slot can take, when every command that can ever be accepted is counted as used.
    pub reach: Vec<Values>,
    /// Whether a command can ever be accepted (in that same generous view).
    pub usable: Vec<bool>,
    /// Whether a best script may use the command.
    pub relevant: Vec<bool>,
    /// Whether a relevant command writes the slot.
    pub moving: Vec<bool>,
}

/// What a script is for.
pub(super) enum Target<'a> {
    /// Every slot at its goal.
    Goals,
    /// The last reset: whatever it needs, and whatever these slots are to hold before it.
    Reset(&'a [bool]),
}

/// What relevance is asked about.
pub(super) struct Question<'a> {
    pub problem: &'a Problem,
    /// Each command's net effects.
    pub writes: &'a [Vec<Write>],
    /// What the station holds.
    pub from: &'a State,
    /// Slots that may hold anything instead.
    pub loose: &'a [SlotId],
    /// The commands that may be used.
    pub allowed: &'a [bool],
    /// What is asked for.
    pub target: Target<'a>,
    /// Commands that are to be used in any case.
    pub seeds: &'a [CommandId],
}

impl Relevance {
    pub fn of(question: &Question) -> Self {
        let (reach, usable) = lasting(question);
        let relevant = Backward::new(question, &reach, &usable).run();
        let Question { problem, writes, .. } = question;
        let mut moving = vec![false; problem.slots.len()];
        for (id, writes) in writes.iter().enumerate().filter(|(id, _)| relevant[*id]) {
            debug_assert!(usable[id]);
            writes.iter().for_each(|write| moving[write.slot] = true);
        }
        Self { reach, usable, relevant, moving }
    }

    /// Whether some goal is out of reach of all usable commands.
    pub fn is_hopeless(&self, problem: &Problem) -> bool {
        (0..problem.slots.len()).any(|slot| self.reach[slot] & bit(Some(problem.slots[slot].goal)) == 0)
    }
}

/// Values and commands that can be reached, without commands after which nothing ends well.
fn lasting(question: &Question) -> (Vec<Values>, Vec<bool>) {
    let mut allowed = question.allowed.to_vec();
    loop {
        let (reach, usable) = forward(question.problem, question.writes, question.from, question.loose, &allowed);
        let closable = match question.target {
            Target::Goals => closable(question, &usable),
            Target::Reset(_) => usable.clone(),
        };
        if closable == usable {
            return (reach, usable);
        }
        allowed = closable;
    }
}

/// The usable commands of which a script may key the last use: what one leaves away from the goal, another brings back
/// whose last use comes later. The last of all leaves nothing away.
fn closable(question: &Question, usable: &[bool]) -> Vec<bool> {
    let Question { problem, writes, .. } = question;
    let goal = |slot: SlotId| bit(Some(problem.slots[slot].goal));
    // Slots that something closable can bring to their goal.
    let mut restored = vec![false; problem.slots.len()];
    let mut closable = vec![false; usable.len()];
    loop {
        let mut changed = false;
        for id in (0..usable.len()).filter(|id| usable[*id]) {
            if !closable[id] && left_away(problem, &writes[id], id).all(|slot| restored[slot]) {
                (closable[id], changed) = (true, true);
                let brings = writes[id].iter().filter(|write| write.may & goal(write.slot) != 0);
                brings.for_each(|write| restored[write.slot] = true);
            }
        }
        if !changed {
            return closable;
        }
    }
}

/// Slots that are away from their goal after the command, however it is keyed.
fn left_away<'a>(problem: &'a Problem, writes: &'a [Write], id: CommandId) -> impl Iterator<Item = SlotId> + 'a {
    let goal = |slot: SlotId| problem.slots[slot].goal;
    let written = writes.iter().filter(move |write| write.may & bit(Some(goal(write.slot))) == 0);
    let needed = problem.commands[id].needs.iter().filter(move |need| {
        !need.values.contains(goal(need.slot)) && writes.iter().all(|write| write.slot != need.slot)
    });
    written.map(|write| write.slot).chain(needed.map(|need| need.slot))
}

/// Values and commands that can be reached with the allowed commands when nothing ever spoils anything; `loose` slots may
/// hold anything.
pub(super) fn forward(
    problem: &Problem,
    writes: &[Vec<Write>],
    from: &State,
    loose: &[SlotId],
    allowed: &[bool],
) -> (Vec<Values>, Vec<bool>) {
    let mut reach: Vec<Values> = from.iter().map(|value| bit(*value)).collect();
    loose.iter().for_each(|slot| reach[*slot] = !0);
    let mut usable = vec![false; problem.commands.len()];
    loop {
        let mut changed = false;
        for (id, command) in problem.commands.iter().enumerate() {
            if usable[id] || !allowed[id] || !may_be_accepted(command, &reach) {
                continue;
            }
            usable[id] = true;
            changed = true;
            for write in &writes[id] {
                let field = command.fields.iter().find(|field| field.slot == write.slot);
                reach[write.slot] |= field.map_or(write.may, |field| {
                    field
                        .choices
                        .iter()
                        .filter(|c| !c.only_if_held)
                        .fold(0, |may, choice| may | bit(Some(choice.value)))
                });
            }
        }
        if !changed {
            return (reach, usable);
        }
    }
}

/// Whether a command is accepted for some of the values that each slot can take.
fn may_be_accepted(command: &Command, reach: &[Values]) -> bool {
    let needs = |need: &Need| reach[need.slot] & Values::from(need.values.bits()) != 0;
    let fields = |field: &Field| {
        let open = |choice: &Choice| !choice.only_if_held || reach[field.slot] & bit(Some(choice.value)) != 0;
        field.choices.iter().any(open)
    };
    command.needs.iter().all(needs)
        && command.reads.iter().all(|read| reach[read.slot] & known() != 0)
        && command.fields.iter().all(fields)
}

/// The backward closure: from goals to the commands that bring them about, to what those need and what they spoil.
struct Backward<'a> {
    question: &'a Question<'a>,
    usable: &'a [bool],
    relevant: Vec<bool>,
    /// What relevant commands may leave in each slot.
    may: Vec<Values>,
    /// For each slot the values whose writers are already relevant.
    asked: Vec<Values>,
    /// For each slot the usable commands that write it.
    writers: Vec<Vec<(CommandId, Values)>>,
    lifeline_asked: Vec<bool>,
}

impl<'a> Backward<'a> {
    fn new(question: &'a Question<'a>, reach: &'a [Values], usable: &'a [bool]) -> Self {
        let Question { problem, writes, .. } = question;
        let slots = problem.slots.len();
        let mut writers = vec![Vec::new(); slots];
        for (id, list) in writes.iter().enumerate().filter(|(id, _)| usable[*id]) {
            for write in list {
                writers[write.slot].push((id, write.may & reach[write.slot]));
            }
        }
        Self {
            question,
            usable,
            relevant: vec![false; problem.commands.len()],
            may: vec![0; slots],
            asked: vec![0; slots],
            writers,
            lifeline_asked: vec![false; problem.lifelines.len()],
        }
    }

    fn run(mut self) -> Vec<bool> {
        let seeds: Vec<CommandId> = self.question.seeds.iter().copied().filter(|id| self.usable[*id]).collect();
        seeds.into_iter().for_each(|id| self.take(id));
        loop {
            let before = (self.relevant.iter().filter(|yes| **yes).count(), self.asked.clone());
            self.ask_for_goals();
            self.ask_for_commands();
            self.ask_for_lifelines();
            if before == (self.relevant.iter().filter(|yes| **yes).count(), self.asked.clone()) {
                return self.relevant;
            }
        }
    }

    /// Makes every usable command relevant that may leave one of the values in the slot.
    fn ask(&mut self, slot: SlotId, values: Values) {
        let fresh = values & !self.asked[slot];
        if fresh == 0 {
            return;
        }
        self.asked[slot] |= fresh;
        for place in 0..self.writers[slot].len() {
            let (id, may) = self.writers[slot][place];
            if may & fresh != 0 {
                self.take(id);
            }
        }
    }

    fn take(&mut self, id: CommandId) {
        if !self.relevant[id] {
            self.relevant[id] = true;
            for write in &self.question.writes[id] {
                self.may[write.slot] |= write.may;
            }
        }
    }

    /// Whether the slot holds one of the values now and no relevant command can leave another.
    fn stays(&self, slot: SlotId, values: Values) -> bool {
        (bit(self.question.from[slot]) | self.may[slot]) & !values == 0
    }

    fn ask_for_goals(&mut self) {
        for slot in 0..self.question.problem.slots.len() {
            let goal = bit(Some(self.question.problem.slots[slot].goal));
            match self.question.target {
                Target::Goals if !self.stays(slot, goal) => self.ask(slot, goal),
                Target::Reset(kept) if kept[slot] => self.ask(slot, !0),
                Target::Goals | Target::Reset(_) => {}
            }
        }
    }

    fn ask_for_commands(&mut self) {
        for id in (0..self.question.problem.commands.len()).filter(|id| self.usable[*id]) {
            if !self.relevant[id] {
                continue;
            }
            let command = &self.question.problem.commands[id];
            for need in &command.needs {
                let values = Values::from(need.values.bits());
                if !self.stays(need.slot, values) {
                    self.ask(need.slot, values);
                }
            }
            // The presses of a read depend on the value, so every way to change it may matter.
            command.reads.iter().for_each(|read| self.ask(read.slot, !0));
            for field in &command.fields {
                for choice in field.choices.iter().filter(|choice| pays_to_hold(field, choice)) {
                    self.ask(field.slot, bit(Some(choice.value)));
                }
            }
        }
    }

    fn ask_for_lifelines(&mut self) {
        let problem = self.question.problem;
        for (place, lifeline) in problem.lifelines.iter().enumerate() {
            let touched = lifeline.slots.iter().any(|slot| self.may[*slot] != 0);
            if self.lifeline_asked[place] || (!touched && problem.covers(lifeline, self.question.from)) {
                continue;
            }
            self.lifeline_asked[place] = true;
            for slot in lifeline.slots.clone() {
                let record = &problem.slots[slot];
                let as_was = if lifeline.start_counts { bit(record.start) } else { 0 };
                self.ask(slot, as_was | bit(Some(record.goal)));
            }
        }
    }
}

/// Whether a value that may be keyed only while held is not allowed anyway, as cheaply.
fn pays_to_hold(field: &Field, held: &Choice) -> bool {
    let same = |choice: &&Choice| !choice.only_if_held && choice.value == held.value && choice.presses <= held.presses;
    held.only_if_held && !field.choices.iter().any(|choice| same(&choice))
}

/// A set of slots and commands that shares neither with any other.
pub(super) struct Part {
    pub slots: Vec<SlotId>,
    pub commands: Vec<CommandId>,
    /// Whether the lifelines are in it, so that its order matters.
    pub has_lifelines: bool,
}

/// Splits the relevant commands into parts; those that lifelines hang on are kept together, in one part.
pub(super) fn parts(problem: &Problem, writes: &[Vec<Write>], relevance: &Relevance) -> Vec<Part> {
    let mut groups = Groups::new(problem.slots.len());
    let lifelines = || problem.lifelines.iter().filter(|l| l.slots.iter().any(|slot| relevance.moving[*slot]));
    let relevant: Vec<CommandId> = (0..problem.commands.len()).filter(|id| relevance.relevant[*id]).collect();
    for id in &relevant {
        let first = writes[*id].first().map(|write| write.slot);
        let Some(first) = first else { continue };
        touched(problem, writes, *id).filter(|slot| relevance.moving[*slot]).for_each(|slot| groups.join(first, slot));
    }
    let exposed: Vec<SlotId> =
        lifelines().flat_map(|l| l.slots.iter().copied()).filter(|s| relevance.moving[*s]).collect();
    exposed.iter().for_each(|slot| groups.join(exposed[0], *slot));
    let exposed = exposed.first().map(|slot| groups.root(*slot));
    let mut place = vec![usize::MAX; problem.slots.len()];
    let mut parts: Vec<Part> = Vec::new();
    for slot in (0..problem.slots.len()).filter(|slot| relevance.moving[*slot]) {
        let root = groups.root(slot);
        if place[root] == usize::MAX {
            place[root] = parts.len();
            parts.push(Part { slots: Vec::new(), commands: Vec::new(), has_lifelines: exposed == Some(root) });
        }
        parts[place[root]].slots.push(slot);
    }
    for id in relevant {
        if let Some(write) = writes[id].first() {
            parts[place[groups.root(write.slot)]].commands.push(id);
        }
    }
    parts.sort_by_key(|part| (!part.has_lifelines, part.commands.first().copied()));
    parts
}

/// Every slot that the command writes, needs or reads.
fn touched<'a>(problem: &'a Problem, writes: &'a [Vec<Write>], id: CommandId) -> impl Iterator<Item = SlotId> + 'a {
    let command = &problem.commands[id];
    let writes = writes[id].iter().map(|write| write.slot);
    let needs = command.needs.iter().map(|need| need.slot);
    let reads = command.reads.iter().map(|read| read.slot);
    writes.chain(needs).chain(reads)
}

/// Disjoint groups of slots.
struct Groups(Vec<SlotId>);

impl Groups {
    fn new(count: usize) -> Self {
        Self((0..count).collect())
    }

    fn root(&mut self, mut slot: SlotId) -> SlotId {
        while self.0[slot] != slot {
            self.0[slot] = self.0[self.0[slot]];
            slot = self.0[slot];
        }
        slot
    }

    /// The smaller root stays, so that the outcome does not depend on the order of joining.
    fn join(&mut self, one: SlotId, other: SlotId) {
        let (one, other) = (self.root(one), self.root(other));
        self.0[one.max(other)] = one.min(other);
    }
}
