//! What is particular about one script: above all what nobody knows of the codes that open its calls.
//!
//! Codes stay references until the moment of showing. Clearing a unit by hand loses all that it holds, so that is never
//! the first advice while a code is left to try.

use super::pressed::{Piece, Pressed, in_fours};
use crate::setting::{Code, Codes, Name, Reference, Secret, spoken};

/// What is particular about a script.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// After a step nobody knows a code that opens calls.
    CodeLost {
        /// The setting that holds it.
        setting: Name,
        /// The step that loses it.
        step: u32,
        /// The step from which on it is known again; `None`: no step of the script makes it known.
        until: Option<u32>,
        /// The calls that are opened meanwhile, from 1.
        calls: Vec<usize>,
        /// What else may open them.
        next: OtherOpenings,
    },
    /// Calls are opened with a code that may not be the one held.
    CodeGuessed {
        /// The setting that holds it.
        setting: Name,
        /// What the script opens calls with.
        open: Pressed,
        /// Whether that is the code that the inventory wants.
        is_wanted: bool,
        /// What else may open them.
        next: OtherOpenings,
    },
    /// A script would cost less, but takes the way in.
    PassedOver {
        /// Its commands.
        commands: Vec<Name>,
    },
    /// A code that cannot be read here.
    Unread {
        /// The setting that holds it.
        setting: Name,
        /// Which code.
        secret: Secret,
    },
}

/// What a call may be opened with where the station refuses the first.
#[derive(Debug, Clone, PartialEq)]
pub struct OtherOpenings {
    /// The opening with each other code that the record leaves open.
    pub(super) candidates: Vec<Pressed>,
    /// The opening with the code that the keybook prints, and that code.
    pub(super) factory: Option<(Pressed, Code)>,
}

impl OtherOpenings {
    /// The openings to try, in this order, in the form that they are keyed; none like `first`, and none twice.
    fn keys(&self, first: Option<&Pressed>, codes: &Codes) -> (Vec<String>, Option<String>) {
        let keys = |pressed: &Pressed| keys(pressed, self.factory.as_ref().map(|(_, code)| code), codes);
        let mut told: Vec<String> = first.map(keys).into_iter().collect();
        let mut new = |pressed: &Pressed| {
            let keys = keys(pressed);
            (!told.contains(&keys)).then(|| {
                told.push(keys.clone());
                keys
            })
        };
        let candidates = self.candidates.iter().filter_map(&mut new).collect();
        (candidates, self.factory.as_ref().and_then(|(pressed, _)| new(pressed)))
    }
}

/// Keys in groups of at most four; a code that cannot be read here is named.
fn keys(pressed: &Pressed, factory: Option<&Code>, codes: &Codes) -> String {
    let groups = pressed.0.iter().flat_map(|piece| match piece {
        Piece::Literal(run) | Piece::Value(run) => in_fours(run),
        Piece::Code { secret, .. } => {
            let printed = factory.filter(|_| secret.reference == Reference::Factory);
            match (printed.or(codes.code_of(secret)), codes.code(&secret.reference)) {
                (Some(code), _) => in_fours(code.reveal()),
                (None, Some(_)) => vec![format!("(an earlier code of {})", secret.reference)],
                (None, None) => vec![format!("(the code of {})", secret.reference)],
            }
        }
    });
    groups.collect::<Vec<_>>().join(" ")
}

impl Warning {
    /// As it is shown, with every code that can be read here.
    pub fn text(&self, codes: &Codes) -> String {
        match self {
            Warning::CodeLost { setting, step, until, calls, next } => {
                lost_text(setting, *step, *until, calls, next.keys(None, codes).1)
            }
            Warning::CodeGuessed { setting, open, is_wanted, next } => {
                let (candidates, factory) = next.keys(Some(open), codes);
                match candidates.is_empty() {
                    true => unknown_text(setting, *is_wanted, next.factory.is_some(), factory),
                    false => doubt_text(setting, *is_wanted, &candidates, factory),
                }
            }
            Warning::PassedOver { commands } => format!(
                "A script with {} would cost less, but after it nobody knows the code that opens the next call: this one \
                 keeps the way in.",
                commands.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(" and ")
            ),
            Warning::Unread { setting, secret } => match (&secret.reference, codes.code(&secret.reference)) {
                (Reference::Factory, _) => format!("Key the code that the station holds where {{{setting}}} stands."),
                (reference, Some(_)) => format!(
                    "{{{setting}}} stands for an earlier code of {reference}, which has been changed there since: \
                     key the earlier one, not the one of today."
                ),
                (reference, None) => {
                    format!("The code of {reference} cannot be read here: key it where {{{setting}}} stands.")
                }
            },
        }
    }
}

fn lost_text(setting: &str, step: u32, until: Option<u32>, calls: &[usize], factory: Option<String>) -> String {
    let setting = spoken(setting, None);
    let until = until.map_or(String::new(), |until| format!(" until step {until} is accepted"));
    let mut text = format!(
        "After step {step} nobody knows which {setting} code the station holds{until}. Make sure of that code before you \
         start, or you may be locked out of a unit that is half done."
    );
    if let [first, rest @ ..] = calls {
        let rest: String = rest.iter().map(|call| format!(" and {call}")).collect();
        text += &format!(" The opening of call {first}{rest} may not be right: key the code that it holds by then.");
    }
    if let Some(keys) = factory {
        text += &format!(" It may be the factory code: {keys}.");
    }
    text
}

fn unknown_text(setting: &str, is_wanted: bool, has_factory: bool, factory: Option<String>) -> String {
    let setting = spoken(setting, None);
    let nobody = format!("Nobody on record knows which {setting} code the station holds");
    match (is_wanted, factory) {
        (true, Some(keys)) => format!(
            "{nobody}; the call is opened with the wanted one. If the station refuses it, try the factory code next: {keys}. \
             Only if it refuses that too, and nobody knows another, may the unit have to be cleared by hand."
        ),
        (true, None) => format!(
            "{nobody}; the call is opened with the wanted one. If the station refuses it, ask whoever keyed the station \
             last. Only if nobody knows may the unit have to be cleared by hand."
        ),
        (false, _) if has_factory => {
            format!("{nobody}, nor does the inventory say which it should be. The factory code is tried.")
        }
        (false, _) => {
            format!("{nobody}, nor does the inventory say which it should be. Ask whoever keyed the station last.")
        }
    }
}

/// Of a code that is one of several.
fn doubt_text(setting: &str, is_wanted: bool, candidates: &[String], factory: Option<String>) -> String {
    let setting = spoken(setting, None);
    let opened = if is_wanted { "the wanted one" } else { "one of those on record" };
    let others = candidates.join(", or with ");
    let they = if candidates.len() == 1 && factory.is_none() { "that too" } else { "them all" };
    let factory =
        factory.map_or(String::new(), |keys| format!(" If it refuses that too, try the factory code: {keys}."));
    format!(
        "It is in doubt which {setting} code the station holds; the call is opened with {opened}. If the station refuses it, \
         it holds another that is on record: open with {others}.{factory} Only if it refuses {they} may the unit have to be \
         cleared by hand, which loses all that it holds."
    )
}
