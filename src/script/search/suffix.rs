//! The suffix of a script: commands that may always come last, found backwards from the goal (`mod.rs` §4).
//! It knows nothing of lifelines: whatever it places runs while all of them are covered.

use super::budget::Purse;
use super::model::{Classes, GOAL, Model, ModelCommand, Set, members};
use super::packed::Packed;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, HashMap};

/// The slots and commands that are settled after everything else.
pub(super) struct Suffix {
    /// Slots that only matter for being at their goal in the end.
    pub leaves: Set,
    /// Commands that may come last.
    pub commands: Set,
    pub parts: Vec<SuffixPart>,
}

/// Commands of the suffix that share slots.
pub(super) struct SuffixPart {
    pub slots: Set,
    /// The slots a suffix command can bring to the goal.
    pub achieves: Set,
    commands: Vec<SuffixCommand>,
    /// For each slot the commands (their places) that can bring it to its goal, with what that costs beyond their least.
    ways: Vec<(usize, Vec<(usize, Packed)>)>,
    /// Answers by which slots are at their goal before the suffix, and how many bytes they take.
    known: HashMap<Set, Option<Settled>>,
    bytes: usize,
}

/// How the suffix settles what is left.
struct Settled {
    cost: SuffixCost,
    /// Nothing where the budget ran out before any way was found.
    steps: Option<Vec<SuffixStep>>,
}

/// What the suffix costs, or a bound on it where the budget ran out.
#[derive(Clone, Copy)]
pub(super) struct SuffixCost {
    pub least: Packed,
    pub exact: bool,
}

struct SuffixCommand {
    id: usize,
    /// Cost where no slot is wanted.
    least: Packed,
    /// Slots it writes, slots it can bring to the goal, and slots it cannot.
    writes: Set,
    achieves: Set,
    spoils: Set,
    /// What bringing a slot to its goal costs beyond the cheapest thing keyed there.
    extra: Vec<(usize, Packed)>,
    /// Slots of which that is more than nothing and that other commands can bring to their goal too.
    dear: Set,
}

/// A command of the suffix and the slots it must bring to the goal.
#[derive(Clone, Copy)]
pub(super) struct SuffixStep {
    pub command: usize,
    pub wanted: Set,
}

/// For each set of wanted slots: the least cost known, the set it was reached from and the command (its place).
type Ways = BTreeMap<Set, (Packed, Option<(Set, usize)>)>;

/// Sets of wanted slots still to be looked at: the least total, then the youngest, with the cost so far.
type Open = BinaryHeap<(Reverse<Packed>, u64, Set, Packed)>;

/// So many of them take as long as a state of the best-first search.
const SETS: u64 = 8;

/// About the bytes that a set of wanted slots takes in both.
const SET_BYTES: usize = 192;

fn has(set: Set, member: usize) -> bool {
    set >> member & 1 == 1
}

impl Suffix {
    pub fn of(model: &Model) -> Self {
        let leaves = leaves_of(model);
        let commands = commands_of(model, leaves);
        Self { leaves, commands, parts: parts_of(model, commands) }
    }

    /// Least cost of the suffix where these slots are at their goal before it; `None`: it cannot land.
    pub fn cost(&mut self, at_goal: Set, purse: &mut Purse) -> Option<SuffixCost> {
        self.parts.iter_mut().try_fold(SuffixCost { least: 0, exact: true }, |sum, part| {
            let own = part.solve(at_goal & part.slots, purse)?.cost;
            Some(SuffixCost { least: sum.least + own.least, exact: sum.exact && own.exact })
        })
    }

    /// The steps of the suffix, first to last; `None`: no way is known.
    pub fn steps(&mut self, at_goal: Set, purse: &mut Purse) -> Option<Vec<SuffixStep>> {
        let mut steps = Vec::new();
        for part in &mut self.parts {
            steps.extend(part.solve(at_goal & part.slots, purse)?.steps.as_ref()?);
        }
        Some(steps)
    }

    /// Bytes of what is known of it.
    pub fn bytes(&self) -> usize {
        self.parts.iter().map(|part| part.bytes).sum()
    }
}

/// Slots in no lifeline, no need and no read, with nothing to gain from holding, and only "goal" and "not" to tell apart.
fn leaves_of(model: &Model) -> Set {
    let mut leaves =
        (0..model.slots.len()).filter(|slot| model.slots[*slot].classes <= 2).fold(0, |set: Set, slot| set | 1 << slot);
    for lifeline in &model.lifelines {
        lifeline.slots.iter().for_each(|slot| leaves &= !(1 << slot));
    }
    for command in &model.commands {
        command.needs.iter().for_each(|need| leaves &= !(1 << need.0));
        command.reads.iter().for_each(|read| leaves &= !(1 << read.slot));
        for field in command.fields.iter().filter(|field| field.choices.iter().any(|choice| choice.held)) {
            leaves &= !(1 << field.slot);
        }
    }
    leaves
}

fn commands_of(model: &Model, leaves: Set) -> Set {
    let fits = |command: &ModelCommand| {
        let needs = command.needs.iter().all(|need: &(usize, Classes)| need.1 >> GOAL & 1 == 1);
        let reads = command.reads.iter().all(|read| {
            let least = read.presses.iter().flatten().min();
            read.presses[usize::from(GOAL)].is_some() && read.presses[usize::from(GOAL)].as_ref() == least
        });
        command.writes & !leaves == 0 && needs && reads
    };
    let mut suffix =
        (0..model.commands.len()).filter(|id| fits(&model.commands[*id])).fold(0, |set: Set, id| set | 1 << id);
    loop {
        let others = (0..model.commands.len()).filter(|id| !has(suffix, *id));
        let by_others = others.fold(0, |set, id| set | model.commands[id].achieves());
        let keep = members(suffix).filter(|id| model.commands[*id].may_spoil() & by_others == 0);
        let kept = keep.fold(0, |set: Set, id| set | 1 << id);
        if kept == suffix {
            return suffix;
        }
        suffix = kept;
    }
}

fn parts_of(model: &Model, commands: Set) -> Vec<SuffixPart> {
    let mut groups: Vec<(Set, Vec<usize>)> = Vec::new();
    for id in members(commands) {
        let mut slots = model.commands[id].writes;
        let mut ids = vec![id];
        groups.retain_mut(|(other, others)| {
            let apart = *other & slots == 0;
            if !apart {
                slots |= *other;
                ids.append(others);
            }
            apart
        });
        ids.sort_unstable();
        groups.push((slots, ids));
    }
    groups.sort_by_key(|(_, ids)| ids[0]);
    groups.into_iter().map(|(slots, ids)| SuffixPart::new(model, slots, &ids)).collect()
}

fn suffix_command(model: &Model, id: usize) -> SuffixCommand {
    let command = &model.commands[id];
    let mut presses: u32 = command.reads.iter().map(|read| read.presses[usize::from(GOAL)].unwrap_or(0)).sum();
    let mut extra = Vec::new();
    for field in &command.fields {
        let least = field.choices.iter().map(|choice| choice.presses).min().unwrap_or(0);
        presses += least;
        if let Some(goal) = field.choices.iter().find(|choice| choice.class == GOAL) {
            extra.push((field.slot, model.press * Packed::from(goal.presses - least)));
        }
    }
    let achieves = command.achieves();
    SuffixCommand {
        id,
        least: command.base + model.press * Packed::from(presses),
        writes: command.writes,
        achieves,
        spoils: command.writes & !achieves,
        extra,
        dear: 0,
    }
}

impl SuffixCommand {
    fn cost(&self, wanted: Set) -> Packed {
        self.extra.iter().filter(|(slot, _)| has(wanted, *slot)).fold(self.least, |sum, (_, extra)| sum + extra)
    }
}

impl SuffixPart {
    fn new(model: &Model, slots: Set, ids: &[usize]) -> Self {
        let mut commands: Vec<SuffixCommand> = ids.iter().map(|id| suffix_command(model, *id)).collect();
        let achieves = commands.iter().fold(0, |set, command| set | command.achieves);
        let extra = |command: &SuffixCommand, slot: usize| {
            command.extra.iter().find(|(other, _)| *other == slot).map_or(0, |(_, extra)| *extra)
        };
        let ways: Vec<(usize, Vec<(usize, Packed)>)> = members(slots)
            .map(|slot| {
                let ways = commands.iter().enumerate().filter(|(_, command)| has(command.achieves, slot));
                (slot, ways.map(|(place, command)| (place, extra(command, slot))).collect())
            })
            .collect();
        for (slot, ways) in &ways {
            let dear = ways.iter().filter(|(_, extra)| ways.len() > 1 && *extra > 0);
            dear.for_each(|(place, _)| commands[*place].dear |= 1 << slot);
        }
        Self { slots, achieves, commands, ways, known: HashMap::new(), bytes: 0 }
    }

    fn solve(&mut self, at_goal: Set, purse: &mut Purse) -> Option<&Settled> {
        if !self.known.contains_key(&at_goal) {
            let answer = self.search(at_goal, purse);
            let steps = answer.as_ref().and_then(|settled| settled.steps.as_ref()).map_or(0, Vec::len);
            self.bytes += SET_BYTES + steps * size_of::<SuffixStep>();
            self.known.insert(at_goal, answer);
        }
        self.known.get(&at_goal)?.as_ref()
    }

    /// A* over the slots still wanted, from all of them, last command first.
    fn search(&self, at_goal: Set, purse: &mut Purse) -> Option<Settled> {
        let mut search = Backwards { part: self, at_goal, best: Ways::new(), open: Open::new(), serial: 0, owed: 0 };
        search.best.insert(self.slots, (0, None));
        search.open.push((Reverse(self.bound(self.slots & !at_goal)?), 0, self.slots, 0));
        while let Some((Reverse(least), _, wanted, cost)) = search.open.pop() {
            if wanted & !at_goal == 0 {
                let steps = Some(self.trace(&search.best, wanted));
                return Some(Settled { cost: SuffixCost { least: cost, exact: true }, steps });
            }
            let empty = purse.is_empty() || (search.best.len() + search.open.len()) * SET_BYTES > purse.bytes;
            if empty {
                search.open.push((Reverse(least), 0, wanted, cost));
                let steps = search.hurry(purse);
                return Some(Settled { cost: SuffixCost { least, exact: false }, steps });
            }
            purse.pay(search.expand(wanted, cost, false));
        }
        None
    }

    fn trace(&self, best: &Ways, mut wanted: Set) -> Vec<SuffixStep> {
        let mut steps = Vec::new();
        while let Some((before, place)) = best[&wanted].1 {
            steps.push(SuffixStep { command: self.commands[place].id, wanted: before & self.commands[place].achieves });
            wanted = before;
        }
        steps
    }

    /// The commands to try as the last one: the ways to settle one slot where that is enough, else all that can be last.
    fn last_commands(&self, wanted: Set, at_goal: Set) -> Vec<usize> {
        let mut fewest: Option<&Vec<(usize, Packed)>> = None;
        for (_, ways) in self.ways.iter().filter(|(slot, _)| has(wanted & !at_goal, *slot)) {
            let better = fewest.is_none_or(|fewest| ways.len() < fewest.len());
            if better && ways.iter().all(|(place, _)| self.may_be_last(*place, wanted)) {
                fewest = Some(ways);
            }
        }
        if let Some(fewest) = fewest {
            return fewest.iter().map(|(place, _)| *place).collect();
        }
        let fits =
            |place: &usize| self.commands[*place].achieves & wanted != 0 && self.commands[*place].spoils & wanted == 0;
        (0..self.commands.len()).filter(fits).collect()
    }

    /// Whether moving the command's last use to the end costs nothing (`mod.rs` §4).
    fn may_be_last(&self, place: usize, wanted: Set) -> bool {
        let command = &self.commands[place];
        command.spoils & wanted == 0 && command.dear & wanted == 0
    }

    /// Lower bound: each missing slot takes what its cheapest command has left.
    fn bound(&self, missing: Set) -> Option<Packed> {
        let mut rest: Vec<Packed> = self.commands.iter().map(|command| command.least).collect();
        let mut total = 0;
        for (_, ways) in self.ways.iter().filter(|(slot, _)| has(missing, *slot)) {
            let share = ways.iter().map(|(place, extra)| rest[*place] + extra).min()?;
            total += share;
            ways.iter().for_each(|(place, extra)| rest[*place] -= share.saturating_sub(*extra));
        }
        Some(total)
    }
}

/// One search of a suffix part.
struct Backwards<'a> {
    part: &'a SuffixPart,
    at_goal: Set,
    best: Ways,
    open: Open,
    serial: u64,
    /// Sets looked at that are not paid for yet.
    owed: u64,
}

impl Backwards<'_> {
    /// Goes on from a set of wanted slots; `near`: to what has the least left. What is to be paid for it.
    fn expand(&mut self, wanted: Set, cost: Packed, near: bool) -> u64 {
        if self.best[&wanted].0 < cost {
            return 0;
        }
        self.owed += 1;
        for place in self.part.last_commands(wanted, self.at_goal) {
            let command = &self.part.commands[place];
            let (next, sum) = (wanted & !command.writes, cost + command.cost(wanted & command.achieves));
            if self.best.get(&next).is_some_and(|known| known.0 <= sum) {
                continue;
            }
            self.owed += 1;
            let Some(bound) = self.part.bound(next & !self.at_goal) else { continue };
            self.best.insert(next, (sum, Some((wanted, place))));
            self.serial += 1;
            self.open.push((Reverse(if near { bound } else { sum + bound }), self.serial, next, sum));
        }
        let paid = self.owed / SETS;
        self.owed %= SETS;
        paid
    }

    /// Past the budget: any way at all.
    fn hurry(&mut self, purse: &mut Purse) -> Option<Vec<SuffixStep>> {
        let entries: Vec<(Set, Packed)> = self.open.drain().map(|(_, _, wanted, cost)| (wanted, cost)).collect();
        for (wanted, cost) in entries {
            self.serial += 1;
            let bound = self.part.bound(wanted & !self.at_goal)?;
            self.open.push((Reverse(bound), self.serial, wanted, cost));
        }
        while let Some((_, _, wanted, cost)) = self.open.pop() {
            if wanted & !self.at_goal == 0 {
                return Some(self.part.trace(&self.best, wanted));
            }
            let owed = self.expand(wanted, cost, true);
            if !purse.spares(owed) {
                return None;
            }
        }
        None
    }
}
