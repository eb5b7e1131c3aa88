//! The lifelines of a keybook's text, as far as they can be read.

use super::lifeline::{Condition, Is, Lifeline};
use super::listed::{listed, one_or_several};
use super::settings::{Drafts, FILLED, NUMBER_MAX};
use super::words::{fit_name, name};
use super::{LIFELINES_MAX, SettingId};
use crate::finding::{Code, Finding, as_name, nearest};
use crate::setting::{Kind, Name, Weight, spoken};
use crate::yaml::{Data, Key, Node, Sheet};

/// Reads `lifelines`, which may be missing.
pub(super) fn read(sheet: &mut Sheet<'_>, drafts: &Drafts, node: Option<&Node>) -> Vec<Lifeline> {
    let before = errors(sheet);
    let entries = node.and_then(|node| sheet.entries(node, "\"lifelines\"")).unwrap_or_default();
    if let Some(node) = node.filter(|_| entries.len() > LIFELINES_MAX) {
        let message = format!("A keybook has at most {LIFELINES_MAX} lifelines; here are {}.", entries.len());
        let fix = "Leave out those of which another says as much: one for each button is enough.";
        sheet.note(Code::KeybookTooLarge, node.spot, message, fix);
    }
    let lifelines: Vec<Lifeline> =
        entries.iter().filter_map(|(key, node)| lifeline(sheet, drafts, entries, key, node)).collect();
    if errors(sheet) == before {
        all_in_one(sheet, drafts, &lifelines);
        are_weighty(sheet, drafts, &lifelines);
    }
    lifelines
}

fn errors(sheet: &Sheet<'_>) -> usize {
    sheet.findings.iter().filter(|finding| finding.is_error()).count()
}

/// One lifeline: a list of settings, or a mapping.
fn lifeline(sheet: &mut Sheet<'_>, drafts: &Drafts, all: &[(Key, Node)], key: &Key, node: &Node) -> Option<Lifeline> {
    let called = fit_name(sheet, &key.text, key.spot, "The name of a lifeline");
    let what = format!("The lifeline \"{}\"", key.text);
    let [title, settings, works, test, backs] = match &node.data {
        Data::Map(_) => sheet.map(node, &what, ["title", "settings", "works", "test", "backs"])?,
        Data::Scalar { .. } | Data::List(_) => [None, Some(node), None, None, None],
    };
    let title = title.and_then(|node| name(sheet, node, "\"title\""));
    let test = test.and_then(|node| name(sheet, node, "\"test\""));
    let backs = backs.and_then(|node| backed(sheet, all, key, node));
    if works.is_none() {
        sheet.required(settings, node, &what, "settings")?;
    }
    let listed = settings.map(|node| named(sheet, drafts, node, &what));
    let named = listed.clone().unwrap_or(Some(Vec::new()))?;
    let works = match works {
        Some(node) => works_of(sheet, drafts, node)?,
        None => by_numbers(drafts, &named),
    };
    let mut settings = named.clone();
    for condition in works.iter().flatten() {
        if !settings.contains(&condition.setting) {
            settings.push(condition.setting);
        }
    }
    if listed.is_none() {
        let names: Vec<&str> = settings.iter().map(|id| &**drafts.name(*id)).collect();
        let message = format!("{what} lists no \"settings\": a station where nothing is wanted or known has none.");
        let fix = format!("Add settings: [{}], or those of them that every station has.", names.join(", "));
        sheet.note(Code::LifelineUnlisted, key.spot, message, fix);
    }
    let (name, place) = (called?, sheet.place(key.spot));
    let button = button(&name, title.as_ref(), backs.is_none());
    Some(Lifeline { name, title, button, named: named.len(), settings, works, test, backs, place })
}

fn button(name: &str, title: Option<&Name>, is_required: bool) -> Name {
    let called = spoken(name, title);
    if title.is_none() && is_required { format!("the {called} button").into() } else { called.into() }
}

/// What `settings` lists, which is something.
fn named(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &Node, what: &str) -> Option<Vec<SettingId>> {
    let settings = listed(sheet, drafts, node, what)?;
    if matches!(&node.data, Data::List(items) if items.is_empty()) {
        let message = format!("{what} names no setting.");
        sheet.note(Code::WrongShape, node.spot, message, "List the settings that must be right together.");
    }
    Some(settings)
}

/// When a lifeline works whose keybook does not say: where one of its numbers is filled.
fn by_numbers(drafts: &Drafts, named: &[SettingId]) -> Vec<Vec<Condition>> {
    let is_number = |id: &&SettingId| matches!(drafts.kind(**id), Some(Kind::Dial { .. }));
    let filled = |id: &SettingId| vec![Condition { setting: *id, is: Is::Filled }];
    let works: Vec<Vec<Condition>> = named.iter().filter(is_number).map(filled).collect();
    if works.is_empty() { vec![Vec::new()] } else { works }
}

/// The lifeline that `backs` names, which backs none itself.
fn backed(sheet: &mut Sheet<'_>, all: &[(Key, Node)], own: &Key, node: &Node) -> Option<usize> {
    let text = sheet.text(node, "\"backs\"")?;
    let others = || all.iter().map(|(key, _)| &*key.text).filter(|name| *name != &*own.text);
    let Some(at) = all.iter().position(|(key, _)| *key.text == *text) else {
        let message = format!("This keybook has no lifeline \"{text}\".");
        sheet.note_unknown(Code::NameUnknown, node.spot, message, text, others());
        return None;
    };
    let wrong = if *text == *own.text {
        Some(format!("The lifeline \"{text}\" backs itself."))
    } else if all[at].1.get("backs").is_some() {
        Some(format!("The lifeline \"{text}\" is a fallback itself, so nothing can back it."))
    } else {
        None
    };
    let Some(message) = wrong else { return Some(at) };
    let fix = "Name the lifeline of the button, the one that is tried first.";
    let finding = Finding::new(Code::BacksFallback, sheet.place(node.spot), message, fix);
    sheet.add(finding.beside(sheet.place(all[at].0.spot), format!("the lifeline \"{text}\"")));
    None
}

/// `works`: one mapping of conditions, or a list of them.
fn works_of(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &Node) -> Option<Vec<Vec<Condition>>> {
    let ways = match &node.data {
        Data::List(items) => items.as_slice(),
        Data::Map(_) | Data::Scalar { .. } => std::slice::from_ref(node),
    };
    if ways.is_empty() {
        let fix = "Say what the settings must hold, or take \"works\" out.";
        sheet.note(Code::WrongShape, node.spot, "\"works\" is an empty list, so the button would never work.", fix);
    }
    let works: Option<Vec<Vec<Condition>>> = ways.iter().map(|way| conditions(sheet, drafts, way)).collect();
    works.filter(|works| works.iter().any(|way| !way.is_empty()))
}

fn conditions(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &Node) -> Option<Vec<Condition>> {
    let entries = sheet.entries(node, "\"works\"")?;
    if entries.is_empty() {
        let fix = "Say what the settings must hold, or take it out.";
        sheet.note(Code::WrongShape, node.spot, "\"works\" names no setting here.", fix);
    }
    let read = |(key, node): &(Key, Node)| {
        let setting = drafts.mentioned(sheet, &key.text, key.spot)?;
        let is = is(sheet, drafts.kind(setting)?, &key.text, node)?;
        Some(Condition { setting, is })
    };
    Some(entries.iter().filter_map(read).collect())
}

/// What is asked of a setting of that kind.
fn is(sheet: &mut Sheet<'_>, kind: &Kind, setting: &str, node: &Node) -> Option<Is> {
    if matches!(kind, Kind::Secret { .. }) {
        let message = format!("\"{setting}\" is a secret, which takes no part in \"works\".");
        sheet.note(Code::ConditionUnfit, node.spot, message, "Take it out here.");
        return None;
    }
    match &node.data {
        Data::Scalar { text, plain: true } if &**text == FILLED => filled(sheet, kind, setting, node),
        Data::Scalar { text, plain: true } if is_slip_of_filled(kind, text) => {
            let message = format!("\"{text}\" is no value of \"{setting}\".");
            sheet.note_unknown(Code::ConditionUnfit, node.spot, message, text, [FILLED]);
            None
        }
        Data::Map(_) => within(sheet, kind, setting, node),
        Data::Scalar { .. } | Data::List(_) => {
            let values = one_or_several(sheet, kind, node, &format!("What \"works\" wants of \"{setting}\""));
            (!values.is_empty()).then_some(Is::OneOf(values))
        }
    }
}

/// Whether `filled` is misspelt, where no value reads like it.
fn is_slip_of_filled(kind: &Kind, text: &str) -> bool {
    let has_filled = match kind {
        Kind::Dial { .. } | Kind::Digits { .. } => true,
        Kind::Flags { names, .. } => !names.iter().any(|(name, _)| &**name == text),
        Kind::Choice(_) | Kind::Number { .. } | Kind::Secret { .. } => false,
    };
    has_filled && nearest(text, [FILLED]).is_some()
}

fn filled(sheet: &mut Sheet<'_>, kind: &Kind, setting: &str, node: &Node) -> Option<Is> {
    if matches!(kind, Kind::Dial { .. } | Kind::Digits { .. } | Kind::Flags { .. }) {
        return Some(Is::Filled);
    }
    let message = format!("\"{setting}\" is of kind {}, which is never empty.", kind.as_str());
    let fix = "Write the values with which the button works; \"filled\" suits dial, digits and flags only.";
    sheet.note(Code::ConditionUnfit, node.spot, message, fix);
    None
}

/// `{min, max}`, of which one may be missing.
fn within(sheet: &mut Sheet<'_>, kind: &Kind, setting: &str, node: &Node) -> Option<Is> {
    let Kind::Number { min: least, max: most, step, .. } = kind else {
        let message = format!("\"{setting}\" is of kind {}, which has no \"min\" and \"max\".", kind.as_str());
        let fix = "Write a value, a list of values, or \"filled\" (dial, digits, flags).";
        sheet.note(Code::ConditionUnfit, node.spot, message, fix);
        return None;
    };
    let what = format!("What \"works\" wants of \"{setting}\"");
    let [min, max] = sheet.map(node, &what, ["min", "max"])?;
    if matches!(&node.data, Data::Map(entries) if entries.is_empty()) {
        let fix = "Write {min: N}, {max: N} or both.";
        sheet.note(Code::WrongShape, node.spot, format!("{what} is empty."), fix);
        return None;
    }
    let any = min.or(max).is_some();
    let mut bound = |node: Option<&Node>, key: &str, absent: u32| match node {
        Some(node) => sheet.number(node, &format!("\"{key}\""), 0..=NUMBER_MAX),
        None => Some(absent),
    };
    let (min, max) = (bound(min, "min", 0), bound(max, "max", NUMBER_MAX));
    let (min, max) = min.zip(max).filter(|_| any)?;
    if min > max {
        let message = format!("No value of \"{setting}\" is {min} or more and {max} or less.");
        sheet.note(Code::ConditionUnfit, node.spot, message, format!("Write {{min: {max}, max: {min}}}."));
        return None;
    }
    // The first value of the setting that is not below `min`.
    let first = least + min.saturating_sub(*least).div_ceil(*step) * step;
    if first > max.min(*most) {
        let asked = match (min, max) {
            (0, max) => format!("at most {max}"),
            (min, NUMBER_MAX) => format!("{min} or more"),
            (min, max) => format!("from {min} to {max}"),
        };
        let message = format!("No value of \"{setting}\" is {asked}.");
        let steps = if *step == 1 { String::new() } else { format!(" in steps of {step}") };
        let fix = format!("It takes {least} to {most}{steps}.");
        sheet.note(Code::ConditionUnfit, node.spot, message, fix);
        return None;
    }
    Some(Is::Within { min, max })
}

/// Every setting of weight `lifeline` must be in a lifeline, or no test would prove it.
fn all_in_one(sheet: &mut Sheet<'_>, drafts: &Drafts, lifelines: &[Lifeline]) {
    let weighty = |id: &SettingId| drafts.weight(*id) == Some(Weight::Lifeline);
    for id in drafts.ids().filter(weighty) {
        if !lifelines.iter().any(|lifeline| lifeline.settings.contains(&id)) {
            let message = format!("\"{}\" has the weight lifeline and is in no lifeline.", drafts.name(id));
            sheet.note(Code::LifelineMissing, drafts.spot(id), message, fix_for(drafts, id, lifelines));
        }
    }
}

/// What decides whether a button calls is lifeline-critical. With another weight its drift would be told as less than that.
fn are_weighty(sheet: &mut Sheet<'_>, drafts: &Drafts, lifelines: &[Lifeline]) {
    let mut told: Vec<SettingId> = Vec::new();
    for button in lifelines.iter().filter(|lifeline| lifeline.is_required()) {
        for id in &button.settings {
            let Some(weight) = drafts.weight(*id).filter(|weight| *weight != Weight::Lifeline) else { continue };
            if told.contains(id) {
                continue;
            }
            told.push(*id);
            let (name, button) = (drafts.name(*id), &button.button);
            let message = format!("\"{name}\" decides whether {button} calls, and its weight is {weight}.");
            sheet.note(Code::LifelineWeight, drafts.spot(*id), message, "Add weight: lifeline.");
        }
    }
}

/// Where a setting without a lifeline belongs. Only its owner knows which number is tried first, so both lines are named.
fn fix_for(drafts: &Drafts, id: SettingId, lifelines: &[Lifeline]) -> String {
    let setting = drafts.name(id);
    let is_number = |id: &SettingId| matches!(drafts.kind(*id), Some(Kind::Dial { .. }));
    let buttons: Vec<&Lifeline> = lifelines.iter().filter(|lifeline| lifeline.is_required()).collect();
    if !is_number(&id) {
        let button = match buttons.as_slice() {
            [] => return "Add a lifeline for the button that it affects, with this in its \"settings\".".into(),
            [one] => as_name(&one.name),
            [_, _, ..] => "the button that it affects".into(),
        };
        return format!(
            "Add it to \"settings\" of {button}. If the button works only with some of its values, add those to \"works\", beside \
             the number."
        );
    }
    let stem = |name: &Name| name.split('.').next().unwrap_or_default().to_owned();
    let of_stem = |id: &SettingId| is_number(id) && stem(drafts.name(*id)) == stem(setting);
    let own = buttons.iter().find(|button| button.settings.iter().any(of_stem));
    let button = own.map_or_else(|| "BUTTON".into(), |button| as_name(&button.name));
    let hyphened = setting.replace('.', "-");
    let is_taken = lifelines.iter().any(|lifeline| *lifeline.name == *hyphened);
    let name = as_name(&if is_taken { format!("{hyphened}-2") } else { hyphened });
    let first = match own {
        Some(_) => format!("add it to \"settings\" of {button}"),
        None => format!("add under \"lifelines\": {name}: [{setting}]"),
    };
    format!(
        "If it is tried first, {first}. If it is tried when another does not answer, add under \"lifelines\": {name}: {{backs: \
         {button}, settings: [{setting}]}}"
    )
}

#[cfg(test)]
mod tests {
    use crate::finding::Code;
    use crate::keybook::read;
    use crate::keybook::sample::TERN;

    /// What is said of the sample whose lifelines are these: code, the text it points at, message and fix.
    fn told(lifelines: &str) -> Vec<(Code, String, String, String)> {
        let (before, rest) = TERN.split_once("lifelines:\n").unwrap();
        let text = format!("{before}lifelines:\n{lifelines}commands:{}", rest.split_once("commands:").unwrap().1);
        let (_, findings) = read(&"k.yaml".into(), text.as_bytes());
        let at = |place: &crate::finding::Place| {
            let line = text.lines().nth(place.line as usize - 1).unwrap_or("");
            line.chars().skip(place.column as usize - 1).take(place.length as usize).collect()
        };
        // Weights have a test of their own.
        let others = findings.iter().filter(|f| f.code != Code::LifelineWeight);
        others.map(|f| (f.code, at(&f.place), f.message.clone(), f.fix.clone())).collect()
    }

    #[test]
    fn what_decides_whether_a_button_calls_has_the_weight_lifeline() {
        let number = "emergency.primary: {kind: dial, digits: [1, 20]";
        let text = TERN.replace(&format!("{number}, weight: lifeline}}"), &format!("{number}}}"));
        let (book, findings) = read(&"k.yaml".into(), text.as_bytes());
        let [one] = &findings[..] else { panic!("{findings:#?}") };
        assert!(book.is_some());
        assert_eq!((one.code, one.place.line, &*one.fix), (Code::LifelineWeight, 20, "Add weight: lifeline."));
        assert_eq!(
            one.message,
            "\"emergency.primary\" decides whether the emergency button calls, and its weight is routine."
        );
        // The number of a fallback is tried second, and may weigh less.
        let number = "factory: \"\", weight: lifeline}";
        assert!(read(&"k.yaml".into(), TERN.replace(number, "factory: \"\"}").as_bytes()).1.is_empty());
        assert!(read(&"k.yaml".into(), TERN.as_bytes()).1.is_empty());
    }

    const SECOND: &str = "  second: {backs: emergency, settings: [emergency.backup]}\n";

    /// What is said where `emergency` is this, beside a sound fallback of it.
    fn emergency(text: &str) -> Vec<(Code, String, String)> {
        let told = told(&format!("  emergency: {text}\n{SECOND}"));
        told.into_iter().map(|(code, at, message, _)| (code, at, message)).collect()
    }

    /// The same, where it is no more than this.
    fn one(text: &str, code: Code, at: &str) {
        let told = emergency(&format!("{{settings: [line.kind, emergency.primary], works: {text}}}"));
        assert_eq!(
            told.iter().map(|(code, at, _)| (*code, &**at)).collect::<Vec<_>>(),
            [(code, at)],
            "{text} {told:?}"
        );
    }

    #[test]
    fn both_forms_are_read_without_a_word() {
        assert_eq!(emergency("[line.kind, emergency.primary]"), []);
        for works in [
            "{emergency.primary: filled}",
            "[{line.kind: direct, emergency.primary: filled}, {line.kind: [pbx, ringdown], gate.seconds: {min: 2}}]",
            "{lamp.follows: [[], [emergency]], emergency.primary: \"1\", gate.seconds: {max: 1}, identity: filled}",
        ] {
            let text = format!(
                "{{title: red button, settings: [line.kind, emergency.primary], works: {works}, test: Press.}}"
            );
            assert_eq!(emergency(&text), [], "{works}");
        }
    }

    #[test]
    fn a_condition_that_does_not_go_with_its_kind_is_refused() {
        one("{access: filled}", Code::ConditionUnfit, "filled");
        one("{line.kind: filled}", Code::ConditionUnfit, "filled");
        one("{gate.seconds: filled}", Code::ConditionUnfit, "filled");
        one("{emergency.primary: {min: 1}}", Code::ConditionUnfit, "{");
        one("{line.kind: service}", Code::ValueOutside, "service");
        one("{gate.seconds: 100}", Code::ValueOutside, "100");
        one("{line.kind: factory}", Code::ValueOutside, "factory");
        one("{emergency.primary: \"filled\"}", Code::PauseUnstorable, "\"filled\"");
        one("{line: direct}", Code::NameUnknown, "line");
        let slip =
            told(&format!("  emergency: {{settings: [line.kind], works: {{emergency.primary: filed}}}}\n{SECOND}"));
        assert_eq!(slip[0].3, "If you mean \"filled\", write that.");
        let turned = told(&format!(
            "  emergency: {{settings: [line.kind, emergency.primary], works: {{gate.seconds: {{min: 8, max: 3}}}}}}\n{SECOND}"
        ));
        assert_eq!(turned[0].3, "Write {min: 3, max: 8}.");
    }

    #[test]
    fn a_condition_that_no_value_meets_is_refused() {
        one("{gate.seconds: {min: 100}}", Code::ConditionUnfit, "{");
        one("{gate.seconds: {max: 0}}", Code::ConditionUnfit, "{");
        one("{gate.seconds: {min: 9, max: 8}}", Code::ConditionUnfit, "{");
        let stepped = TERN.replace("min: 1, max: 99", "min: 1, step: 7, max: 99");
        let works = |bounds: &str| {
            let long =
                format!("emergency: {{settings: [line.kind, emergency.primary], works: {{gate.seconds: {bounds}}}}}");
            let text = stepped
                .replace("emergency: [line.kind, emergency.primary]", &long)
                .replace("factory: 5}", "factory: 8, weight: lifeline}");
            read(&"k.yaml".into(), text.as_bytes()).1.iter().map(|finding| finding.code).collect::<Vec<_>>()
        };
        assert_eq!(works("{min: 9, max: 14}"), [Code::ConditionUnfit], "1, 8, 15, …");
        assert_eq!(works("{min: 9, max: 15}"), []);
        assert_eq!(works("{min: 1, max: 1}"), []);
    }

    #[test]
    fn what_is_empty_is_refused() {
        one("{}", Code::WrongShape, "{");
        one("[]", Code::WrongShape, "[");
        one("[{line.kind: direct}, {}]", Code::WrongShape, "{");
        one("{line.kind: []}", Code::WrongShape, "[");
        one("{gate.seconds: {}}", Code::WrongShape, "{");
        one("filled", Code::WrongShape, "filled");
        one("{gate.seconds: {most: 3}}", Code::KeyUnknown, "most");
    }

    #[test]
    fn settings_may_be_left_out_where_works_names_some_with_a_warning() {
        let told = told(&format!("  emergency: {{works: {{line.kind: direct, emergency.primary: filled}}}}\n{SECOND}"));
        let [(Code::LifelineUnlisted, at, _, fix)] = &told[..] else { panic!("{told:?}") };
        assert_eq!(at, "emergency");
        assert_eq!(fix, "Add settings: [line.kind, emergency.primary], or those of them that every station has.");
        assert_eq!(emergency("{title: red}").iter().map(|told| told.0).collect::<Vec<_>>(), [Code::KeyMissing]);
    }

    #[test]
    fn a_fallback_backs_a_lifeline_that_backs_none() {
        let third = |backs: &str| {
            let third = format!("  third: {{backs: {backs}, settings: [line.kind]}}\n");
            let told = told(&format!("  emergency: [line.kind, emergency.primary]\n{SECOND}{third}"));
            told.into_iter().map(|(code, at, _, fix)| (code, at, fix)).collect::<Vec<_>>()
        };
        assert_eq!(third("emergency"), []);
        let fix = "Name the lifeline of the button, the one that is tried first.";
        assert_eq!(third("second"), [(Code::BacksFallback, "second".into(), fix.into())]);
        assert_eq!(third("third"), [(Code::BacksFallback, "third".into(), fix.into())]);
        let near = "If you mean \"emergency\", write that.";
        assert_eq!(third("emergnecy"), [(Code::NameUnknown, "emergnecy".into(), near.into())]);
    }

    #[test]
    fn every_setting_of_weight_lifeline_belongs_to_one_and_the_fix_leaves_what_only_its_owner_knows_to_him() {
        let fixes = |lifelines: &str| {
            let told = told(lifelines);
            assert!(told.iter().all(|told| told.0 == Code::LifelineMissing), "{told:?}");
            told.into_iter().map(|(_, at, _, fix)| (at, fix)).collect::<Vec<_>>()
        };
        let own = |at: &str, fix: &str| (at.to_string(), fix.to_string());
        let line = "emergency-backup: {backs: emergency, settings: [emergency.backup]}";
        assert_eq!(
            fixes("  emergency: [emergency.primary]\n"),
            [
                own(
                    "line.kind",
                    "Add it to \"settings\" of emergency. If the button works only with some of its values, add those to \
                     \"works\", beside the number."
                ),
                own(
                    "emergency.backup",
                    &format!(
                        "If it is tried first, add it to \"settings\" of emergency. If it is tried when another does not answer, \
                         add under \"lifelines\": {line}"
                    )
                ),
            ]
        );
        // Either does it.
        assert_eq!(fixes(&format!("  emergency: [line.kind, emergency.primary]\n  {line}\n")), []);
        assert_eq!(fixes("  emergency: [line.kind, emergency.primary, emergency.backup]\n"), []);
        // Where the second number is the button's so far, the first is not called its fallback.
        let first = fixes("  emergency: [line.kind, emergency.backup]\n");
        assert!(first[0].1.starts_with("If it is tried first, add it to \"settings\" of emergency. "), "{first:?}");
        let text = TERN.replace("lifelines:\n", "").replace("  emergency: [line.kind, emergency.primary]\n", "");
        let text = text.replace("  second: {backs: emergency, settings: [line.kind, emergency.backup]}\n", "");
        let (_, findings) = read(&"k.yaml".into(), text.as_bytes());
        assert_eq!(findings.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::LifelineMissing; 3]);
        // What `works` names belongs to it, too.
        assert_eq!(
            fixes("  emergency: {settings: [emergency.primary, emergency.backup], works: {line.kind: direct}}\n"),
            []
        );
    }

    #[test]
    fn filled_and_factory_name_no_value() {
        for word in ["filled", "factory"] {
            let text = TERN.replace("ringdown: \"3\"", &format!("{word}: \"3\""));
            let (_, findings) = read(&"k.yaml".into(), text.as_bytes());
            assert_eq!(findings.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::NameRepeated], "{word}");
        }
    }

    #[test]
    fn titles_are_said_where_there_are_some_and_else_the_name() {
        let text = TERN.replace("weight: locating}", "weight: locating, title: what it says}");
        let book = crate::keybook::sample::keybook(&text.replace("  second: {", "  second-one.x: {title: the spare, "));
        assert_eq!(book.lifelines.iter().map(super::Lifeline::title).collect::<Vec<_>>(), ["emergency", "the spare"]);
        assert_eq!(
            (book.settings[1].title(), book.settings[3].title()),
            ("what it says".into(), "emergency primary".into())
        );
        let book = crate::keybook::sample::keybook(&TERN.replace("  second: {", "  second-one.x: {"));
        assert_eq!(book.lifelines[1].title(), "second one x");
    }
}
