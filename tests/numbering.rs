//! Numbering beside the reference implementation of the public numbering metadata (PyPI `phonenumbers`, which
//! `tests/numbering/reference.py` asks): what is dialled at home and which lengths a country uses.
//!
//! The reference makes up the numbers, so that nobody's stand here. `STATIONKEEP_TEST_PYTHON` names its Python.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::process::{Command, Stdio};
use std::sync::LazyLock;

use proptest::prelude::*;
use serde_json::Value as Json;
use stationkeep::inventory::{Country, E164, Form, Line, LineKind, NotE164, Reach, dial};

/// Countries, and significant numbers that their authorities keep for fiction (`x` is any digit): Ofcom's numbers for
/// drama, NANPA's 555-01xx, BNetzA 148/2021, ARCEP 2018-0881, ACMA; none published for the others.
const COUNTRIES: [(&str, &[&str]); 22] = [
    ("GB", &["1632960xxx", "2079460xxx", "7700900xxx", "8081570xxx"]),
    ("US", &["20255501xx", "20755501xx"]),
    ("CA", &["61355501xx"]),
    ("JM", &["87655501xx"]),
    ("IT", &[]),
    ("DE", &["3023125xxx", "17139200xx"]),
    ("FR", &["19900xxxx", "63998xxxx"]),
    ("HU", &[]),
    ("AU", &["255501xxx", "4915701xx"]),
    ("NL", &[]),
    ("ES", &[]),
    ("RU", &[]),
    ("KZ", &[]),
    ("BR", &[]),
    ("MX", &[]),
    ("SE", &[]),
    ("NO", &[]),
    ("IE", &[]),
    ("JP", &[]),
    ("IN", &[]),
    ("SM", &[]),
    ("GG", &[]),
];

struct Answer {
    country: String,
    number: String,
    kind: String,
    /// After the calling code, as it was given.
    digits: String,
    prefix: String,
    significant: String,
    possible: String,
    /// Whether these digits are a number.
    valid: bool,
    /// The reference's own national form of a whole number that it reads as these digits, and else nothing.
    national: String,
}

/// All that the reference says, asked once.
static ANSWERS: LazyLock<Vec<Answer>> = LazyLock::new(ask);

fn ask() -> Vec<Answer> {
    let asked = COUNTRIES.map(|(country, fiction)| serde_json::json!({"country": country, "fiction": fiction}));
    let others = serde_json::json!({ "others": COUNTRIES.map(|(country, _)| country) });
    put(&[&asked[..], &[others]].concat()).iter().map(answer).collect()
}

/// What the reference answers, a line each.
fn put(questions: &[Json]) -> Vec<Json> {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON").expect("STATIONKEEP_TEST_PYTHON is set (tests/run does it)");
    let mut child = Command::new(python)
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/numbering/reference.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the reference");
    let mut asked = child.stdin.take().expect("its input");
    for question in questions {
        writeln!(asked, "{question}").expect("a line");
    }
    drop(asked);
    let output = child.wait_with_output().expect("its answers");
    assert!(output.status.success(), "the reference failed");
    let text = String::from_utf8(output.stdout).expect("text");
    text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

fn answer(json: &Json) -> Answer {
    let text = |name: &str| json[name].as_str().expect("a text").to_owned();
    Answer {
        country: text("country"),
        number: text("number"),
        kind: text("kind"),
        digits: text("digits"),
        prefix: text("prefix"),
        significant: text("significant"),
        possible: text("possible"),
        valid: json["valid"] == true,
        national: text("national"),
    }
}

fn direct(country: &str) -> Line {
    Line { kind: Some(LineKind::Direct), country: Country::find(country), ..Line::default() }
}

/// Whole numbers, not those of odd lengths.
fn whole() -> impl Iterator<Item = &'static Answer> {
    ANSWERS.iter().filter(|answer| answer.kind != "length")
}

#[test]
fn the_reference_was_asked_for_enough_numbers_of_enough_countries() {
    let countries: BTreeSet<&str> = whole().map(|answer| &*answer.country).collect();
    assert!(countries.len() >= 240, "{}", countries.len());
    assert!(whole().count() >= 800, "{}", whole().count());
    let odd: Vec<&str> = whole().filter(|one| one.possible != "IS_POSSIBLE").map(|one| &*one.number).collect();
    assert!(odd.is_empty(), "made up wrongly: {odd:?}");
    let words: BTreeSet<&str> = ANSWERS.iter().map(|answer| &*answer.possible).collect();
    for word in ["IS_POSSIBLE", "TOO_SHORT", "TOO_LONG", "INVALID_LENGTH"] {
        assert!(words.contains(word), "{words:?}");
    }
}

#[test]
fn at_home_the_national_prefix_and_the_significant_number_are_dialled() {
    let mut wrong = Vec::new();
    for Answer { country, number, kind, prefix, significant, .. } in whole() {
        let calls = Reach::Calls(number.parse().expect("a public number"));
        let line = direct(country);
        let plan = line.country.clone().expect("a country of the metadata");
        // In the North American plan the prefix is dialled where the line says so, and only there.
        let expected = if plan.is_north_american() { significant.clone() } else { format!("{prefix}{significant}") };
        let with_trunk = Line { trunk: Some("1".into()), ..line.clone() };
        let said = Line { form: Some(Form::National), ..line.clone() };
        for (line, expected) in
            [(&line, &expected), (&said, &expected), (&with_trunk, &format!("{prefix}{significant}"))]
        {
            let dialled = dial(&calls, line).expect("a line that says enough");
            if *dialled != **expected {
                wrong.push(format!("{country} {kind} {number}: {dialled}, the reference says {expected}"));
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

#[test]
fn from_abroad_the_international_prefix_and_the_whole_number_are_dialled() {
    for Answer { country, number, .. } in whole() {
        let calls = Reach::Calls(number.parse().expect("a public number"));
        let digits = &number[1..];
        for (abroad, prefix) in [("IS", "00"), ("US", "011"), ("JM", "011")] {
            let line = direct(abroad);
            let same_plan = line.country.as_ref().map(|c| &*c.calling_code)
                == Country::find(country).as_ref().map(|c| &*c.calling_code);
            if !same_plan {
                assert_eq!(
                    *dial(&calls, &line).expect("a whole line"),
                    *format!("{prefix}{digits}"),
                    "{number} from {abroad}"
                );
            }
        }
        let form = Some(Form::International);
        let line = Line { form, international: Some("0011".into()), ..direct(country) };
        assert_eq!(*dial(&calls, &line).expect("a whole line"), *format!("0011{digits}"));
    }
}

#[test]
fn a_number_is_possible_where_the_reference_finds_its_length_possible() {
    let mut wrong: BTreeMap<String, usize> = BTreeMap::new();
    let mut compared = 0;
    for Answer { country, number, digits, significant, possible, .. } in ANSWERS.iter() {
        // Of digits that begin like the national prefix the reference takes that off and judges the rest, another
        // number (+7 8… is read as +7 …); stations dial what stands there.
        if !significant.is_empty() && significant != digits {
            continue;
        }
        compared += 1;
        let ours = number.parse::<E164>().is_ok_and(|number| number.is_possible());
        if ours != (possible == "IS_POSSIBLE") {
            let what = format!("{country} {} digits: we say {ours}, the reference says {possible}", digits.len());
            *wrong.entry(what).or_default() += 1;
        }
    }
    assert!(compared * 10 > ANSWERS.len() * 9, "{compared} of {} compared", ANSWERS.len());
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn a_number_is_known_where_the_reference_knows_it_or_its_authority_keeps_it_for_fiction() {
    let (mut wrong, mut unknown) = (Vec::new(), 0);
    for Answer { country, number, valid, kind, .. } in ANSWERS.iter().filter(|one| one.possible == "IS_POSSIBLE") {
        let ours = number.parse::<E164>().is_ok_and(|number| number.is_valid());
        unknown += usize::from(!valid);
        // NANPA keeps 555-01xx of every area, whether it has given the area out or not.
        let is_area = |digits: &str| !digits.starts_with(['0', '1']) && digits[3..].starts_with("55501");
        let is_for_fiction = kind == "fiction" || number.strip_prefix("+1").is_some_and(is_area);
        if is_for_fiction {
            assert!(ours, "{country} {number}");
        } else if ours != *valid {
            wrong.push(format!("{country} {number}: we say {ours}, the reference says {valid}"));
        }
    }
    assert!(unknown > 1_000, "only {unknown} numbers that are none");
    assert!(wrong.is_empty(), "{} of {}:\n{}\n", wrong.len(), ANSWERS.len(), wrong.join("\n"));
}

/// What is warned of is what the reference writes otherwise.
#[test]
fn a_national_form_is_the_reference_s_own_or_warned_of() {
    let (mut wrong, mut otherwise) = (Vec::new(), BTreeSet::new());
    for Answer { country, number, national, .. } in whole().filter(|one| !one.national.is_empty()) {
        let line = direct(country);
        let number: E164 = number.parse().expect("a public number");
        let dialled = dial(&Reach::Calls(number.clone()), &line).expect("a line that says enough");
        let warned = line.national_otherwise(&number);
        let expected = (*dialled != **national).then(|| (dialled.to_string(), national.clone()));
        if expected.is_some() {
            otherwise.insert(country.clone());
        }
        // Where the metadata has no form for a number the reference writes it as it is.
        let has_none = number.national_form().is_none() && number.digits().ends_with(&**national);
        if warned != expected && !(has_none && warned.is_none()) {
            wrong.push(format!("{country} {number}: we say {warned:?}, the reference {expected:?}"));
        }
    }
    assert!(otherwise.len() > 25, "{otherwise:?}");
    assert!(wrong.is_empty(), "{}:\n{}\n", wrong.len(), wrong.join("\n"));
}

#[test]
fn a_number_that_keeps_its_trunk_prefix_is_seen_in_every_region_that_the_reference_has() {
    let answers = put(&[serde_json::json!({"trunk": true})]);
    let (mut seen, mut regions, mut wrong) = (0, BTreeSet::new(), Vec::new());
    for one in &answers {
        let text = |name: &str| one[name].as_str().expect("a text");
        let number: E164 = text("number").parse().expect("a public number");
        let meant = number.without_trunk().map(|(meant, prefix)| (meant.to_string(), prefix.to_owned()));
        let is_kept = one["valid"] == false && one["meant_valid"] == true;
        let expected = is_kept.then(|| (text("meant").to_owned(), text("prefix").to_owned()));
        if meant != expected {
            wrong.push(format!("{}: {number} we read as {meant:?}, the reference as {expected:?}", text("country")));
        }
        if is_kept {
            regions.insert(text("country").to_owned());
            seen += 1;
        }
    }
    assert!(wrong.is_empty(), "{} of {}:\n{}\n", wrong.len(), answers.len(), wrong.join("\n"));
    assert!(seen > 500 && regions.len() > 130, "{seen} numbers of {} regions", regions.len());
}

proptest! {
    /// ITU-T E.164 §6: at most 15 digits, calling code included; no calling code begins with 0.
    #[test]
    fn a_public_number_has_at_most_15_digits(digits in "[1-9][0-9]{2,14}", more in "[0-9]{1,20}") {
        let number: E164 = format!("+{digits}").parse().expect("a number");
        prop_assert_eq!(number.to_string(), format!("+{digits}"));
        prop_assert_eq!(number.digits(), &*digits);
        let long = format!("{digits}{more}");
        if long.len() > 15 {
            prop_assert_eq!(format!("+{long}").parse::<E164>(), Err(NotE164::TooLong(long.len())));
        }
        prop_assert!(digits.parse::<E164>().is_err(), "without a plus sign it is none");
        let zero = format!("+0{digits}");
        prop_assert!(zero.parse::<E164>().is_err(), "{}", zero);
    }
}
