//! Lifelines: in which states of a station a press of a button calls someone.
//!
//! [`Lifeline::ability`] is the one function that decides it, for wanted values, records and states of a script alike.

use super::SettingId;
use crate::finding::Place;
use crate::setting::{Name, Value, spoken};

/// Settings that must be right together for a button to summon help.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lifeline {
    /// What files call it.
    pub name: Name,
    /// What people call it, where the keybook says so; see [`Lifeline::title`].
    pub title: Option<Name>,
    /// What people call its button, in a sentence: its title, or "the emergency button" by its name. A fallback has none of
    /// its own, so it is called by its title.
    pub button: Name,
    /// All its settings, each once: those that `settings` lists, in the order of the file, then those that only `works` names.
    pub settings: Vec<SettingId>,
    /// How many of `settings` the keybook lists; the rest only `works` names.
    pub named: usize,
    /// When it works: where all conditions of one of these hold. At least one; without conditions it always holds.
    pub works: Vec<Vec<Condition>>,
    /// What to do at the station to try it, said on the card.
    pub test: Option<Name>,
    /// The lifeline it is a fallback of, as its index in the keybook. That one is required.
    pub backs: Option<usize>,
    /// Where its keybook names it.
    pub place: Place,
}

/// What one setting must hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Condition {
    /// Never a secret.
    pub setting: SettingId,
    /// What it asks of it.
    pub is: Is,
}

/// What a condition asks of a value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Is {
    /// One of these.
    OneOf(Vec<Value>),
    /// Not empty: digits, a dial string or flags.
    Filled,
    /// A number from `min` to `max`, both included.
    Within {
        /// The least.
        min: u32,
        /// The greatest.
        max: u32,
    },
}

/// Whether a press of the button calls someone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Ability {
    /// Whatever the unknown settings hold, it calls nobody.
    Dead,
    /// It depends on settings that are unknown.
    Undecided,
    /// Whatever the unknown settings hold, it calls someone.
    Works,
}

impl Lifeline {
    /// What people call it: its title, or its name with dots and hyphens as spaces.
    pub fn title(&self) -> String {
        spoken(&self.name, self.title.as_ref())
    }

    /// Whether the button needs it: it is no fallback of another.
    pub fn is_required(&self) -> bool {
        self.backs.is_none()
    }

    /// Whether a press calls someone in a state; `state` gives the value of a setting where it is known.
    pub fn ability<'v>(&self, state: impl Fn(SettingId) -> Option<&'v Value>) -> Ability {
        let holds = |conditions: &Vec<Condition>| {
            let met = conditions.iter().map(|one| state(one.setting).map(|value| one.is.met_by(value)));
            // What contradicts one condition contradicts them all; after that, what is unknown leaves them undecided.
            met.min_by_key(|met| (*met != Some(false), met.is_some())).unwrap_or(Some(true))
        };
        self.works.iter().map(holds).fold(Ability::Dead, |best, holds| {
            best.max(match holds {
                Some(true) => Ability::Works,
                None => Ability::Undecided,
                Some(false) => Ability::Dead,
            })
        })
    }

    /// Whether a press calls nobody in a state, whatever the unknown settings hold.
    pub fn is_dead<'v>(&self, state: impl Fn(SettingId) -> Option<&'v Value>) -> bool {
        self.ability(state) == Ability::Dead
    }

    /// The settings that are known in a state and contradict some way of working, in the order of [`Lifeline::settings`].
    /// Where it is dead, these are what makes it so.
    pub fn contradicting<'v>(&self, state: impl Fn(SettingId) -> Option<&'v Value>) -> Vec<SettingId> {
        let conditions = || self.works.iter().flatten();
        let unmet = |id: SettingId, value| conditions().any(|one| one.setting == id && !one.is.met_by(value));
        self.settings.iter().copied().filter(|id| state(*id).is_some_and(|value| unmet(*id, value))).collect()
    }

    /// Whether it counts at a station: it is required, or a fallback whose way of working nothing contradicts there.
    /// `state` gives what is wanted; of unmanaged settings, what is known.
    pub fn is_in_use<'v>(&self, state: impl Fn(SettingId) -> Option<&'v Value>) -> bool {
        self.is_required() || !self.is_dead(state)
    }

    /// Whether `settings` lists it; else only `works` names it.
    pub fn names(&self, id: SettingId) -> bool {
        self.settings[..self.named].contains(&id)
    }

    /// Its settings at a station, where `counts` says which are wanted or known there: one that only `works` names and
    /// that is neither is left out.
    pub fn settings_at(&self, counts: impl Fn(SettingId) -> bool) -> impl Iterator<Item = SettingId> {
        let (named, others) = self.settings.split_at(self.named);
        named.iter().copied().chain(others.iter().copied().filter(move |id| counts(*id)))
    }

    /// Whether each of its settings at a station has a target, which `counts` says: it is wanted or known.
    /// Where it has no setting there, it is not tracked.
    pub fn is_tracked_where(&self, counts: impl Fn(SettingId) -> bool) -> bool {
        self.settings[..self.named].iter().all(|id| counts(*id)) && self.settings.iter().any(|id| counts(*id))
    }
}

impl Is {
    /// Whether a value is what is asked for.
    pub fn met_by(&self, value: &Value) -> bool {
        match (self, value) {
            (Is::OneOf(values), value) => values.iter().any(|one| one.agrees(value)),
            (Is::Filled, Value::Digits(text) | Value::Dial(text)) => !text.is_empty(),
            (Is::Filled, Value::Flags(names)) => !names.is_empty(),
            (Is::Within { min, max }, Value::Number(number)) => (*min..=*max).contains(number),
            // What a record holds may be of the kind that the setting had in an earlier keybook.
            (Is::Filled, Value::Choice(_) | Value::Number(_) | Value::Secret(_))
            | (
                Is::Within { .. },
                Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Secret(_),
            ) => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keybook::sample::{TERN, keybook};
    use proptest::prelude::*;

    const MODES: &str = "{works: [{unit.mode: service, first: filled}, {unit.mode: [service, night], second: filled, \
                         volume: {min: 10, max: 60}}], settings: [first]}";

    /// A keybook with one lifeline, `main`, over five settings of all kinds but secrets.
    fn main_of(lifeline: &str) -> (std::sync::Arc<crate::keybook::Keybook>, Lifeline) {
        let settings = "settings:\n  unit.mode: {kind: choice, values: {service: \"0\", night: \"1\", setup: \"2\"}}\n  \
                        first: {kind: dial, digits: [0, 9]}\n  second: {kind: dial, digits: [0, 9]}\n  \
                        volume: {kind: number, min: 0, max: 60, step: 5, width: 2}\n  \
                        lamps: {kind: flags, values: {red: 1, green: 2}}\n";
        let commands = "  - {command: all, keys: \"77{unit.mode}{first}#{second}#{volume}{lamps}\"}\n";
        let text = TERN.replace("settings:\n  access", &format!("{settings}  access"));
        let text = text.replace("lifelines:\n", &format!("lifelines:\n  main: {lifeline}\n"));
        let book = keybook(&text.replace("commands:\n", &format!("commands:\n{commands}")));
        let main = book.lifelines[0].clone();
        (book, main)
    }

    fn ability(lifeline: &str, state: &[(&str, Value)]) -> Ability {
        let (book, main) = main_of(lifeline);
        main.ability(|id| state.iter().find(|(name, _)| **name == *book.setting(id).name).map(|(_, value)| value))
    }

    fn mode(name: &str) -> (&'static str, Value) {
        ("unit.mode", Value::Choice(name.into()))
    }

    fn dial(name: &'static str, text: &str) -> (&'static str, Value) {
        (name, Value::Dial(text.into()))
    }

    #[test]
    fn a_lifeline_works_by_known_values_is_dead_by_contradicting_ones_and_undecided_between() {
        let service = || mode("service");
        assert_eq!(ability(MODES, &[]), Ability::Undecided);
        assert_eq!(ability(MODES, &[service(), dial("first", "1")]), Ability::Works);
        assert_eq!(ability(MODES, &[service(), dial("first", "")]), Ability::Undecided, "the second way is open");
        assert_eq!(ability(MODES, &[dial("first", ""), dial("second", "")]), Ability::Dead, "whatever the mode is");
        assert_eq!(ability(MODES, &[mode("setup")]), Ability::Dead, "one setting contradicts both");
        assert_eq!(ability(MODES, &[mode("night"), dial("first", "1")]), Ability::Undecided);
        let second = |volume| ability(MODES, &[mode("night"), dial("second", "1"), ("volume", Value::Number(volume))]);
        assert_eq!([5, 10, 60].map(second), [Ability::Dead, Ability::Works, Ability::Works]);
    }

    #[test]
    fn without_works_it_works_where_one_of_its_numbers_is_filled() {
        let two = "[unit.mode, first, second]";
        assert_eq!(ability(two, &[mode("setup")]), Ability::Undecided);
        assert_eq!(ability(two, &[dial("first", "")]), Ability::Undecided);
        assert_eq!(ability(two, &[dial("first", ""), dial("second", "2")]), Ability::Works);
        assert_eq!(ability(two, &[dial("first", ""), dial("second", "")]), Ability::Dead);
        assert_eq!(ability("[unit.mode, volume]", &[]), Ability::Works, "no number, no condition");
    }

    #[test]
    fn flags_are_filled_where_one_is_set() {
        let lit = |names: &[&str]| Value::Flags(names.iter().map(|name| (*name).into()).collect());
        let lamps = "{works: {lamps: filled}, settings: [lamps]}";
        assert_eq!(ability(lamps, &[("lamps", lit(&[]))]), Ability::Dead);
        assert_eq!(ability(lamps, &[("lamps", lit(&["red"]))]), Ability::Works);
        let both = "{works: {lamps: [red, green]}, settings: [lamps]}";
        assert_eq!(ability(both, &[("lamps", lit(&["red"]))]), Ability::Dead, "a list is one set");
    }

    #[test]
    fn a_setting_that_only_works_names_is_left_out_where_nobody_wants_or_knows_it() {
        let (book, main) = main_of(MODES);
        let at = |there: &[&str]| {
            let counts = |id| there.contains(&&*book.setting(id).name);
            let names = main.settings_at(counts).map(|id| book.setting(id).name.to_string()).collect::<Vec<_>>();
            (names.join(" "), main.is_tracked_where(counts))
        };
        assert_eq!(at(&[]), ("first".into(), false));
        assert_eq!(at(&["first"]), ("first".into(), true));
        assert_eq!(at(&["volume", "first"]), ("first volume".into(), true));
        assert_eq!(at(&["volume"]), ("first volume".into(), false));
    }

    #[test]
    fn a_fallback_is_in_use_where_nothing_contradicts_it() {
        let (book, second) = {
            let (book, _) = main_of("[first]");
            let at = book.lifelines.iter().position(|lifeline| lifeline.backs.is_some()).unwrap();
            (book.clone(), book.lifelines[at].clone())
        };
        let backup = book.id("emergency.backup").unwrap();
        let with = |value: Option<&Value>| second.is_in_use(|id| value.filter(|_| id == backup));
        assert!(with(None) && with(Some(&Value::Dial("1".into()))) && !with(Some(&Value::Dial("".into()))));
        assert!(book.lifelines[0].is_in_use(|_| None) && book.lifelines[0].is_required());
    }

    fn values() -> impl Strategy<Value = [Value; 4]> {
        let dial = || prop_oneof![Just(""), Just("1")].prop_map(|text| Value::Dial(text.into()));
        let mode = prop_oneof![Just("service"), Just("night"), Just("setup")].prop_map(|m| Value::Choice(m.into()));
        (mode, dial(), dial(), (0u32..=12).prop_map(|n| Value::Number(n * 5))).prop_map(|(a, b, c, d)| [a, b, c, d])
    }

    proptest! {
        /// Learning more never turns one verdict into the other, and a verdict holds for whatever fills the gaps.
        #[test]
        fn a_verdict_holds_whatever_the_unknown_settings_turn_out_to_hold(whole in values(), known in 0u8..16) {
            let (book, main) = main_of(MODES);
            let names = ["unit.mode", "first", "second", "volume"];
            let place = |id: SettingId| names.iter().position(|name| **name == *book.setting(id).name);
            let some = main.ability(|id| place(id).filter(|at| known >> at & 1 == 1).map(|at| &whole[at]));
            let all = main.ability(|id| place(id).map(|at| &whole[at]));
            prop_assert!(all != Ability::Undecided);
            prop_assert!(some == Ability::Undecided || some == all);
            let held = |id| place(id).map(|at| &whole[at]);
            // Without what contradicts it, nothing makes it dead.
            let contradicting = main.contradicting(held);
            prop_assert!(all != Ability::Dead || !contradicting.is_empty());
            prop_assert!(main.ability(|id| held(id).filter(|_| !contradicting.contains(&id))) != Ability::Dead);
        }
    }
}
