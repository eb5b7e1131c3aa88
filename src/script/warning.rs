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
        /// Which code that is.
        first: FirstCode,
        /// Whether the inventory says which code it should be.
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

/// What a call is opened with where nobody knows the code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FirstCode {
    /// The code that the inventory wants.
    Wanted,
    /// Another that the record leaves open.
    Recorded,
    /// The factory's.
    Factory,
    /// One that the station held once.
    Earlier,
    /// One that the station has refused: it has refused all that are on record.
    Refused,
    /// Nobody knows any: a gap to fill in.
    Unheard,
}

/// What a call may be opened with where the station refuses the first.
#[derive(Debug, Clone, PartialEq)]
pub struct OtherOpenings {
    /// The opening with each other code that the record leaves open.
    pub(super) candidates: Vec<Pressed>,
    /// The opening with the code that the keybook prints, and that code.
    pub(super) factory: Option<(Pressed, Code)>,
    /// The opening with each code that the station was known to hold once, the last one first.
    pub(super) earlier: Vec<Pressed>,
    /// The opening with each code that the station has refused, the last to try.
    pub(super) refused: Vec<Pressed>,
}

/// The openings to try after the first, in this order, in the form that they are keyed.
struct NextKeys {
    candidates: Vec<String>,
    factory: Option<String>,
    earlier: Vec<String>,
    refused: Vec<String>,
}

impl OtherOpenings {
    /// The openings to try; none like `first`, and none twice.
    fn keys(&self, first: Option<&Pressed>, codes: &Codes) -> NextKeys {
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
        let refused = self.refused.iter().filter_map(&mut new).collect();
        let factory = self.factory.as_ref().and_then(|(pressed, _)| new(pressed));
        let earlier = self.earlier.iter().filter_map(&mut new).collect();
        NextKeys { candidates, factory, earlier, refused }
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
                lost_text(setting, *step, *until, calls, next.keys(None, codes).factory)
            }
            Warning::CodeGuessed { setting, open, first, is_wanted, next } => {
                guessed_text(setting, *first, *is_wanted, &next.keys(Some(open), codes))
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

/// Of a code that nobody knows: which opens the call, which to try after it, and what is left then.
fn guessed_text(setting: &str, first: FirstCode, is_wanted: bool, next: &NextKeys) -> String {
    let setting = spoken(setting, None);
    let NextKeys { candidates, factory, earlier, refused } = next;
    let is_doubted = first == FirstCode::Recorded || !candidates.is_empty();
    let head = match is_doubted {
        true => format!("It is in doubt which {setting} code the station holds"),
        false => format!("No report says which {setting} code the station holds"),
    };
    let opened = match (first, is_wanted) {
        (FirstCode::Wanted, _) => "; the call is opened with the wanted one.",
        (FirstCode::Recorded, _) => "; the call is opened with one of those on record.",
        (FirstCode::Factory, true) => "; the call is opened with the factory code.",
        (FirstCode::Factory, false) => ", nor does the inventory say which it should be. The factory code is tried.",
        (FirstCode::Earlier, true) => "; the call is opened with one that it held earlier.",
        (FirstCode::Earlier, false) => {
            ", nor does the inventory say which it should be. The call is opened with one that it held earlier."
        }
        (FirstCode::Unheard, _) => {
            return format!(
                "{head}, nor does the inventory say which it should be. Ask whoever keyed the station last."
            );
        }
        (FirstCode::Refused, _) => return refused_text(&head, refused),
    };
    let mut text = format!("{head}{opened}");
    if !candidates.is_empty() {
        let others = candidates.join(", or with ");
        text += &format!(" If the station refuses it, it holds another that is on record: open with {others}.");
    }
    match factory {
        Some(keys) if candidates.is_empty() => {
            text += &format!(" If the station refuses it, try the factory code next: {keys}.");
        }
        Some(keys) => text += &format!(" If it refuses that too, try the factory code: {keys}."),
        None => {}
    }
    if !earlier.is_empty() {
        let keys = earlier.join(", then ");
        let before =
            if candidates.is_empty() && factory.is_none() { "the station refuses it" } else { "it refuses them" };
        text += &format!(" If {before}, try what it held earlier: {keys}.");
    }
    if !refused.is_empty() {
        let keys = refused.join(", then ");
        text += &format!(" Last, key once more and slowly what it refused before: {keys}.");
    }
    text + &last_resort(candidates.len() + usize::from(factory.is_some()) + earlier.len() + refused.len())
}

/// Where the station has refused all that are on record.
fn refused_text(head: &str, refused: &[String]) -> String {
    let then = match refused {
        [] => String::new(),
        others => format!(" Then try {}.", others.join(", then ")),
    };
    format!(
        "{head}: it has refused every code on record. Before you ring, ops must find out which code it is: ask whoever keyed the \
         station last, and report it as found. If nobody knows another, key the code of this card once more and slowly: a slip \
         sounds the same.{then} Only if it refuses them all may the unit have to be cleared by hand, which loses all that it holds."
    )
}

/// What is left where the station refuses the first code and so many others.
fn last_resort(others: usize) -> String {
    let they = match others {
        0 => {
            return " If the station refuses it, ask whoever keyed the station last. Only if nobody knows may the unit have to \
                    be cleared by hand."
                .into();
        }
        1 => "that too",
        _ => "them all",
    };
    format!(
        " Only if it refuses {they}, and nobody knows another, may the unit have to be cleared by hand, which loses all that \
         it holds."
    )
}
