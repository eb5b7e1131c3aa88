//! Why there is no script: which settings cannot be reached, which rule stops each, and what to say in the inventory
//! to get on. It names rules of the keybook that fail in every script, and settings that are proved to conflict, those
//! among them that are right now and would be lost; it never guesses.

use std::cmp::Reverse;
use std::fmt;

use crate::drift::value_text;
use crate::finding::plural;
use crate::inventory::Station;
use crate::keybook::{Command, Keybook, SettingId};
use crate::setting::{Name, Value};

use super::conflicts::{self, Conflict};
use super::dead::Dead;
use super::problem::ProblemError;
use super::proof::ProofError;
use super::search::{Stop, UnreachableGoal};
use super::task::Task;

/// Why a station gets no script.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoScript {
    /// Settings that cannot be brought to what is wanted, in the keybook's order.
    #[error("no script reaches what is wanted:\n{}", lines(.0))]
    Unreachable(Vec<Stuck>),
    #[error("the keybook is so entangled that no script was found within the search's budget; none may exist")]
    GaveUp,
    /// More than [`Problem::check`](super::problem::Problem::check) allows; no keybook that is found sound is.
    #[error("nothing was searched: the keybook is larger than the search takes on ({0})")]
    TooLarge(#[from] ProblemError),
    #[error(
        "\"{command}\" takes {call_ms} ms with opening and closing, and the station hangs up after {limit_ms} ms: compare \
         \"limit_ms\" and \"timing\" with the manual, or want a shorter value"
    )]
    CallTooShort { command: Name, call_ms: u64, limit_ms: u64 },
    #[error(
        "nobody knows a value that opening a call needs: say in the inventory what it should be, or report what it is"
    )]
    NoOpening,
    /// Its keys are invented.
    #[error(
        "the keybook \"{model}\" is the example: its keys open no station. Write the keys of the model from its manual first: \
         \"stationkeep guide keybook\""
    )]
    Example { model: Name },
    /// It would leave a button that calls nobody.
    #[error("{0}")]
    Dead(Dead),
    /// Keying known settings again would need a worse script than leaving some of them out.
    #[error(
        "keying these settings again would leave a button out of service, or no order of commands does it. Leave out {}",
        .leave_out.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(" and ")
    )]
    Renewals { leave_out: Vec<Name> },
    /// The proof failed: a fault of this program, never to be keyed.
    #[error("the script was held back, since keying it into a simulated station went wrong: {0}")]
    Unproved(#[from] ProofError),
    /// The search contradicts itself: a fault of this program, never to be keyed.
    #[error("the script was held back, since it does not do what was asked: {0}")]
    Unsound(String),
}

fn lines(stuck: &[Stuck]) -> String {
    stuck.iter().map(Stuck::to_string).collect::<Vec<_>>().join("\n")
}

/// A setting that no script brings to what is wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stuck {
    /// Its name in the keybook.
    pub setting: Name,
    /// What the inventory wants it to hold.
    pub wanted: Value,
    /// What stands in the way; never empty.
    pub rules: Vec<Rule>,
}

/// A rule that stops every script.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// No command of the keybook stores the value.
    NothingStores {
        /// The setting that is stuck.
        setting: Name,
    },
    /// The command might help, but has to do with a setting that is neither managed nor known.
    PartnerUnknown {
        /// Its name in the keybook.
        command: Name,
        /// The setting that nobody knows.
        partner: Name,
        /// The station, where a way back sets that right.
        back: Option<Name>,
    },
    /// The command needs a setting to hold one of some values, and nothing that can be keyed brings it there.
    NeedNever {
        /// Its name in the keybook.
        command: Name,
        /// The setting that it needs.
        setting: Name,
        /// The values that would do, as people see them.
        values: Vec<String>,
        /// What it holds, as people see it; `None`: nobody knows.
        held: Option<String>,
        /// Whether the keybook has a command that stores one of the values.
        stored: bool,
    },
    /// The command keys what a setting holds now, and nothing makes that known.
    HeldUnknown {
        /// Its name in the keybook.
        command: Name,
        /// The setting whose value it keys.
        setting: Name,
    },
    /// The command also stores a setting for which no value may be keyed.
    NothingToKey {
        /// Its name in the keybook.
        command: Name,
        /// The setting that it stores besides.
        setting: Name,
    },
    /// No order of commands brings it there and ends with these too.
    NotBeside {
        /// How other settings have to end.
        others: Vec<Beside>,
        /// Wanting some other value of one of these leaves room for the rest.
        otherwise: Vec<Name>,
        /// Leaving one of these alone does so too.
        alone: Vec<Name>,
    },
}

/// Most settings named beside another; so many are only there where the search did not find out which of them matter.
const MOST_NAMED: usize = 8;

/// A setting beside which another wish cannot be reached.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Beside {
    /// Its name in the keybook.
    pub setting: Name,
    /// How it has to end.
    pub value: String,
    /// Whether it holds that now.
    pub held: bool,
    /// Whether the inventory wants anything of it.
    pub managed: bool,
}

impl Rule {
    /// Whether it stops a script only because nobody knows what some setting holds.
    pub fn is_for_want_of_knowledge(&self) -> bool {
        match self {
            Rule::PartnerUnknown { .. } | Rule::HeldUnknown { .. } => true,
            Rule::NothingStores { .. }
            | Rule::NeedNever { .. }
            | Rule::NothingToKey { .. }
            | Rule::NotBeside { .. } => false,
        }
    }

    /// The setting that nobody knows, and where to say that a way back sets it right.
    pub(super) fn way_back(&mut self) -> Option<(&Name, &mut Option<Name>)> {
        match self {
            Rule::PartnerUnknown { partner, back, command: _ } => Some((partner, back)),
            Rule::NothingStores { .. }
            | Rule::NeedNever { .. }
            | Rule::HeldUnknown { .. }
            | Rule::NothingToKey { .. }
            | Rule::NotBeside { .. } => None,
        }
    }

    /// What to do about it; each begins a sentence.
    pub fn fix(&self) -> String {
        match self {
            Rule::NothingStores { setting } => {
                format!(
                    "Add the command that stores it to the keybook, or take \"{setting}\" out of management with null."
                )
            }
            Rule::PartnerUnknown { partner, back: None, command: _ } => {
                format!("Say in the inventory what \"{partner}\" should be, or report what it is.")
            }
            Rule::PartnerUnknown { partner, back: Some(station), command: _ } => format!(
                "Say in the inventory what \"{partner}\" should be, or report what it is, or go back to what last worked: \
                 stationkeep script {station} --back."
            ),
            Rule::NeedNever { setting, stored: false, .. } => format!(
                "If the manual has a command that stores \"{setting}\", add it to the keybook. If not, take what cannot be \
                 keyed out of management with null."
            ),
            Rule::NeedNever { setting, stored: true, .. } => {
                format!(
                    "See what stops the commands that store \"{setting}\", and compare the \"needs\" with the manual."
                )
            }
            Rule::HeldUnknown { setting, .. } => {
                format!("Report what \"{setting}\" is, if someone knows. If not, the unit has to be cleared by hand.")
            }
            Rule::NothingToKey { setting, .. } => format!("Say in the inventory what \"{setting}\" should be."),
            Rule::NotBeside { others, otherwise, alone } => make_room(others, otherwise, alone),
        }
    }
}

/// What makes room for wishes that cannot stand together.
fn make_room(others: &[Beside], otherwise: &[Name], alone: &[Name]) -> String {
    let unmanaged = |name: &&Name| others.iter().any(|other| other.setting == **name && !other.managed);
    let named = |names: Vec<&Name>| names.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>();
    let (held, wanted): (Vec<&Name>, Vec<&Name>) = otherwise.iter().partition(unmanaged);
    let ways = [
        ("want something else of ", wanted, ""),
        ("take ", alone.iter().collect(), " out of management with null"),
        ("say in the inventory what else may become of ", held, ""),
        ("compare the keybook's \"needs\", \"also\" and \"clears\" with the manual", Vec::new(), ""),
    ];
    let last = ways.len() - 1;
    let told = ways.into_iter().enumerate().filter(|(at, (_, names, _))| *at == last || !names.is_empty());
    let text = told.map(|(_, (before, names, after))| format!("{before}{}{after}", or(&named(names))));
    let text = text.collect::<Vec<_>>().join("; or ");
    format!("{}{}.", text[..1].to_uppercase(), &text[1..])
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Rule::NothingStores { .. } => write!(f, "no command of its keybook stores it"),
            Rule::PartnerUnknown { command, partner, back: _ } => {
                write!(
                    f,
                    "\"{command}\" may not be keyed: it has to do with \"{partner}\", which is unmanaged and unknown"
                )
            }
            Rule::NeedNever { command, setting, values, held, stored: _ } => {
                let held =
                    held.as_ref().map_or_else(|| "nobody knows what it is".into(), |held| format!("it is {held}"));
                let values = or(values);
                write!(
                    f,
                    "\"{command}\" needs \"{setting}\" to be {values}; {held}, and nothing that can be keyed changes that"
                )
            }
            Rule::HeldUnknown { command, setting } => {
                write!(
                    f,
                    "\"{command}\" keys the \"{setting}\" held now, which nobody knows and nothing that can be keyed sets"
                )
            }
            Rule::NothingToKey { command, setting } => {
                write!(f, "\"{command}\" also stores \"{setting}\", for which no value may be keyed")
            }
            Rule::NotBeside { others, .. } if others.is_empty() => write!(f, "no order of commands brings it there"),
            Rule::NotBeside { others, .. } => {
                let named: Vec<String> = others.iter().take(MOST_NAMED).map(Beside::to_string).collect();
                let more = match others.len() - named.len() {
                    0 => String::new(),
                    more => format!(" and {} more", plural(more as u64, "setting")),
                };
                write!(f, "no order of commands brings it there and ends with {}{more} too", named.join(" and "))
            }
        }
    }
}

impl fmt::Display for Beside {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Beside { setting, value, held, managed } = self;
        let about = match (held, managed) {
            (false, _) => "",
            (true, true) => " (held now)",
            (true, false) => " (held now, unmanaged)",
        };
        write!(f, "\"{setting}\" {value}{about}")
    }
}

impl fmt::Display for Stuck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "  {} to {}:", self.setting, value_text(&self.wanted))?;
        self.rules.iter().try_for_each(|rule| write!(f, "\n    {rule}. {}", rule.fix()))
    }
}

fn or(values: &[String]) -> String {
    values.join(" or ")
}

/// What the search could not reach, in the users' words: what cannot be reached by itself, and of wishes that conflict the
/// lightest. `left` are the states that telling what conflicts may cost.
pub(super) fn stuck(station: &Station, task: &Task, unreachable: &[UnreachableGoal], left: &mut u64) -> Vec<Stuck> {
    let namer = Namer { station, keybook: &station.keybook, task };
    let hopeless: Vec<usize> = unreachable.iter().map(|goal| goal.slot).collect();
    let conflicts = conflicts::conflicts(&task.problem, &namer.heaviest_first(), &hopeless, left);
    let alone = unreachable.iter().map(|goal| (goal.slot, namer.hopeless(goal)));
    let together = conflicts.iter().map(|conflict| (conflict.slot, namer.conflicting(conflict)));
    let mut stuck: Vec<(usize, Stuck)> = alone.chain(together).collect();
    stuck.sort_by_key(|(slot, _)| *slot);
    stuck.into_iter().map(|(_, stuck)| stuck).collect()
}

/// A setting, and the values of it that are asked for; `None`: any that is known.
type Asked = (SettingId, Option<Vec<Value>>);

struct Namer<'a> {
    station: &'a Station,
    keybook: &'a Keybook,
    task: &'a Task,
}

impl Namer<'_> {
    /// Every slot: those of lifelines, then by weight, then in the keybook's order.
    fn heaviest_first(&self) -> Vec<usize> {
        let mut slots: Vec<usize> = (0..self.task.slots.len()).collect();
        slots.sort_by_key(|slot| {
            let id = self.task.slots[*slot];
            let vital = self.keybook.lifelines.iter().any(|lifeline| lifeline.settings.contains(&id));
            (Reverse((vital, self.keybook.setting(id).weight)), *slot)
        });
        slots
    }

    /// What cannot be reached whatever becomes of the rest.
    fn hopeless(&self, goal: &UnreachableGoal) -> Stuck {
        let mut rules: Vec<Rule> = goal.stops.iter().map(|stop| self.rule(stop)).collect();
        rules.extend(self.barred(&[goal.slot]));
        if rules.is_empty() {
            rules.push(Rule::NothingStores { setting: self.name(goal.slot) });
        }
        self.told(goal.slot, rules)
    }

    /// What cannot be reached beside others.
    fn conflicting(&self, conflict: &Conflict) -> Stuck {
        let Conflict { slot, with, otherwise, alone } = conflict;
        let names = |slots: &[usize]| slots.iter().map(|slot| self.name(*slot)).collect();
        let others = with.iter().map(|slot| self.beside(*slot)).collect();
        let mut rules = vec![Rule::NotBeside { others, otherwise: names(otherwise), alone: names(alone) }];
        rules.extend(self.barred(&[&[*slot], &with[..]].concat()));
        self.told(*slot, rules)
    }

    fn told(&self, slot: usize, rules: Vec<Rule>) -> Stuck {
        Stuck { setting: self.name(slot), wanted: self.wanted(slot).clone(), rules }
    }

    fn beside(&self, slot: usize) -> Beside {
        let record = &self.task.problem.slots[slot];
        Beside {
            setting: self.name(slot),
            value: value_text(self.wanted(slot)),
            held: record.start == Some(record.goal),
            managed: self.station.wanted(self.task.slots[slot]).is_some(),
        }
    }

    fn name(&self, slot: usize) -> Name {
        self.keybook.setting(self.task.slots[slot]).name.clone()
    }

    fn wanted(&self, slot: usize) -> &Value {
        self.task.value(slot, self.task.problem.slots[slot].goal)
    }

    /// Commands that may not be keyed since they have to do with a setting that is neither managed nor known, and
    /// that may be what is missing.
    fn barred(&self, slots: &[usize]) -> Vec<Rule> {
        let asked = self.asked(slots);
        let might_help = |at: usize| asked.iter().any(|asked| self.brings(&self.keybook.commands[at], asked));
        let stopped = self.task.barred.iter().filter(|(at, _)| might_help(*at));
        stopped
            .map(|(at, partner)| Rule::PartnerUnknown {
                command: self.keybook.commands[*at].name.clone(),
                partner: self.keybook.setting(*partner).name.clone(),
                back: None,
            })
            .collect()
    }

    /// What some wishes ask for: what is wanted, what the commands need that bring it about, and so on.
    fn asked(&self, slots: &[usize]) -> Vec<Asked> {
        let wish = |slot: &usize| (self.task.slots[*slot], Some(vec![self.wanted(*slot).clone()]));
        let mut asked: Vec<Asked> = slots.iter().map(wish).collect();
        let mut taken = vec![false; self.keybook.commands.len()];
        let mut at = 0;
        while let Some(next) = asked.get(at).cloned() {
            at += 1;
            for (nth, command) in self.keybook.commands.iter().enumerate() {
                if !taken[nth] && self.brings(command, &next) {
                    taken[nth] = true;
                    asked.extend(command.needs.iter().map(|(id, values)| (*id, Some(values.clone()))));
                    asked.extend(command.keys.held().into_iter().map(|id| (id, None)));
                }
            }
        }
        asked
    }

    /// Whether a command of the keybook can leave a setting at one of the values.
    fn brings(&self, command: &Command, (id, values): &Asked) -> bool {
        let fits = |value: Option<&Value>| match values {
            None => value.is_some(),
            Some(values) => value.is_some_and(|value| values.iter().any(|other| other.agrees(value))),
        };
        command.keys.stored().contains(id)
            || command.clears.contains(id) && fits(self.keybook.setting(*id).factory.as_ref())
            || command.also.iter().any(|(also, value)| also == id && fits(value.as_ref()))
    }

    fn rule(&self, stop: &Stop) -> Rule {
        let command = |at: usize| self.keybook.commands[self.task.commands[at]].name.clone();
        let moves = &self.task.problem.commands;
        match *stop {
            Stop::NeedNever { command: at, need } => {
                let need = &moves[at].needs[need];
                let value = |cell| self.task.value(need.slot, cell);
                let held = self.task.problem.slots[need.slot].start.map(|cell| value_text(value(cell)));
                let asked =
                    (self.task.slots[need.slot], Some(need.values.iter().map(|cell| value(cell).clone()).collect()));
                Rule::NeedNever {
                    command: command(at),
                    setting: self.name(need.slot),
                    values: need.values.iter().map(|cell| value_text(value(cell))).collect(),
                    held,
                    stored: self.keybook.commands.iter().any(|command| self.brings(command, &asked)),
                }
            }
            Stop::ReadNever { command: at, read } => {
                Rule::HeldUnknown { command: command(at), setting: self.name(moves[at].reads[read].slot) }
            }
            Stop::FieldNever { command: at, field } => {
                Rule::NothingToKey { command: command(at), setting: self.name(moves[at].fields[field].slot) }
            }
        }
    }
}
