//! The test calls to make after a script: of every button that a step may have changed, and of those not proved anyway.

use super::aim::Aim;
use super::problem::State;
use super::request::Request;
use super::task::Task;
use crate::drift::{Elsewhere, LifelineService, Service, ability};
use crate::inventory::{Contact, Reach};
use crate::keybook::{Ability, Lifeline, SettingId};
use crate::setting::{Name, Value};

/// One test call.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TestCall {
    /// Its name in the keybook.
    pub lifeline: Name,
    /// Who should answer, where a contact is wanted in the first number that the lifeline dials.
    pub contact: Option<Name>,
    /// What that contact calls: E.164, an extension, a short code or a dial string.
    pub number: Option<Name>,
    /// How to make it, by the keybook.
    pub test: Option<Name>,
    /// Whether the last one did not reach help.
    pub has_failed: bool,
    /// Whether a press calls nobody now, by the record.
    pub is_dead: bool,
    /// Whether a press may call nobody now: what was known of it is not known any longer.
    pub is_unsure: bool,
    /// Who answered the last one, where it was not who would answer by the record.
    pub elsewhere: Option<Elsewhere>,
    /// Whether a step changes it to what a test call failed with, where none reached help with that since.
    pub failed_so: bool,
    /// Whether a step changes a setting of it, if only for a while.
    pub is_touched: bool,
}

/// The test calls after steps of a task, a fallback after the button that it backs; `states` are those before each step and
/// after the last.
pub(super) fn test_calls(request: &Request, aim: &Aim, task: &Task, states: &[State]) -> Vec<TestCall> {
    let lifelines = || request.station.lifelines();
    let is_touched = |lifeline: &Lifeline| lifeline.settings.iter().any(|id| is_touched(task, states, *id));
    let fallbacks = |at: usize| lifelines().filter(move |(_, lifeline)| lifeline.backs == Some(at));
    let required = lifelines().filter(|(_, lifeline)| lifeline.is_required());
    let all = required.flat_map(|(at, lifeline)| [(at, lifeline)].into_iter().chain(fallbacks(at)));
    let in_use = all.filter(|(_, lifeline)| is_in_use(request, aim, lifeline));
    in_use.filter_map(|(at, lifeline)| call(request, aim, (at, lifeline), is_touched(lifeline))).collect()
}

/// Whether a call by it can reach anybody after the script: one that calls nobody is not tested, nor is a fallback that is
/// not in use.
fn is_in_use(request: &Request, aim: &Aim, lifeline: &Lifeline) -> bool {
    let Request { station, record, .. } = *request;
    let wanted = |id| station.wanted(id).map(|wanted| &wanted.value).or(record.known(id));
    lifeline.is_in_use(wanted) && !lifeline.is_dead(|id| aim.goal[id.index()].as_ref())
}

fn call(request: &Request, aim: &Aim, (at, lifeline): (usize, &Lifeline), is_touched: bool) -> Option<TestCall> {
    let known = request.drift.lifelines.iter().find(|known| known.name == lifeline.name);
    let service = known.map(|known| known.service);
    let goal = |id: SettingId| aim.goal[id.index()].as_ref();
    let is_open = service.is_some_and(Service::asks_for_test);
    let contact = contact(request, aim, lifeline);
    (is_open || is_touched).then(|| TestCall {
        lifeline: lifeline.name.clone(),
        number: contact.as_ref().and_then(|name| request.contacts.get(name)).map(number),
        contact,
        test: lifeline.test.clone(),
        has_failed: service == Some(Service::Failed),
        is_dead: service == Some(Service::Dead),
        is_unsure: service == Some(Service::Untested)
            && (known.is_some_and(|known| known.because.is_some()) || is_undecided(request, lifeline, known)),
        elsewhere: known.and_then(|known| known.elsewhere.clone()).filter(|_| lifeline.is_required()),
        failed_so: is_touched && request.record.earlier.has_failed(at, goal),
        is_touched,
    })
}

/// Whether nobody knows if a press of a button calls someone now.
fn is_undecided(request: &Request, lifeline: &Lifeline, known: Option<&LifelineService>) -> bool {
    let is_answered = known.is_some_and(|known| known.elsewhere.is_some());
    lifeline.is_required() && !is_answered && ability(request.record, lifeline) == Ability::Undecided
}

/// Whether a step changes what a setting holds, or makes it known, or unknown.
fn is_touched(task: &Task, states: &[State], id: SettingId) -> bool {
    let slot = task.slots.iter().position(|slot| *slot == id);
    slot.is_some_and(|slot| states.windows(2).any(|pair| pair[0][slot] != pair[1][slot]))
}

/// Who is wanted in the first filled dial setting that has a contact, where the script ends with it.
fn contact(request: &Request, aim: &Aim, lifeline: &Lifeline) -> Option<Name> {
    lifeline.settings.iter().find_map(|id| {
        let wanted = request.station.wanted(*id)?;
        let is_filled = match &wanted.value {
            Value::Dial(dialled) => !dialled.is_empty(),
            Value::Digits(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_) => false,
        };
        let ends_so = aim.goal[id.index()].as_ref().is_some_and(|goal| goal.agrees(&wanted.value));
        wanted.contact.clone().filter(|_| is_filled && ends_so)
    })
}

/// What rings a contact, as a test call names it.
pub(super) fn number(contact: &Contact) -> Name {
    match &contact.reach {
        Reach::Calls(number) => number.to_string().into(),
        Reach::Extension(number) | Reach::Short(number) | Reach::Dial(number) => number.clone(),
    }
}
