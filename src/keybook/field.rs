//! What can be keyed for a field: the language of a setting's values, explored key by key.
//!
//! Every state that is handed out can still be completed to a value; a number's values are never listed.

use std::collections::BTreeSet;

use crate::setting::{Key, Keys, Kind, Name};

/// The most names a `flags` setting may have; all their sums are compared.
pub(super) const FLAGS_MAX: usize = 16;

/// A set of keys.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct KeySet(u16);

impl KeySet {
    /// The keys 0 to 9.
    pub(super) const DIGITS: KeySet = KeySet(0x3ff);

    /// The set of one key.
    pub(super) fn one(key: Key) -> KeySet {
        let sign = u32::from(key.sign());
        let at = match key.sign() {
            '0'..='9' => sign - u32::from('0'),
            '*' => 10,
            '#' => 11,
            _ => 12 + (sign - u32::from('A')).min(3),
        };
        KeySet(1 << at)
    }

    /// Both sets together.
    pub(super) fn or(self, other: KeySet) -> KeySet {
        KeySet(self.0 | other.0)
    }

    /// What both sets have.
    pub(super) fn and(self, other: KeySet) -> KeySet {
        KeySet(self.0 & other.0)
    }

    /// Whether the key is in it.
    pub(super) fn has(self, key: Key) -> bool {
        !self.and(KeySet::one(key)).is_empty()
    }

    /// Whether no key is in it.
    pub(super) fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// How many keys are in it.
    pub(super) fn len(self) -> u32 {
        self.0.count_ones()
    }

    /// Its keys, in the order of [`Key::ALL`].
    pub(super) fn keys(self) -> impl Iterator<Item = Key> {
        Key::ALL.into_iter().filter(move |key| self.has(*key))
    }
}

impl FromIterator<Key> for KeySet {
    fn from_iter<I: IntoIterator<Item = Key>>(keys: I) -> KeySet {
        keys.into_iter().fold(KeySet::default(), |set, key| set.or(KeySet::one(key)))
    }
}

/// All that can be keyed for one setting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Language {
    /// `min` to `max` keys, each any of `signs`.
    Run { min: u32, max: u32, signs: KeySet },
    /// `min` to `max` symbols, each a digit or one of `codes` (sorted; none begins another, none begins with a digit).
    Coded { min: u32, max: u32, codes: Vec<Keys> },
    /// A list, sorted and without repeats.
    Words(Vec<Keys>),
    /// Decimal numbers.
    Numbers(Numbers),
}

/// The numbers `min`, `min + step`, … up to `max`, zero-padded to `width` (at least 1).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Numbers {
    min: u64,
    max: u64,
    step: u64,
    width: u32,
}

/// How far a field has been keyed; can always be completed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum State {
    /// So many keys of a run.
    Run(u32),
    /// So many symbols, and `depth` keys of one of the codes `from..to`; between symbols all three are 0.
    Coded { symbols: u32, from: u32, to: u32, depth: u32 },
    /// The words `from..to` share their first `depth` keys with what was keyed.
    Words { from: u32, to: u32, depth: u32 },
    /// `left` digits to come, whatever they are within bounds; their number must leave `rest` by the step.
    Free { left: u32, rest: u64 },
    /// A number of `length` digits that may still leave its bounds; `left` digits to come after `prefix`.
    Edge { length: u32, left: u32, prefix: u64 },
}

impl State {
    /// Between two symbols of a coded field, after so many.
    fn after(symbols: u32) -> State {
        State::Coded { symbols, from: 0, to: 0, depth: 0 }
    }
}

/// Those of the sorted `words[from..to]` that have `key` at `depth`.
fn narrowed(words: &[Keys], from: u32, to: u32, depth: u32, key: Key) -> Option<(u32, u32)> {
    let range = words.get(from as usize..to as usize)?;
    let nth = |word: &Keys| word.0.get(depth as usize).copied();
    let first = range.partition_point(|word| nth(word) < Some(key));
    let last = range.partition_point(|word| nth(word) <= Some(key));
    let at = |n: usize| from + u32::try_from(n).unwrap_or(u32::MAX - from);
    (first < last).then(|| (at(first), at(last)))
}

impl Language {
    /// The language of a kind that has been checked.
    pub(super) fn of(kind: &Kind) -> Language {
        match kind {
            Kind::Digits { min, max } | Kind::Secret { min, max } => {
                Language::Run { min: *min, max: *max, signs: KeySet::DIGITS }
            }
            Kind::Dial { min, max, symbols } => {
                let single = |keys: &Keys| Some(*keys.0.first().filter(|_| keys.0.len() == 1)?);
                if let Some(signs) = symbols.values().map(single).collect::<Option<KeySet>>() {
                    return Language::Run { min: *min, max: *max, signs: signs.or(KeySet::DIGITS) };
                }
                let mut codes: Vec<Keys> = symbols.values().cloned().collect();
                codes.sort();
                Language::Coded { min: *min, max: *max, codes }
            }
            Kind::Choice(codes) => Language::words(codes.iter().map(|(_, keys)| keys.clone()).collect()),
            Kind::Flags { names, width } => Language::sums(names, width.unwrap_or(1)),
            Kind::Number { min, max, step, width, .. } => Language::Numbers(Numbers {
                min: u64::from(*min),
                max: u64::from(*max),
                step: u64::from(*step).max(1),
                width: width.unwrap_or(1).max(1),
            }),
        }
    }

    fn words(mut words: Vec<Keys>) -> Language {
        words.sort();
        words.dedup();
        Language::Words(words)
    }

    /// Sums that rise evenly (1, 2, 4, … have such) are numbers with a step; others are listed.
    fn sums(names: &[(Name, u32)], width: u32) -> Language {
        let mut sums = vec![0u64];
        for (_, number) in names.iter().take(FLAGS_MAX) {
            let with: Vec<u64> = sums.iter().map(|sum| sum + u64::from(*number)).collect();
            sums.extend(with);
        }
        sums.sort_unstable();
        sums.dedup();
        let step = sums.get(1).copied().unwrap_or(1);
        if sums.windows(2).all(|two| two[1] - two[0] == step) {
            let max = sums.last().copied().unwrap_or(0);
            return Language::Numbers(Numbers { min: 0, max, step, width: width.max(1) });
        }
        let keyed = |sum: &u64| format!("{sum:0>width$}", width = width as usize).parse().ok();
        Language::words(sums.iter().filter_map(keyed).collect())
    }

    /// Before the first key. Numbers begin once for each length they can have.
    pub(super) fn starts(&self) -> Vec<State> {
        match self {
            Language::Run { .. } => vec![State::Run(0)],
            Language::Coded { .. } => vec![State::after(0)],
            Language::Words(words) => {
                vec![State::Words { from: 0, to: u32::try_from(words.len()).unwrap_or(u32::MAX), depth: 0 }]
            }
            Language::Numbers(numbers) => numbers.lengths().filter_map(|n| numbers.place(n, 0, n)).collect(),
        }
    }

    /// After one more key; `None` where no value goes on like that.
    pub(super) fn step(&self, state: State, key: Key) -> Option<State> {
        match (self, state) {
            (Language::Run { max, signs, .. }, State::Run(n)) => {
                (n < *max && signs.has(key)).then_some(State::Run(n + 1))
            }
            (Language::Coded { max, codes, .. }, State::Coded { symbols, from, to, depth }) => {
                if depth == 0 && (symbols >= *max || key.is_digit()) {
                    return (symbols < *max).then_some(State::after(symbols + 1));
                }
                let to = if depth == 0 { u32::try_from(codes.len()).unwrap_or(u32::MAX) } else { to };
                let (from, to) = narrowed(codes, from, to, depth, key)?;
                let is_whole = codes.get(from as usize)?.0.len() == depth as usize + 1;
                Some(if is_whole {
                    State::after(symbols + 1)
                } else {
                    State::Coded { symbols, from, to, depth: depth + 1 }
                })
            }
            (Language::Words(words), State::Words { from, to, depth }) => {
                let (from, to) = narrowed(words, from, to, depth, key)?;
                Some(State::Words { from, to, depth: depth + 1 })
            }
            (Language::Numbers(numbers), State::Free { .. } | State::Edge { .. }) => {
                numbers.step(state, u64::from(key.sign().to_digit(10)?))
            }
            (Language::Run { .. } | Language::Coded { .. } | Language::Words(_) | Language::Numbers(_), _) => None,
        }
    }

    /// Whether what was keyed is a whole value.
    pub(super) fn accepts(&self, state: State) -> bool {
        match (self, state) {
            (Language::Run { min, .. }, State::Run(n)) => n >= *min,
            (Language::Coded { min, .. }, State::Coded { symbols, depth, .. }) => depth == 0 && symbols >= *min,
            // Of words with a common beginning, the one that is nothing else sorts first.
            (Language::Words(words), State::Words { from, depth, .. }) => {
                words.get(from as usize).is_some_and(|word| word.0.len() == depth as usize)
            }
            (Language::Numbers(_), State::Free { left, .. }) => left == 0,
            (Language::Run { .. } | Language::Coded { .. } | Language::Words(_) | Language::Numbers(_), _) => false,
        }
    }

    /// The lengths that values have: bit n stands for n keys.
    pub(super) fn lengths(&self) -> u128 {
        let bit = |n: u32| 1u128 << n.min(127);
        match self {
            Language::Run { min, max, .. } => (*min..=*max).map(bit).fold(0, |all, one| all | one),
            Language::Coded { min, max, codes } => {
                // What one symbol more adds: a key, or those of a code.
                let added: BTreeSet<usize> = codes.iter().map(|code| code.0.len()).chain([1]).collect();
                let longer = |now: u128| added.iter().fold(0, |all, keys| all | now << keys);
                let counts = (0..=*max).scan(1u128, |now, _| Some(std::mem::replace(now, longer(*now))));
                counts.skip(*min as usize).fold(0, |all, one| all | one)
            }
            Language::Words(words) => words.iter().map(|w| bit(w.0.len() as u32)).fold(0, |all, one| all | one),
            Language::Numbers(numbers) => {
                let held = numbers.lengths().filter(|n| numbers.place(*n, 0, *n).is_some());
                held.map(bit).fold(0, |all, one| all | one)
            }
        }
    }

    /// The keys of the longest value.
    pub(super) fn longest(&self) -> u32 {
        self.lengths().checked_ilog2().unwrap_or(0)
    }

    /// The keys of the shortest value.
    pub(super) fn shortest(&self) -> u32 {
        self.lengths().trailing_zeros().min(self.longest())
    }

    /// Keys that values may contain: all that do and, for numbers, perhaps a digit that does not.
    pub(super) fn signs(&self) -> KeySet {
        match self {
            Language::Run { signs, .. } => *signs,
            Language::Coded { codes, .. } => {
                codes.iter().flat_map(|code| code.0.iter().copied()).collect::<KeySet>().or(KeySet::DIGITS)
            }
            Language::Words(words) => words.iter().flat_map(|word| word.0.iter().copied()).collect(),
            Language::Numbers(_) => KeySet::DIGITS,
        }
    }

    /// Whether some value contains the key.
    pub(super) fn contains(&self, key: Key) -> bool {
        match self {
            Language::Run { max, signs, .. } => *max > 0 && signs.has(key),
            Language::Coded { .. } | Language::Words(_) => self.signs().has(key),
            Language::Numbers(_) => key.is_digit() && self.reaches(key),
        }
    }

    fn reaches(&self, key: Key) -> bool {
        let mut seen: std::collections::HashSet<State> = self.starts().into_iter().collect();
        let mut open: Vec<State> = seen.iter().copied().collect();
        while let Some(state) = open.pop() {
            if self.step(state, key).is_some() {
                return true;
            }
            let next = KeySet::DIGITS.keys().filter_map(|other| self.step(state, other));
            open.extend(next.filter(|state| seen.insert(*state)));
        }
        false
    }
}

impl Numbers {
    /// Lengths worth trying; not every one needs to have a number.
    fn lengths(&self) -> impl Iterator<Item = u32> + use<> {
        self.width..=self.width.max(self.max.checked_ilog10().unwrap_or(0) + 1)
    }

    /// The bounds of the numbers that are keyed with `length` digits.
    fn bounds(&self, length: u32) -> (u64, u64) {
        let low = if length > self.width { ten(length - 1) } else { 0 };
        (self.min.max(low), self.max.min(ten(length) - 1))
    }

    /// What `rest` the digits still to come must leave, after digits worth `before`.
    fn rest(&self, before: u64) -> u64 {
        (self.min % self.step + self.step - before % self.step) % self.step
    }

    /// The state after `prefix`, if a number of this length goes on like that.
    fn place(&self, length: u32, prefix: u64, left: u32) -> Option<State> {
        let (low, high) = self.bounds(length);
        let first = prefix.saturating_mul(ten(left));
        let last = first.saturating_add(ten(left) - 1);
        let from = first.max(low);
        let found = from.saturating_add(self.rest(from));
        if found > last.min(high) {
            return None;
        }
        if low <= first && last <= high {
            return Some(State::Free { left, rest: self.rest(first) });
        }
        Some(State::Edge { length, left, prefix })
    }

    fn step(&self, state: State, digit: u64) -> Option<State> {
        match state {
            State::Free { left, rest } => {
                let left = left.checked_sub(1)?;
                let used = (digit * ten(left)) % self.step;
                let rest = (rest + self.step - used) % self.step;
                (rest < ten(left)).then_some(State::Free { left, rest })
            }
            State::Edge { length, left, prefix } => self.place(length, prefix * 10 + digit, left.checked_sub(1)?),
            State::Run(_) | State::Coded { .. } | State::Words { .. } => None,
        }
    }
}

fn ten(power: u32) -> u64 {
    10u64.saturating_pow(power)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting::Value;
    use proptest::prelude::*;
    use std::collections::BTreeMap;
    use std::sync::Arc;

    fn accepts(language: &Language, keys: &[Key]) -> bool {
        let mut states = language.starts();
        for key in keys {
            states = states.into_iter().filter_map(|s| language.step(s, *key)).collect();
        }
        states.into_iter().any(|s| language.accepts(s))
    }

    fn keys(text: &str) -> Keys {
        text.parse().unwrap()
    }

    fn kinds() -> impl Strategy<Value = Kind> {
        let number = (0u32..120, 0u32..200, 1u32..40, proptest::option::of(1u32..4))
            .prop_map(|(min, more, step, width)| Kind::Number { min, max: min + more, step, width, unit: "".into() });
        let flags =
            (proptest::collection::vec(1u32..40, 1..5), proptest::option::of(1u32..4)).prop_map(|(numbers, width)| {
                let names = numbers.iter().enumerate().map(|(n, number)| (Name::from(format!("f{n}")), *number));
                Kind::Flags { names: names.collect(), width }
            });
        let digits = (0u32..3, 0u32..3).prop_map(|(min, more)| Kind::Digits { min, max: min + more });
        let pauses = proptest::sample::select(vec!["C", "#1", "A#", "#0A"]);
        let dial = (0u32..3, 0u32..3, pauses, proptest::bool::ANY).prop_map(|(min, more, pause, has_star)| {
            let mut symbols: BTreeMap<char, Keys> = [(',', keys(pause))].into();
            symbols.extend(has_star.then(|| ('*', keys("A1"))));
            Kind::Dial { min, max: (min + more).max(1), symbols: Arc::new(symbols) }
        });
        let choice = proptest::collection::vec("[12#A]{1,3}", 1..5).prop_map(|codes| {
            let codes = codes.iter().enumerate().map(|(n, code)| (Name::from(format!("c{n}")), keys(code)));
            Kind::Choice(codes.collect())
        });
        prop_oneof![number, flags, digits, dial, choice]
    }

    #[test]
    fn a_number_of_nine_digits_has_few_states() {
        let kind = Kind::Number { min: 1, max: 999_999_999, step: 1, width: None, unit: "".into() };
        let language = Language::of(&kind);
        assert_eq!((language.shortest(), language.longest()), (1, 9));
        assert!(language.contains(Key::new('0').unwrap()) && !language.contains(Key::new('#').unwrap()));
        assert!(accepts(&language, &keys("999999999").0) && !accepts(&language, &keys("0").0));
        assert!(!accepts(&language, &keys("01").0) && !accepts(&language, &keys("1000000000").0));
    }

    #[test]
    fn a_digit_that_no_number_contains_may_end_it() {
        let kind = Kind::Number { min: 2, max: 444, step: 2, width: None, unit: "".into() };
        let odd = Kind::Number { min: 5, max: 5555, step: 5550, width: None, unit: "".into() };
        assert!(Language::of(&kind).contains(Key::new('1').unwrap()));
        assert!(!Language::of(&odd).contains(Key::new('1').unwrap()));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(300))]
        #[test]
        fn a_language_accepts_exactly_what_stands_for_a_value(kind in kinds(), extra in "[01A#C]{0,7}") {
            let language = Language::of(&kind);
            let texts = (0..1200u32).map(|n| n.to_string())
                .chain((0..1000).map(|n| format!("{n:03}")))
                .chain((0..100).map(|n| format!("{n:02}")))
                .chain([extra, String::new()]);
            for text in texts {
                let pressed = keys(&text);
                prop_assert_eq!(accepts(&language, &pressed.0), kind.from_keys(&pressed.0).is_some(), "{}", text);
            }
        }

        #[test]
        fn every_state_that_is_handed_out_can_be_completed(kind in kinds(), picks in proptest::collection::vec(0usize..16, 8)) {
            let language = Language::of(&kind);
            for start in language.starts() {
                let (mut state, mut count) = (start, 0);
                for pick in &picks {
                    let next: Vec<State> = Key::ALL.iter().filter_map(|k| language.step(state, *k)).collect();
                    prop_assert!(!next.is_empty() || language.accepts(state));
                    if next.is_empty() { break; }
                    state = next[pick % next.len()];
                    count += 1;
                    prop_assert!(count <= language.longest());
                    prop_assert!(!language.accepts(state) || language.lengths() & (1 << count) != 0);
                }
            }
        }
    }

    #[test]
    fn flags_keyed_unevenly_are_listed_and_even_ones_counted() {
        let flags = |numbers: &[u32]| {
            let names = numbers.iter().map(|n| (Name::from(format!("f{n}")), *n)).collect();
            Language::of(&Kind::Flags { names, width: Some(2) })
        };
        assert!(matches!(flags(&[1, 2, 4]), Language::Numbers(_)));
        let uneven = flags(&[1, 2, 8]);
        assert!(matches!(uneven, Language::Words(_)));
        assert!(accepts(&uneven, &keys("11").0) && !accepts(&uneven, &keys("04").0));
        let none = Kind::Flags { names: vec![("a".into(), 3)], width: None };
        assert_eq!(none.from_keys(&keys("0").0), Some(Value::Flags(Default::default())));
    }
}
