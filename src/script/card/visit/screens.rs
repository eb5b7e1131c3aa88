//! Every screen of a visit, and what each answer leads to: for each step and each answer what to do next, as the card's rules
//! say, so that a page which follows them needs no network and knows no rule.
//!
//! A screen has a name that stays the same as long as the script does. What an answer tells is a part of the report.

use std::collections::BTreeMap;

use super::super::stretch::bare;
use super::at::{At, Before, Goal, Rest, Then, Tried, name};
use super::opening::{Opening, openings, reopenings};
use super::shown::{Answer, Screen, Shows, Tells, Word};
use super::stop::{Reached, Why, stop_text};
use crate::inventory::Station;
use crate::keybook::Setting;
use crate::script::delta::{Call, Script, Step};
use crate::setting::{Kind, Weight};

/// All screens of a script, the first one first, and the openings that they show. `tests`: how many test calls there may be.
pub(super) fn screens(script: &Script, station: &Station, tests: usize) -> (Vec<Screen>, Vec<Opening>) {
    let calls = script.calls.iter().enumerate();
    let steps = calls.flat_map(|(nth, call)| call.steps.iter().map(move |step| (nth, step))).collect();
    let mut maker =
        Maker { script, station, tests, steps, places: BTreeMap::new(), queue: Vec::new(), openings: Vec::new() };
    let first = Goal { step: 0, before: Before::First, rest: Rest::All };
    let open = At::Open { again: false, nth: 0, tried: Tried::No, goal: first };
    let start = match (script.calls.is_empty(), &script.renumbered) {
        (true, _) => maker.tests(),
        (false, Some(_)) => At::Which,
        (false, None) => open,
    };
    maker.to(start);
    let mut screens = Vec::new();
    while let Some(at) = maker.queue.get(screens.len()).copied() {
        screens.push(maker.screen(at, open));
    }
    (screens, maker.openings)
}

struct Maker<'a> {
    script: &'a Script,
    station: &'a Station,
    /// How many test calls there may be to make.
    tests: usize,
    /// With the call of each.
    steps: Vec<(usize, &'a Step)>,
    places: BTreeMap<At, usize>,
    queue: Vec<At>,
    openings: Vec<Opening>,
}

impl Maker<'_> {
    /// The number of a screen, which is made later.
    fn to(&mut self, at: At) -> usize {
        let next = self.queue.len();
        let place = *self.places.entry(at).or_insert(next);
        if place == next {
            self.queue.push(at);
        }
        place
    }

    fn answer(&mut self, word: Word, at: At) -> Answer {
        Answer { word, to: self.to(at), tells: None }
    }

    fn telling(&mut self, word: Word, at: At, tells: Tells) -> Answer {
        Answer { tells: Some(tells), ..self.answer(word, at) }
    }

    fn screen(&mut self, at: At, open: At) -> Screen {
        let (shows, says, answers) = match at {
            At::Which => self.which(open),
            At::Says => self.says(),
            At::Open { again, nth, tried, goal } => self.open(again, nth, tried, goal),
            At::Step(goal) => self.step(goal),
            At::Dropped(goal) => {
                let keyed = self.dropped(goal);
                let tells = self.tells(goal, "nothing");
                let unkeyed = At::Open { again: true, nth: 0, tried: Tried::No, goal };
                let answers = vec![self.telling(Word::Yes, keyed, tells), self.answer(Word::No, unkeyed)];
                (Shows::Dropped { step: self.number(goal) }, Vec::new(), answers)
            }
            At::End { call, then } => {
                let then = match then {
                    Then::Open(goal) => At::Open { again: false, nth: 0, tried: Tried::No, goal },
                    Then::Stop(why) => At::Stop(why, None),
                    Then::Tests => self.tests(),
                };
                (Shows::End { call }, Vec::new(), vec![self.answer(Word::Done, then)])
            }
            At::Stop(why, retry) => {
                let after = if why.is_safe() { self.tests() } else { At::Finish };
                let mut answers = vec![self.answer(Word::Done, after)];
                let retry =
                    retry.map(|goal| At::Open { again: self.is_under_way(goal), nth: 0, tried: Tried::No, goal });
                answers.extend(retry.map(|at| self.answer(Word::Again, at)));
                (Shows::Stop, stop_text(why, self.script, self.station), answers)
            }
            At::Test(test) => self.test(test),
            At::Who(test) => self.who(test),
            At::Finish => (Shows::Finish, Vec::new(), Vec::new()),
        };
        let is_bare = matches!(at, At::Open { goal, .. } if self.is_worth_a_frame(goal));
        Screen { id: name(at), shows, says, is_bare, answers }
    }

    fn which(&mut self, open: At) -> (Shows, Vec<String>, Vec<Answer>) {
        let says = self.script.renumbered.as_ref().map_or_else(BTreeMap::new, |of| of.values.clone());
        let this = Answer { tells: (!says.is_empty()).then_some(Tells::Found(says)), ..self.answer(Word::Yes, open) };
        let other = if self.locating().is_some() { At::Says } else { At::Stop(Why::Other, None) };
        let tells = other != At::Says;
        let other = Answer { tells: tells.then(|| Tells::Note(OTHER.into())), ..self.answer(Word::No, other) };
        (Shows::Which, Vec::new(), vec![this, other])
    }

    /// What the station that answers says of itself.
    fn says(&mut self) -> (Shows, Vec<String>, Vec<Answer>) {
        let stop = At::Stop(Why::Other, None);
        let heard = self.locating().map_or_else(|| Tells::Note(OTHER.into()), Tells::Heard);
        let answers =
            vec![self.telling(Word::Named, stop, heard), self.telling(Word::Later, stop, Tells::Note(OTHER.into()))];
        (Shows::Says, Vec::new(), answers)
    }

    /// The setting by which a station says which it is.
    fn locating(&self) -> Option<String> {
        let mut settings = self.station.keybook.settings.iter();
        let is_it =
            |setting: &&Setting| setting.weight == Weight::Locating && matches!(setting.kind, Kind::Digits { .. });
        settings.find(is_it).map(|setting| setting.name.to_string())
    }

    /// The first test call, or the report.
    fn tests(&self) -> At {
        if self.tests == 0 { At::Finish } else { At::Test(0) }
    }

    fn after_test(&self, test: usize) -> At {
        if test + 1 < self.tests { At::Test(test + 1) } else { At::Finish }
    }

    fn test(&mut self, test: usize) -> (Shows, Vec<String>, Vec<Answer>) {
        let next = self.after_test(test);
        let told = |outcome| Tells::Test { test, outcome };
        let answers = vec![
            self.telling(Word::Reached, next, told("reached")),
            self.telling(Word::Failed, next, told("failed")),
            self.answer(Word::Other, At::Who(test)),
            self.answer(Word::Later, next),
        ];
        (Shows::Test { test }, Vec::new(), answers)
    }

    /// Whoever is not known is no help that anyone wanted.
    fn who(&mut self, test: usize) -> (Shows, Vec<String>, Vec<Answer>) {
        let next = self.after_test(test);
        let told = |outcome| Tells::Test { test, outcome };
        let answers =
            vec![self.telling(Word::Named, next, told("reached")), self.telling(Word::Failed, next, told("failed"))];
        (Shows::Who { test }, Vec::new(), answers)
    }

    fn number(&self, goal: Goal) -> u32 {
        self.steps[goal.step].1.number
    }

    fn call_of(&self, goal: Goal) -> usize {
        self.steps[goal.step].0
    }

    fn call(&self, goal: Goal) -> &Call {
        &self.script.calls[self.call_of(goal)]
    }

    /// Whether a step of its call was keyed before it.
    fn is_under_way(&self, goal: Goal) -> bool {
        let sure = self.obeyed(goal);
        let keyed = sure.iter().chain(self.in_doubt(goal).iter()).any(|step| self.steps[*step].0 == self.call_of(goal));
        keyed || goal.before != Before::First
    }

    /// The steps that were accepted by then.
    fn obeyed(&self, goal: Goal) -> Vec<usize> {
        match goal.rest {
            Rest::All => (0..goal.step).collect(),
            Rest::After { failed, nth } => (0..failed).chain(self.fallback(failed).into_iter().take(nth)).collect(),
        }
    }

    /// A step of which nobody knows whether it was obeyed.
    fn in_doubt(&self, goal: Goal) -> Option<usize> {
        match (goal.rest, goal.before) {
            (Rest::All, Before::Nothing) => Some(goal.step),
            (Rest::All, Before::First | Before::Refused) => None,
            (Rest::After { failed, .. }, _) => Some(failed),
        }
    }

    /// The steps to key all the same where one fails, counted from 0.
    fn fallback(&self, failed: usize) -> Vec<usize> {
        let fallback = self.steps[failed].1.recovery.fallback.as_ref();
        fallback.map_or_else(Vec::new, |fallback| fallback.steps.iter().map(|step| *step as usize - 1).collect())
    }

    fn open(&mut self, again: bool, nth: usize, tried: Tried, goal: Goal) -> (Shows, Vec<String>, Vec<Answer>) {
        let call = self.call_of(goal);
        let all = match again {
            false => openings(self.script, call, self.station),
            true => {
                let (sure, doubt) = (self.obeyed(goal), self.in_doubt(goal));
                let step = |at: &usize| self.steps[*at];
                let sure: Vec<_> = sure.iter().map(step).collect();
                reopenings(self.script, call, self.station, &sure, doubt.as_ref().map(step))
            }
        };
        // There is always one.
        let opening = all.get(nth).or(all.first()).cloned().unwrap_or_default();
        let told = |heard| opening.tells(call, heard);
        let same = |tried| At::Open { again, nth, tried, goal };
        let (refused, told_refused) = match (tried, nth + 1 < all.len()) {
            (Tried::No, _) => (same(Tried::Refused), None),
            (Tried::Nothing, _) => (same(Tried::Both), None),
            (Tried::Refused | Tried::Both, true) => {
                (At::Open { again, nth: nth + 1, tried: Tried::No, goal }, told("refused"))
            }
            (Tried::Refused | Tried::Both, false) => (At::Stop(self.locked_out(goal), Some(goal)), told("refused")),
        };
        let nothing = match tried {
            Tried::No => same(Tried::Nothing),
            Tried::Refused => same(Tried::Both),
            Tried::Nothing | Tried::Both => At::Stop(self.no_answer(goal), Some(goal)),
        };
        let says = match tried {
            Tried::No if nth == 0 => self.open_after(again, goal),
            Tried::No | Tried::Refused | Tried::Nothing | Tried::Both => vec![open_text(tried).to_owned()],
        };
        let mut answers = vec![self.answer(Word::Accepted, At::Step(goal)), self.answer(Word::Refused, refused)];
        answers[0].tells = told("accepted");
        answers[1].tells = told_refused;
        answers.push(Answer { tells: told("nothing"), ..self.answer(Word::Nothing, nothing) });
        answers.push(self.answer(Word::Leave, At::Stop(self.left(goal), None)));
        let place = self.openings.iter().position(|known| known.keys == opening.keys).unwrap_or(self.openings.len());
        if place == self.openings.len() {
            self.openings.push(opening);
        }
        (Shows::Open { call, opening: place }, says, answers)
    }

    /// What is said where a call is opened later than the first.
    fn open_after(&self, again: bool, goal: Goal) -> Vec<String> {
        let now = self.number(goal);
        let after = match goal.rest {
            Rest::After { failed, nth: 0 } if goal.before == Before::First => Some(failed),
            Rest::All | Rest::After { .. } => None,
        };
        let text = match after {
            Some(failed) => {
                // Where the station did not end the call, a screen of its own has said it.
                let is_up = !again && self.ends(Goal { step: failed, ..goal });
                let (failed, hang_up) = (self.steps[failed].1.number, if is_up { " Hang up." } else { "" });
                let helps = self.helps();
                format!("Step {failed} failed.{hang_up} Ring again at once and key step {now}: {helps}.")
            }
            None if again => "Ring again at once and open the call. Then go on.".to_owned(),
            None if self.is_worth_a_frame(goal) => {
                let step = self.steps[goal.step].1;
                format!("WARNING: {} now. Ring again at once.", bare(self.script, step, self.station))
            }
            None => return Vec::new(),
        };
        vec![text]
    }

    /// Whether a button calls nobody while a call is opened again; of the first call the card has said it.
    fn is_worth_a_frame(&self, goal: Goal) -> bool {
        let step = self.steps[goal.step].1;
        goal.step > 0 && !(step.uncovered.is_empty() && step.unsure.is_empty())
    }

    fn helps(&self) -> &'static str {
        match self.station.keybook.lifelines.iter().filter(|lifeline| lifeline.is_required()).count() {
            0 | 1 => "it helps to leave the button working",
            _ => "it helps to leave the buttons working",
        }
    }

    /// What the report says of a step; where it was silent once, a refusal after it counts as silence.
    fn tells(&self, goal: Goal, heard: &'static str) -> Tells {
        let heard = if goal.before == Before::Nothing && heard == "refused" { "nothing" } else { heard };
        Tells::Step { step: self.number(goal), heard }
    }

    fn step(&mut self, goal: Goal) -> (Shows, Vec<String>, Vec<Answer>) {
        let is_first = goal.before == Before::First;
        let is_last = self.ends(goal);
        let once_more = |before| At::Step(Goal { before, ..goal });
        let failed = self.failed(goal, !is_last);
        let refused = if is_first { once_more(Before::Refused) } else { failed };
        let again = self.steps[goal.step].1.recovery.again;
        let nothing = if is_first && again { once_more(Before::Nothing) } else { failed };
        let accepted = self.after(goal);
        let heard = |heard| self.tells(goal, heard);
        let (yes, no, silent) = (heard("accepted"), heard("refused"), heard("nothing"));
        let answers = vec![
            self.telling(Word::Accepted, accepted, yes),
            self.telling(Word::Refused, refused, no),
            self.telling(Word::Nothing, nothing, silent),
            self.answer(Word::Dropped, At::Dropped(goal)),
            self.answer(Word::Leave, At::Stop(self.left(goal), None)),
        ];
        (Shows::Step { step: self.number(goal) }, self.step_text(goal), answers)
    }

    fn step_text(&self, goal: Goal) -> Vec<String> {
        let number = |step: usize| self.steps[step].1.number;
        let after = match goal.rest {
            Rest::After { failed, .. } if goal.before == Before::First => {
                let (failed, now) = (number(failed), self.number(goal));
                Some(format!("Step {failed} failed. Key step {now} now: {}.", self.helps()))
            }
            Rest::All | Rest::After { .. } => None,
        };
        let before = match goal.before {
            Before::First => None,
            Before::Refused => Some("It was refused. Key it once more.".to_owned()),
            Before::Nothing => Some("Nothing was heard. Key it once more.".to_owned()),
        };
        after.into_iter().chain(before).collect()
    }

    /// Whether the station hangs up once it has accepted a step.
    fn ends(&self, goal: Goal) -> bool {
        let call = self.call(goal);
        call.ends_itself && call.steps.last().is_some_and(|last| last.number == self.number(goal))
    }

    /// After a step that was keyed, and then the line dropped.
    fn dropped(&mut self, goal: Goal) -> At {
        match goal.before {
            Before::First if self.steps[goal.step].1.recovery.again => {
                At::Open { again: true, nth: 0, tried: Tried::No, goal: Goal { before: Before::Nothing, ..goal } }
            }
            Before::First | Before::Refused | Before::Nothing => self.failed(goal, false),
        }
    }

    /// After a step that was accepted.
    fn after(&self, goal: Goal) -> At {
        let next = match goal.rest {
            Rest::All => Some(goal.step + 1).filter(|next| *next < self.steps.len()).map(|next| (next, Rest::All)),
            Rest::After { failed, nth } => {
                let next = self.fallback(failed).get(nth + 1).copied();
                next.map(|next| (next, Rest::After { failed, nth: nth + 1 }))
            }
        };
        let next = next.map(|(step, rest)| Goal { step, before: Before::First, rest });
        let then = match (next, goal.rest) {
            (Some(next), _) if self.call_of(next) == self.call_of(goal) => return At::Step(next),
            (Some(next), _) => Then::Open(next),
            (None, Rest::All) => Then::Tests,
            (None, Rest::After { failed, .. }) => Then::Stop(Why::KeyedOn { safe: self.restores(failed) }),
        };
        self.ended(goal, !self.ends(goal), then)
    }

    /// What comes once the call has ended, by hanging up where it is still up.
    fn ended(&self, goal: Goal, is_up: bool, then: Then) -> At {
        match (is_up, then) {
            (true, then) => At::End { call: self.call_of(goal), then },
            (false, Then::Open(goal)) => At::Open { again: false, nth: 0, tried: Tried::No, goal },
            (false, Then::Stop(why)) => At::Stop(why, None),
            (false, Then::Tests) => self.tests(),
        }
    }

    fn restores(&self, failed: usize) -> bool {
        self.steps[failed].1.recovery.fallback.as_ref().is_none_or(|fallback| fallback.restores)
    }

    /// After a step that failed.
    fn failed(&self, goal: Goal, is_up: bool) -> At {
        let stop = |why| self.ended(goal, is_up, Then::Stop(why));
        let number = self.number(goal);
        match (goal.rest, self.fallback(goal.step).first()) {
            (Rest::After { .. }, _) => stop(Why::Second { step: number }),
            (Rest::All, None) => stop(Why::Failed { step: number, safe: self.restores(goal.step) }),
            (Rest::All, Some(first)) => {
                let rest = Rest::After { failed: goal.step, nth: 0 };
                let next = Goal { step: *first, before: Before::First, rest };
                match (self.call_of(next) == self.call_of(goal), is_up) {
                    (true, true) => At::Step(next),
                    (true, false) => At::Open { again: true, nth: 0, tried: Tried::No, goal: next },
                    (false, _) => self.ended(goal, is_up, Then::Open(next)),
                }
            }
        }
    }

    /// Whether every button is as it was or will be, whatever became of what was keyed so far.
    fn is_covered(&self, goal: Goal) -> bool {
        let covered = |at: usize| {
            let step = self.steps.get(at).map(|(_, step)| step);
            step.is_none_or(|step| step.uncovered.is_empty() && step.unsure.is_empty())
        };
        match (goal.rest, goal.before) {
            (Rest::After { .. }, _) => false,
            (Rest::All, Before::Nothing) => covered(goal.step) && covered(goal.step + 1),
            (Rest::All, Before::First | Before::Refused) => covered(goal.step),
        }
    }

    fn left(&self, goal: Goal) -> Why {
        Why::Left(self.reached(goal))
    }

    fn locked_out(&self, goal: Goal) -> Why {
        Why::LockedOut(self.reached(goal))
    }

    fn no_answer(&self, goal: Goal) -> Why {
        Why::NoAnswer(self.reached(goal))
    }

    /// How the station is just before a step is keyed.
    fn reached(&self, goal: Goal) -> Reached {
        match (goal.rest, goal.before) {
            _ if self.is_covered(goal) => Reached::Safe,
            (Rest::All, Before::First | Before::Refused) => Reached::Before(self.number(goal)),
            (Rest::All, Before::Nothing) | (Rest::After { .. }, _) => Reached::Unsure,
        }
    }
}

/// What the report notes of another station that does not say which it is.
const OTHER: &str = "Another station answered, or it could not be told which.";

fn open_text(tried: Tried) -> &'static str {
    match tried {
        Tried::Nothing | Tried::Both => "Ring again, and key it once more.",
        Tried::Refused => "It was refused. Key it once more, slowly. If the line has dropped, ring again.",
        Tried::No => "That code was refused. Try the next one. If the line has dropped, ring again.",
    }
}
