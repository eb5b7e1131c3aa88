//! Why there is no script: which settings cannot be reached, which rule stops each, and what to say in the inventory
//! to get on. It names rules of the keybook that fail in every script, never guesses.

use std::cmp::Reverse;
use std::fmt;

use crate::drift::value_text;
use crate::keybook::{Command, Keybook, SettingId};
use crate::setting::{Name, Value};

use super::apart::{self, Clash};
use super::problem::ProblemError;
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
    /// More than [`Problem::check`](super::problem::Problem::check) allows; no keybook that is found sound is.
    #[error("nothing was searched: the keybook is larger than the search takes on ({0})")]
    TooLarge(#[from] ProblemError),
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
    /// It can be reached by itself, but by no order of commands together with these: settings and what is wanted of them.
    NotBeside { others: Vec<(Name, String)> },
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
            | Rule::NotBeside { .. } => false,
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
            Rule::NotBeside { .. } => {
                "Want something else of one of them, or leave one alone with `null`; or compare the \
                                       keybook's `needs`, `also` and `clears` with the manual."
                    .into()
            }
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
            Rule::NotBeside { others } => {
                let others: Vec<String> = others.iter().map(|(name, value)| format!("`{name}` {value}")).collect();
                let others = if others.is_empty() { "what else is wanted".into() } else { others.join(" and ") };
                write!(f, "no order of commands brings it there and ends with {others} too")
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

/// What the search could not reach, in the users' words; `left` are the states that telling what clashes may cost.
pub(super) fn stuck(keybook: &Keybook, task: &Task, accounts: &[Account], left: &mut u64) -> Vec<Stuck> {
    let namer = Namer { keybook, task };
    let entangled: Vec<&Account> = accounts.iter().filter(|account| is_entangled(account)).collect();
    let clashes = apart::clashes(&task.problem, &namer.heaviest_first(&entangled), left);
    let stuck = accounts.iter().filter_map(|account| match clashes.iter().find(|clash| clash.slot == account.slot) {
        Some(clash) => Some(namer.stuck(account, Some(clash))),
        // Without the wishes that clash the others can be reached.
        None => (!is_entangled(account) || clashes.is_empty()).then(|| namer.stuck(account, None)),
    });
    stuck.collect()
}

/// Whether its wish could be reached if it were not for others.
fn is_entangled(account: &Account) -> bool {
    account.stops.iter().any(|stop| match stop {
        Stop::NotTogether | Stop::Spoils { .. } => true,
        Stop::NothingWrites | Stop::NeedNever { .. } | Stop::ReadNever { .. } | Stop::FieldNever { .. } => false,
    })
}

struct Namer<'a> {
    keybook: &'a Keybook,
    task: &'a Task,
}

impl Namer<'_> {
    /// The slots of some accounts: those of lifelines, then by weight, then in the keybook's order.
    fn heaviest_first(&self, accounts: &[&Account]) -> Vec<usize> {
        let mut slots: Vec<usize> = accounts.iter().map(|account| account.slot).collect();
        slots.sort_by_key(|slot| {
            let id = self.task.slots[*slot];
            let vital = self.keybook.lifelines.iter().any(|lifeline| lifeline.settings.contains(&id));
            (Reverse((vital, self.keybook.setting(id).weight)), *slot)
        });
        slots
    }

    fn stuck(&self, account: &Account, clash: Option<&Clash>) -> Stuck {
        let id = self.task.slots[account.slot];
        let mut rules: Vec<Rule> = account.stops.iter().filter_map(|stop| self.rule(stop)).collect();
        if let Some(clash) = clash {
            // It says the same, and names what it clashes with.
            rules.retain(|rule| !matches!(rule, Rule::Spoils { .. }));
            let others = clash.with.iter().map(|slot| (self.name(*slot), value_text(self.wanted(*slot))));
            rules.push(Rule::NotBeside { others: others.collect() });
        }
        rules.extend(self.barred(is_entangled(account), |command| self.brings(command, id, account.slot)));
        for stop in &account.stops {
            if let Stop::NeedNever { command, need } = stop {
                let needed = self.task.slots[self.task.problem.commands[*command].needs[*need].slot];
                rules.extend(self.barred(false, |command| command.keys.stored().contains(&needed)));
            }
        }
        rules.sort();
        rules.dedup();
        if rules.is_empty() {
            rules.push(Rule::NothingStores { setting: self.name(account.slot) });
        }
        Stuck { setting: self.name(account.slot), wanted: self.wanted(account.slot).clone(), rules }
    }

    fn name(&self, slot: usize) -> Name {
        self.keybook.setting(self.task.slots[slot]).name.clone()
    }

    fn wanted(&self, slot: usize) -> &Value {
        self.task.value(slot, self.task.problem.slots[slot].goal)
    }

    /// Whether a command leaves a setting as wanted, or can.
    fn brings(&self, command: &Command, id: SettingId, slot: usize) -> bool {
        let wanted = self.wanted(slot);
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
        let setting = |slot: usize| self.name(slot);
        let moves = &self.task.problem.commands;
        Some(match stop {
            // What they come to is said by the clash.
            Stop::NothingWrites | Stop::NotTogether => return None,
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
        })
    }
}
