//! Why there is no script, in the users' words: what cannot be reached, what stands in the way, what helps.

use crate::keybook::{Keybook, SettingId};

use super::proof::ProofError;
use super::search::{Account, Stop};
use super::task::Task;

/// Why a station gets no script.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoScript {
    /// One line a setting that cannot be reached.
    #[error("no script reaches what is wanted:\n{}", .0.join("\n"))]
    Unreachable(Vec<String>),
    #[error("the keybook is so entangled that no script was found within the search's budget; none may exist")]
    GaveUp,
    #[error("a step takes longer than the station's longest call")]
    CallTooShort,
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

pub(super) fn unreachable(keybook: &Keybook, task: &Task, accounts: &[Account]) -> NoScript {
    NoScript::Unreachable(accounts.iter().map(|account| line(keybook, task, account)).collect())
}

fn line(keybook: &Keybook, task: &Task, account: &Account) -> String {
    let id = task.slots[account.slot];
    let wanted = task.problem.slots[account.slot].goal;
    let value = crate::drift::value_text(task.value(account.slot, wanted));
    let mut reasons: Vec<String> = account.stops.iter().filter_map(|stop| reason(keybook, task, stop)).collect();
    let entangled = |stop: &Stop| matches!(stop, Stop::NotTogether | Stop::Spoils { .. });
    reasons.extend(barred(keybook, task, id, account.stops.iter().any(entangled)));
    if reasons.is_empty() {
        reasons.push("no command of its keybook stores it".into());
    }
    format!("  {} to {value}: {}.", keybook.setting(id).name, reasons.join("; "))
}

/// Commands that would write a setting, but touch one that is neither managed nor known. Where settings are
/// `entangled`, any such command may be what is missing.
fn barred(keybook: &Keybook, task: &Task, id: SettingId, entangled: bool) -> Vec<String> {
    let writes = |command: &crate::keybook::Command| entangled || command.keys.stored().contains(&id);
    let stopped = task.barred.iter().filter(|(at, _)| writes(&keybook.commands[*at]));
    stopped
        .map(|(at, partner)| {
            let (command, partner) = (&keybook.commands[*at].name, &keybook.setting(*partner).name);
            format!(
                "`{command}` would help, but has to do with `{partner}`, which is unmanaged and unknown: \
                 say in the inventory what `{partner}` should be, or report what it is"
            )
        })
        .collect()
}

fn reason(keybook: &Keybook, task: &Task, stop: &Stop) -> Option<String> {
    let command = |at: usize| &keybook.commands[task.commands[at]].name;
    let slot = |at: usize| &keybook.setting(task.slots[at]).name;
    let moves = &task.problem.commands;
    Some(match stop {
        Stop::NothingWrites => return None,
        Stop::NeedNever { command: at, need } => {
            format!("`{}` needs another `{}`, which cannot be set", command(*at), slot(moves[*at].needs[*need].slot))
        }
        Stop::ReadNever { command: at, read } => {
            format!("`{}` keys the `{}` held now, which nobody knows", command(*at), slot(moves[*at].reads[*read].slot))
        }
        Stop::FieldNever { command: at, field } => {
            format!(
                "`{}` also stores `{}`, for which no value may be keyed",
                command(*at),
                slot(moves[*at].fields[*field].slot)
            )
        }
        Stop::Spoils { command: at, slot: other } => {
            format!("`{}` stores it, but spoils `{}` for good", command(*at), slot(*other))
        }
        Stop::NotTogether => "each wanted value can be reached by itself, but no order of commands reaches all".into(),
    })
}
