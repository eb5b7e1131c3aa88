//! Whether two key sequences can be confused: a string of one is, or begins, a string of the other.
//!
//! Decided for all values that the fields allow, by walking both templates key by key; never by trying out
//! some values. A field that is keyed twice is taken for two fields first; only if that leaves a doubt,
//! [`repeats`] decides with the two held equal.

use std::collections::HashSet;

use super::SettingId;
use super::confusion::{Budget, Confusion, Languages, Verdict, Whole};
use super::field::{Language, State};
use super::repeats;
use super::template::{Template, TemplatePart, Use};
use crate::setting::{Key, Keys};

/// Compares two sequences whose settings all have a language.
pub(super) fn compare(first: &Template, second: &Template, languages: &Languages, budget: &mut Budget) -> Verdict {
    budget.begin_pair();
    let (Some(a), Some(b)) = (Machine::of(first, languages), Machine::of(second, languages)) else {
        return Verdict::Unsure;
    };
    match meet(&a, &b, budget) {
        Verdict::Confused(_) if repeats_a_field(first) || repeats_a_field(second) => {
            repeats::decide(first, second, languages, budget)
        }
        verdict @ (Verdict::Apart | Verdict::Confused(_) | Verdict::Unsure) => verdict,
    }
}

fn repeats_a_field(template: &Template) -> bool {
    template.counts().1.values().any(|times| *times > 1)
}

/// A template as an automaton; a field that is keyed twice counts as two.
struct Machine<'l>(Vec<Piece<'l>>);

enum Piece<'l> {
    Key(Key),
    Field(&'l Language),
}

/// A place in a template: before a key (or at the end), or within a field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Point {
    part: usize,
    within: Option<State>,
}

impl<'l> Machine<'l> {
    fn of(template: &Template, languages: &'l Languages) -> Option<Machine<'l>> {
        let language = |id: &SettingId| languages.get(id.index()).and_then(Option::as_ref);
        let pieces = template.0.iter().map(|part| match part {
            TemplatePart::Key(key) => Some(Piece::Key(*key)),
            TemplatePart::Field(Use::Store | Use::Held, id) => language(id).map(Piece::Field),
        });
        pieces.collect::<Option<Vec<_>>>().map(Machine)
    }

    /// Every point that one stands at on coming to `part`; a field that may be empty is also passed by.
    fn enter(&self, mut part: usize, points: &mut Vec<Point>) {
        while let Some(Piece::Field(language)) = self.0.get(part) {
            let starts = language.starts();
            let passable = starts.iter().any(|s| language.accepts(*s));
            points.extend(starts.into_iter().map(|state| Point { part, within: Some(state) }));
            if !passable {
                return;
            }
            part += 1;
        }
        points.push(Point { part, within: None });
    }

    fn step(&self, point: Point, key: Key, points: &mut Vec<Point>) {
        match (self.0.get(point.part), point.within) {
            (Some(Piece::Key(wanted)), _) if *wanted == key => self.enter(point.part + 1, points),
            (Some(Piece::Field(language)), Some(state)) => {
                let Some(state) = language.step(state, key) else { return };
                points.push(Point { part: point.part, within: Some(state) });
                if language.accepts(state) {
                    self.enter(point.part + 1, points);
                }
            }
            (Some(Piece::Key(_) | Piece::Field(_)) | None, _) => {}
        }
    }

    fn ended(&self, point: Point) -> bool {
        point.part >= self.0.len()
    }
}

/// Both templates walked together, breadth first, until one has ended: the other can always be completed.
fn meet(a: &Machine<'_>, b: &Machine<'_>, budget: &mut Budget) -> Verdict {
    let mut search = Search::default();
    let (mut of_a, mut of_b) = (Vec::new(), Vec::new());
    a.enter(0, &mut of_a);
    b.enter(0, &mut of_b);
    search.add(&of_a, &of_b, None);
    let mut next = 0;
    while let Some(Met { points: (at_a, at_b), .. }) = search.met.get(next) {
        let (at_a, at_b) = (*at_a, *at_b);
        if let Some(whole) = Whole::of(a.ended(at_a), b.ended(at_b)) {
            return Verdict::Confused(Confusion { keys: search.path(next), whole });
        }
        if !budget.spend(1) {
            return Verdict::Unsure;
        }
        for key in Key::ALL {
            of_a.clear();
            of_b.clear();
            a.step(at_a, key, &mut of_a);
            if !of_a.is_empty() {
                b.step(at_b, key, &mut of_b);
                search.add(&of_a, &of_b, Some((next, key)));
            }
        }
        next += 1;
    }
    Verdict::Apart
}

/// Pairs of points that the same keys lead to, in the order found.
#[derive(Default)]
struct Search {
    met: Vec<Met>,
    known: HashSet<(Point, Point)>,
}

struct Met {
    points: (Point, Point),
    /// The pair before, and the key from there to here.
    from: Option<(usize, Key)>,
}

impl Search {
    fn add(&mut self, of_a: &[Point], of_b: &[Point], from: Option<(usize, Key)>) {
        for a in of_a {
            for b in of_b {
                if self.known.insert((*a, *b)) {
                    self.met.push(Met { points: (*a, *b), from });
                }
            }
        }
    }

    fn path(&self, to: usize) -> Keys {
        let mut keys = Vec::new();
        let mut at = self.met.get(to).and_then(|met| met.from);
        while let Some((before, key)) = at {
            keys.push(key);
            at = self.met.get(before).and_then(|met| met.from);
        }
        keys.reverse();
        Keys(keys)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting::{Kind, Name};
    use proptest::prelude::*;
    use std::collections::{BTreeMap, BTreeSet};
    use std::sync::Arc;

    fn keys(text: &str) -> Keys {
        text.parse().unwrap()
    }

    fn number(min: u32, max: u32, step: u32, width: Option<u32>) -> Kind {
        Kind::Number { min, max, step, width, unit: "".into() }
    }

    fn choice(codes: &[&str]) -> Kind {
        Kind::Choice(codes.iter().map(|code| (Name::from(*code), keys(code))).collect())
    }

    fn verdict(kinds: &[Kind], first: &str, second: &str) -> Verdict {
        verdict_within(Budget::WHOLE, kinds, first, second)
    }

    fn verdict_within(whole: u64, kinds: &[Kind], first: &str, second: &str) -> Verdict {
        let languages: Vec<_> = kinds.iter().map(|k| Some(Language::of(k))).collect();
        let read = |text| Template::parse(text, |name| name.parse().ok().map(SettingId)).unwrap();
        compare(&read(first), &read(second), &languages, &mut Budget::of(whole))
    }

    fn confused(keys_: &str, whole: Whole) -> Verdict {
        Verdict::Confused(Confusion { keys: keys(keys_), whole })
    }

    #[test]
    fn a_command_that_begins_another_is_found_with_an_example() {
        let kinds = [Kind::Digits { min: 1, max: 8 }];
        assert_eq!(verdict(&kinds, "10{0}#", "1012#34"), confused("1012#", Whole::First));
        assert_eq!(verdict(&kinds, "9999#", "99{0}#"), confused("9999#", Whole::Both));
        assert_eq!(verdict(&kinds, "10{0}#", "11{0}#"), Verdict::Apart);
        assert_eq!(verdict(&kinds, "10{0}#", "1{0}*"), Verdict::Apart);
    }

    #[test]
    fn numbers_are_told_apart_by_their_bounds_and_steps() {
        let kinds =
            [number(1, 4, 1, None), number(5, 9, 1, None), number(0, 98, 2, Some(2)), number(1, 99, 2, Some(2))];
        assert_eq!(verdict(&kinds, "4{0}", "4{1}"), Verdict::Apart);
        assert_eq!(verdict(&kinds, "4{2}", "4{3}"), Verdict::Apart);
        assert_eq!(verdict(&kinds, "4{0}", "4{3}"), confused("41", Whole::First));
    }

    #[test]
    fn a_value_keyed_twice_is_the_same_value() {
        let kinds = [
            Kind::Digits { min: 4, max: 8 },
            Kind::Digits { min: 1, max: 8 },
            number(0, 49_999, 1, Some(5)),
            number(50_000, 99_999, 1, Some(5)),
            number(0, 99_999, 1, Some(5)),
        ];
        assert_eq!(verdict(&kinds, "9{0}#{0}#", "91111#2222#"), Verdict::Apart);
        assert_eq!(verdict(&kinds, "9{0}#{0}#", "91112#1112#5"), confused("91112#1112#", Whole::First));
        assert!(matches!(verdict(&kinds, "9{0}#{0}#", "9{1}#{0}#"), Verdict::Confused(_)));
        assert_eq!(verdict(&kinds, "9{4}#{4}#", "9{2}#{3}#"), Verdict::Apart);
        assert_eq!(verdict(&kinds, "9{=0}#{=0}#", "91111#2222#"), Verdict::Apart);
        assert!(matches!(verdict(&kinds, "9{=0}#{0}#", "91111#2222#"), Verdict::Confused(_)));
    }

    #[test]
    fn templates_too_entangled_to_tell_are_not_called_apart() {
        let kinds = [Kind::Digits { min: 0, max: 40 }];
        let many = "{0}{=0}".repeat(20);
        assert_eq!(verdict_within(2_000, &kinds, &format!("{many}#"), &format!("{many}*")), Verdict::Unsure);
    }

    /// All strings of a template, the plain way: every value of every field, a repeated one the same.
    fn strings(template: &Template, values: &[Vec<Keys>]) -> BTreeSet<Keys> {
        let fields: Vec<(Use, SettingId)> = template.counts().1.into_keys().collect();
        let mut chosen: Vec<BTreeMap<(Use, SettingId), Keys>> = vec![BTreeMap::new()];
        for field in fields {
            let with = |one: &BTreeMap<_, _>, value: &Keys| {
                let mut one = one.clone();
                one.insert(field, value.clone());
                one
            };
            chosen = chosen.iter().flat_map(|one| values[field.1.index()].iter().map(move |v| with(one, v))).collect();
        }
        let press =
            |one: &BTreeMap<(Use, SettingId), Keys>| template.press(|how, id| one.get(&(how, id)).cloned().ok_or(()));
        chosen.iter().map(|one| press(one).unwrap()).collect()
    }

    fn plainly_confused(a: &BTreeSet<Keys>, b: &BTreeSet<Keys>) -> bool {
        let begins = |short: &BTreeSet<Keys>, long: &BTreeSet<Keys>| {
            let beginnings: BTreeSet<&[Key]> = long.iter().flat_map(|k| (0..=k.0.len()).map(|n| &k.0[..n])).collect();
            short.iter().any(|k| beginnings.contains(&k.0[..]))
        };
        begins(a, b) || begins(b, a)
    }

    fn tiny_kinds() -> impl Strategy<Value = Kind> {
        let dial = (0u32..2, proptest::sample::select(vec!["#", "#2", "#21"])).prop_map(|(min, pause)| {
            let symbols: BTreeMap<char, Keys> = [(',', keys(pause))].into();
            Kind::Dial { min, max: 1, symbols: Arc::new(symbols) }
        });
        prop_oneof![
            dial,
            (0u32..2, 0u32..2).prop_map(|(min, more)| Kind::Digits { min, max: min + more }),
            (0u32..30, 0u32..40, 1u32..9, proptest::option::of(1u32..3)).prop_map(|(min, more, step, width)| number(
                min,
                min + more,
                step,
                width
            )),
            proptest::collection::btree_set("[12#]{1,3}", 1..4)
                .prop_map(|codes| choice(&codes.iter().map(String::as_str).collect::<Vec<_>>())),
            (proptest::collection::btree_set(1u32..20, 1..4), proptest::option::of(1u32..3)).prop_map(
                |(numbers, width)| {
                    let names = numbers.iter().map(|n| (Name::from(n.to_string()), *n)).collect();
                    Kind::Flags { names, width }
                }
            ),
        ]
    }

    /// Templates of few parts, with fields that come again, over a small alphabet.
    fn tiny_templates() -> impl Strategy<Value = Template> {
        let key =
            prop_oneof![Just('1'), Just('2'), Just('#')].prop_map(|sign| TemplatePart::Key(Key::new(sign).unwrap()));
        let field = (0u16..2, prop_oneof![3 => Just(Use::Store), 1 => Just(Use::Held)])
            .prop_map(|(id, how)| TemplatePart::Field(how, SettingId(id)));
        proptest::collection::vec(prop_oneof![1 => key, 1 => field], 1..6).prop_map(Template)
    }

    /// Every value of a tiny kind, found by trying all keys of up to three signs: independent of the languages.
    fn all_values(kind: &Kind) -> Vec<Keys> {
        let signs: Vec<Key> = "0123456789#".chars().filter_map(Key::new).collect();
        let mut all = vec![Keys::default()];
        let mut last = all.clone();
        for _ in 0..3 {
            last = last
                .iter()
                .flat_map(|k| {
                    signs.iter().map(|s| {
                        let mut k = k.clone();
                        k.0.push(*s);
                        k
                    })
                })
                .collect();
            all.extend(last.clone());
        }
        all.retain(|keys| kind.from_keys(&keys.0).is_some());
        all
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]
        #[test]
        fn the_verdict_is_that_of_comparing_all_strings(
            kinds in [tiny_kinds(), tiny_kinds()], a in tiny_templates(), b in tiny_templates(),
        ) {
            let values: Vec<Vec<Keys>> = kinds.iter().map(all_values).collect();
            let size = |t: &Template| t.counts().1.keys().map(|(_, id)| values[id.index()].len()).product::<usize>();
            prop_assume!(size(&a) <= 1200 && size(&b) <= 1200);
            let (of_a, of_b) = (strings(&a, &values), strings(&b, &values));
            let languages: Vec<_> = kinds.iter().map(|k| Some(Language::of(k))).collect();
            match compare(&a, &b, &languages, &mut Budget::new()) {
                Verdict::Apart => prop_assert!(!plainly_confused(&of_a, &of_b)),
                Verdict::Unsure => prop_assert!(false, "a budget for tiny templates ran out"),
                Verdict::Confused(Confusion { keys, whole }) => {
                    let (first, second) = match whole {
                        Whole::Both => (of_a.contains(&keys), of_b.contains(&keys)),
                        Whole::First => (of_a.contains(&keys), of_b.iter().any(|k| k.0.starts_with(&keys.0))),
                        Whole::Second => (of_a.iter().any(|k| k.0.starts_with(&keys.0)), of_b.contains(&keys)),
                    };
                    prop_assert!(first && second, "{} is no example", keys);
                }
            }
        }
    }

    #[test]
    fn a_stored_pause_counts_as_the_key_it_is_keyed_as() {
        let symbols: BTreeMap<char, Keys> = [(',', keys("C"))].into();
        let kinds = [Kind::Dial { min: 1, max: 20, symbols: Arc::new(symbols) }];
        assert!(matches!(verdict(&kinds, "21{0}#", "219C#"), Verdict::Confused(_)));
        assert_eq!(verdict(&kinds, "21{0}#", "219D#"), Verdict::Apart);
        let symbols: BTreeMap<char, Keys> = [(',', keys("*1"))].into();
        let kinds = [Kind::Dial { min: 1, max: 3, symbols: Arc::new(symbols) }];
        assert_eq!(verdict(&kinds, "21{0}#", "21*1*14#5"), confused("21*1*14#", Whole::First));
        assert_eq!(verdict(&kinds, "21{0}#", "21*1*1*14#"), Verdict::Apart, "four symbols");
        assert_eq!(verdict(&kinds, "21{0}#", "21*2#"), Verdict::Apart);
        assert_eq!(verdict(&kinds, "21{0}#{0}#", "214*1#4*2#"), Verdict::Apart);
        assert!(matches!(verdict(&kinds, "21{0}#{0}#", "214*1#4*1#"), Verdict::Confused(_)));
        assert!(matches!(verdict(&kinds, "2{0}#{0}#1", "2{=0}#4*1#"), Verdict::Confused(_)));
    }
}
