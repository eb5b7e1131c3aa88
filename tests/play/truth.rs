//! The real thing: what a station holds, whom its buttons call, and what a technician hears and sees there. It knows
//! neither inventory nor record, and says for itself when a button works: nothing here asks the program.

use std::collections::BTreeMap;
use std::sync::Arc;

use stationkeep::keybook::{Answer, Held, Keybook, SimulatedStation, Verdict};
use stationkeep::setting::{Code, Codes, Key, Keys, Kind, Value};

use crate::dice::Dice;

/// The code that a maker sets, where the keybook prints none; it stands on a label inside.
pub const LABEL: &str = "860531";

/// One unit on its wall.
#[derive(Clone)]
pub struct Real {
    pub station: SimulatedStation,
}

/// A second number of a button, tried when the first does not answer.
pub struct Fallback {
    /// What the keybook calls it.
    pub name: &'static str,
    pub button: &'static str,
    /// The setting that holds its number.
    pub number: &'static str,
}

/// The second numbers of a model that are lifelines of their own.
pub fn fallbacks(model: &str) -> &'static [Fallback] {
    const SECOND: Fallback = Fallback { name: "second", button: "emergency", number: "emergency.backup" };
    const EMERGENCY: Fallback = Fallback { name: "emergency.second", ..SECOND };
    const ASSISTANCE: Fallback =
        Fallback { name: "assistance.second", button: "assistance", number: "assistance.backup" };
    match model {
        "tern-2" => &[EMERGENCY, ASSISTANCE],
        "eider-1" | "petrel-3" => &[SECOND],
        "gannet-4" => &[Fallback { name: "spare-call", button: "call", number: "spare" }],
        _ => &[],
    }
}

/// What came of a test call.
pub enum Tried {
    /// Nobody was reached.
    Failed,
    /// Whoever has this number answered.
    Answered(String),
}

impl Real {
    /// A unit out of its box.
    pub fn new(book: &Arc<Keybook>) -> Real {
        Real::holding(book, SimulatedStation::from_factory(book.clone()).all_held().to_vec())
    }

    fn holding(book: &Arc<Keybook>, mut held: Vec<Held>) -> Real {
        for id in book.ids() {
            let is_code = matches!(book.setting(id).kind, Kind::Secret { .. });
            if is_code && held[id.index()] == Held::Unknown {
                held[id.index()] = Held::Code(Code::new(LABEL));
            }
        }
        Real { station: SimulatedStation::new(book.clone(), held, &Codes::default()).keeping_time() }
    }

    /// A code that nobody set is the maker's; the call goes on.
    fn settle(&mut self) {
        let book = self.station.keybook().clone();
        let lost = book
            .ids()
            .any(|id| matches!(book.setting(id).kind, Kind::Secret { .. }) && *self.station.held(id) == Held::Unknown);
        if lost && !self.station.in_call() {
            *self = Real::holding(&book, self.station.all_held().to_vec());
        }
    }

    pub fn ring(&mut self) {
        self.settle();
        self.station.ring();
    }

    pub fn hang_up(&mut self) {
        self.station.hang_up();
        self.settle();
    }

    /// Presses keys; what is answered last, and whether anything else was answered on the way.
    pub fn press(&mut self, keys: &str) -> Option<Answer> {
        let keys: Keys = keys.parse().expect("keys");
        let mut answers = self.station.press_all(&keys);
        self.settle();
        let last = answers.pop()?;
        answers.iter().all(|answer| !answer.is_accepted()).then_some(last)
    }

    /// Rings and opens a call with one of these keys.
    pub fn open(&mut self, ways: &[String]) -> bool {
        for keys in ways {
            self.ring();
            if matches!(self.press(keys).map(|answer| answer.verdict), Some(Verdict::Accepted { .. })) {
                return true;
            }
        }
        self.hang_up();
        false
    }

    /// Keys with one of them wrong, that are refused and change nothing.
    pub fn slip(&mut self, dice: &mut Dice, keys: &str) -> bool {
        let mut wrong: Vec<char> = keys.chars().collect();
        let at = dice.below(wrong.len() as u64) as usize;
        wrong[at] = *dice.of(&['0', '7', '*', '#', 'D']);
        let wrong: String = wrong.into_iter().filter(|sign| Key::new(*sign).is_some()).collect();
        let mut other = self.clone();
        let answer = other.press(&wrong);
        let is_refused = answer.is_some_and(|answer| !answer.is_accepted() && !answer.hung_up);
        let fits =
            is_refused && other.station.all_held() == self.station.all_held() && other.station.pending().is_empty();
        if fits {
            *self = other;
        }
        fits
    }

    pub fn text(&self, name: &str) -> Option<String> {
        let id = self.station.keybook().id(name)?;
        match self.station.held(id) {
            Held::Known(Value::Dial(text) | Value::Digits(text) | Value::Choice(text)) => Some(text.to_string()),
            Held::Known(Value::Flags(names)) => Some(names.iter().map(|name| &**name).collect::<Vec<_>>().join(" ")),
            Held::Known(Value::Number(number)) => Some(number.to_string()),
            Held::Known(Value::Secret(_)) | Held::Unknown => None,
            Held::Code(code) => Some(code.reveal().to_owned()),
        }
    }

    fn is(&self, name: &str, values: &[&str]) -> bool {
        self.text(name).is_some_and(|text| values.contains(&&*text))
    }

    pub fn is_filled(&self, name: &str) -> bool {
        self.text(name).is_some_and(|text| !text.is_empty())
    }

    /// Whether a press of this button calls someone, as each model's manual has it.
    pub fn works(&self, button: &str) -> bool {
        match (&*self.station.keybook().model, button) {
            ("tern-2" | "petrel-3", "emergency") => self.is_filled("emergency.primary"),
            ("tern-2", "assistance") => self.is_filled("assistance.primary"),
            ("eider-1", "emergency") => self.is("unit.mode", &["service"]) && self.is_filled("emergency.primary"),
            ("skua-9", "help") => {
                let loud =
                    self.text("volume").and_then(|text| text.parse::<u32>().ok()).is_some_and(|volume| volume >= 10);
                let first = self.is("unit.mode", &["day"]) && self.is_filled("first");
                loud && (first || self.is("unit.mode", &["day", "night"]) && self.is_filled("second"))
            }
            ("skua-9", "alarm") => self.is_filled("outputs") && self.is("unit.mode", &["day", "night"]),
            ("gannet-4", "call") => self.is_filled("main") && self.is("button", &["live"]),
            (model, button) => panic!("nobody told this test when {button} of a {model} works"),
        }
    }

    /// The numbers that a press of the button dials, one after the other.
    fn dials(&self, button: &str) -> Vec<String> {
        let names: &[&str] = match (&*self.station.keybook().model, button) {
            (_, "emergency") => &["emergency.primary", "emergency.backup"],
            (_, "assistance") => &["assistance.primary", "assistance.backup"],
            (_, "help") if self.is("unit.mode", &["day"]) => &["first", "second"],
            (_, "help") => &["second"],
            (_, "call") => &["main", "spare"],
            (_, _) => &[],
        };
        names.iter().filter_map(|name| self.text(name)).filter(|text| !text.is_empty()).collect()
    }

    /// Presses the button at the wall, on a line of this kind.
    pub fn try_out(
        &self,
        dice: &mut Dice,
        button: &str,
        line: &str,
        answering: &BTreeMap<&'static str, String>,
    ) -> Tried {
        if !self.works(button) {
            return Tried::Failed;
        }
        if button == "alarm" {
            return if dice.percent(90) { Tried::Answered(String::new()) } else { Tried::Failed };
        }
        self.dial(dice, self.dials(button), line, answering)
    }

    /// The same while the first number is left to ring.
    pub fn try_second(
        &self,
        dice: &mut Dice,
        fallback: &Fallback,
        line: &str,
        answering: &BTreeMap<&'static str, String>,
    ) -> Tried {
        let number = self.text(fallback.number).filter(|text| !text.is_empty());
        match number.filter(|_| self.works(fallback.button)) {
            Some(number) => self.dial(dice, vec![number], line, answering),
            None => Tried::Failed,
        }
    }

    fn dial(
        &self,
        dice: &mut Dice,
        numbers: Vec<String>,
        line: &str,
        answering: &BTreeMap<&'static str, String>,
    ) -> Tried {
        // Fed otherwise than it is set, it dials into nothing.
        if !self.is("line.kind", &[line]) {
            return Tried::Failed;
        }
        for dialled in numbers {
            let reached = reach(&dialled, line, answering);
            if let Some(number) = reached.filter(|_| dice.percent(80)) {
                return Tried::Answered(number);
            }
        }
        Tried::Failed
    }
}

/// Who has the number that is dialled on such a line; a ring-down line rings the control room whatever is dialled.
fn reach(dialled: &str, line: &str, answering: &BTreeMap<&'static str, String>) -> Option<String> {
    let public = |digits: &str| digits.strip_prefix('0').map(|rest| format!("+44{rest}"));
    let number = match line {
        "ringdown" => Some(answering["control"].clone()),
        "pbx" => dialled.strip_prefix("9,").map_or_else(|| Some(dialled.to_owned()), public),
        _ => public(dialled),
    };
    number.filter(|number| answering.values().any(|calls| calls == number))
}
