//! Why there is no script: which settings cannot be reached, which rule stops each, and what to say in the inventory
//! to get on. It names rules of the keybook that fail in every script, never guesses.

use std::fmt;

use crate::drift::value_text;
use crate::keybook::{Command, Keybook, SettingId};
use crate::setting::{Name, Value};

use super::proof::ProofError;
use super::search::{Account, Stop};
use super::task::Task;

/// Why a station gets no script.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoScript {
    /// Settings that cannot be brought to what is wanted, in the keybook's order.
    #[error("no script reaches what is wanted:\n{}", lines(.0))]
    Unreachable(Vec<Stuck>),
    #[error("the keybook is so entangled that no script was found within the search's budget; none may exist")]
    GaveUp,
    #[error(
        "`{command}` takes {call_ms} ms with opening and closing, and the station hangs up after {limit_ms} ms: compare \
         `limit_ms` and `timing` with the manual, or want a shorter value"
    )]
    CallTooShort { command: Name, call_ms: u64, limit_ms: u64 },
    #[error(
        "nobody knows a value that opening a call needs: say in the inventory what it should be, or report what it is"
    )]
    NoOpening,
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
    pub setting: Name,
    pub wanted: Value,
    /// What stands in the way; never empty.
    pub rules: Vec<Rule>,
}

/// A rule that stops every script.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// No command of the keybook stores the value.
    NothingStores { setting: Name },
    /// The command would help, but has to do with a setting that is neither managed nor known.
    PartnerUnknown { command: Name, partner: Name },
    /// The command needs a setting to hold one of some values, and no command brings it there.
    NeedNever { command: Name, setting: Name, values: Vec<String>, held: Option<String> },
    /// The command keys what a setting holds now, and nothing makes that known.
    HeldUnknown { command: Name, setting: Name },
    /// The command also stores a setting for which no value may be keyed.
    NothingToKey { command: Name, setting: Name },
    /// The command leaves another setting wrong, and whatever mends that undoes this one.
    Spoils { command: Name, setting: Name },
    /// Each wanted value can be reached by itself, but no order of commands reaches all.
    NotTogether,
}

impl Rule {
    /// Whether it stops a script only because nobody knows what some setting holds.
    pub fn is_for_want_of_knowledge(&self) -> bool {
        match self {
            Rule::PartnerUnknown { .. } | Rule::HeldUnknown { .. } => true,
            Rule::NothingStores { .. }
            | Rule::NeedNever { .. }
            | Rule::NothingToKey { .. }
            | Rule::Spoils { .. }
            | Rule::NotTogether => false,
        }
    }

    /// What to do about it; each begins a sentence.
    pub fn mend(&self) -> String {
        match self {
            Rule::NothingStores { setting } => {
                format!("Add the command that stores it to the keybook, or leave `{setting}` alone with `null`.")
            }
            Rule::PartnerUnknown { partner, .. } => {
                format!("Say in the inventory what `{partner}` should be, or report what it is.")
            }
            Rule::NeedNever { setting, .. } => format!(
                "If the manual has a command that stores `{setting}`, add it to the keybook; else leave what cannot be \
                 keyed alone with `null`."
            ),
            Rule::HeldUnknown { setting, .. } => {
                format!("Report what `{setting}` is, if somebody knows; else the unit has to be cleared by hand.")
            }
            Rule::NothingToKey { setting, .. } => format!("Say in the inventory what `{setting}` should be."),
            Rule::Spoils { setting, .. } => {
                format!("Want another value for one of the two, or leave `{setting}` alone with `null`.")
            }
            Rule::NotTogether => "Leave one of these settings alone with `null`, or compare the keybook's `needs`, \
                                  `also` and `clears` with the manual."
                .into(),
        }
    }
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Rule::NothingStores { .. } => write!(f, "no command of its keybook stores it"),
            Rule::PartnerUnknown { command, partner } => {
                write!(f, "`{command}` would help, but has to do with `{partner}`, which is unmanaged and unknown")
            }
            Rule::NeedNever { command, setting, values, held } => {
                let held =
                    held.as_ref().map_or_else(|| "nobody knows what it is".into(), |held| format!("it is {held}"));
                write!(f, "`{command}` needs `{setting}` to be {}; {held}, and no command changes that", or(values))
            }
            Rule::HeldUnknown { command, setting } => {
                write!(f, "`{command}` keys the `{setting}` held now, which nobody knows")
            }
            Rule::NothingToKey { command, setting } => {
                write!(f, "`{command}` also stores `{setting}`, for which no value may be keyed")
            }
            Rule::Spoils { command, setting } => {
                write!(f, "`{command}` stores it, but leaves `{setting}` wrong, and whatever mends that undoes this")
            }
            Rule::NotTogether => {
                write!(f, "each wanted value can be reached by itself, but no order of commands reaches all")
            }
        }
    }
}

impl fmt::Display for Stuck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "  {} to {}:", self.setting, value_text(&self.wanted))?;
        self.rules.iter().try_for_each(|rule| write!(f, "\n    {rule}. {}", rule.mend()))
    }
}

fn or(values: &[String]) -> String {
    values.join(" or ")
}

pub(super) fn unreachable(keybook: &Keybook, task: &Task, accounts: &[Account]) -> NoScript {
    let namer = Namer { keybook, task };
    NoScript::Unreachable(accounts.iter().map(|account| namer.stuck(account)).collect())
}

struct Namer<'a> {
    keybook: &'a Keybook,
    task: &'a Task,
}

impl Namer<'_> {
    fn stuck(&self, account: &Account) -> Stuck {
        let id = self.task.slots[account.slot];
        let mut rules: Vec<Rule> = account.stops.iter().filter_map(|stop| self.rule(stop)).collect();
        let entangled = |stop: &Stop| matches!(stop, Stop::NotTogether | Stop::Spoils { .. });
        let anything = account.stops.iter().any(entangled);
        rules.extend(self.barred(anything, |command| self.brings(command, id, account.slot)));
        for stop in &account.stops {
            if let Stop::NeedNever { command, need } = stop {
                let needed = self.task.slots[self.task.problem.commands[*command].needs[*need].slot];
                rules.extend(self.barred(false, |command| command.keys.stored().contains(&needed)));
            }
        }
        rules.sort();
        rules.dedup();
        if rules.is_empty() {
            rules.push(Rule::NothingStores { setting: self.keybook.setting(id).name.clone() });
        }
        let wanted = self.task.value(account.slot, self.task.problem.slots[account.slot].goal).clone();
        Stuck { setting: self.keybook.setting(id).name.clone(), wanted, rules }
    }

    /// Whether a command leaves a setting as wanted, or can.
    fn brings(&self, command: &Command, id: SettingId, slot: usize) -> bool {
        let wanted = self.task.value(slot, self.task.problem.slots[slot].goal);
        let is_wanted = |value: Option<&Value>| value.is_some_and(|value| value.agrees(wanted));
        let factory = self.keybook.setting(id).factory.as_ref();
        command.keys.stored().contains(&id)
            || command.clears.contains(&id) && is_wanted(factory)
            || command.also.iter().any(|(also, value)| *also == id && is_wanted(value.as_ref()))
    }

    /// Commands that would help, but touch a setting that is neither managed nor known. Where settings are entangled,
    /// `anything` may be what is missing.
    fn barred(&self, anything: bool, helps: impl Fn(&Command) -> bool) -> Vec<Rule> {
        let stopped = self.task.barred.iter().filter(|(at, _)| anything || helps(&self.keybook.commands[*at]));
        stopped
            .map(|(at, partner)| Rule::PartnerUnknown {
                command: self.keybook.commands[*at].name.clone(),
                partner: self.keybook.setting(*partner).name.clone(),
            })
            .collect()
    }

    fn rule(&self, stop: &Stop) -> Option<Rule> {
        let command = |at: usize| self.keybook.commands[self.task.commands[at]].name.clone();
        let setting = |slot: usize| self.keybook.setting(self.task.slots[slot]).name.clone();
        let moves = &self.task.problem.commands;
        Some(match stop {
            Stop::NothingWrites => return None,
            Stop::NeedNever { command: at, need } => {
                let need = &moves[*at].needs[*need];
                let text = |cell| value_text(self.task.value(need.slot, cell));
                let held = self.task.problem.slots[need.slot].start.map(text);
                let values = need.values.iter().map(text).collect();
                Rule::NeedNever { command: command(*at), setting: setting(need.slot), values, held }
            }
            Stop::ReadNever { command: at, read } => {
                Rule::HeldUnknown { command: command(*at), setting: setting(moves[*at].reads[*read].slot) }
            }
            Stop::FieldNever { command: at, field } => {
                Rule::NothingToKey { command: command(*at), setting: setting(moves[*at].fields[*field].slot) }
            }
            Stop::Spoils { command: at, slot } => Rule::Spoils { command: command(*at), setting: setting(*slot) },
            Stop::NotTogether => Rule::NotTogether,
        })
    }
}
