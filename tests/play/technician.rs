//! What people do at stations, and what they truly report of it.

use std::cell::RefCell;

use serde_json::{Value as Json, json};
use stationkeep::drift::look;
use stationkeep::finding::Place;
use stationkeep::keybook::{Held, Keybook, SettingId, Use, Verdict};
use stationkeep::ledger::{Scrutiny, Terms, Visit, admit_visit};
use stationkeep::script::{self, Call, NoScript, Pressed, Request, Script, Step, Way};
use stationkeep::setting::{Code, Kind, Reference, Secret, Value};

use crate::RULES;
use crate::dice::Dice;
use crate::truth::{Fallback, LABEL, Real, Tried, fallbacks};
use crate::world::World;

/// Every code there is, for whoever cannot open a call with those of the card: the label inside, the keybook's, the files'.
const ALL_CODES: [&str; 5] = ["471100", "123456", LABEL, "581203", "000000"];

impl World {
    /// What the program says is to be done at a unit.
    pub fn script(&mut self, key: usize, way: Way) -> Result<Option<Script>, NoScript> {
        let (station, record) = (self.station(key), self.record(key));
        let drift = look(&station, &record, RULES, self.now());
        let contacts = &self.inventory.contacts;
        let request = Request { station: &station, record: &record, drift: &drift, contacts, codes: &self.codes };
        script::write(&request, way, &mut self.memory)
    }

    fn code(&self, secret: &Secret, book: &Keybook) -> Code {
        let printed = || book.settings.iter().find_map(|setting| setting.factory_code.clone());
        self.codes.code_of(secret).cloned().or_else(printed).expect("all codes can be read here")
    }

    /// The keys as they are pressed; a code that no file holds is printed in the keybook.
    fn pressed(&self, keys: &Pressed, book: &Keybook) -> String {
        keys.with_stand_ins(|secret| self.code(secret, book))
    }

    /// The keys of an opening with each code of the card.
    fn openings(&self, call: &Call, book: &Keybook) -> Vec<String> {
        let keys = |code: &Value| match code {
            Value::Secret(secret) => call.open.with_stand_ins(|_| self.code(secret, book)),
            other => panic!("{other} opens no call in these keybooks"),
        };
        call.codes.iter().map(keys).collect()
    }

    /// Keys a whole script into a station without a slip; whether all of it was accepted.
    pub fn key_all(&self, script: &Script, real: &mut Real) -> Result<(), String> {
        let book = real.station.keybook().clone();
        for call in &script.calls {
            let mut ways = self.openings(call, &book);
            ways.extend(every_opening(call));
            if !real.open(&ways) {
                return Err("the call does not open".into());
            }
            for step in &call.steps {
                let answer = real.press(&self.pressed(&step.keys, &book));
                if !answer.as_ref().is_some_and(stationkeep::keybook::Answer::is_accepted) {
                    return Err(format!("step {} ({}): {answer:?}", step.number, step.command));
                }
            }
            if let Some(close) = &call.close {
                real.press(&self.pressed(close, &book));
            }
            real.hang_up();
        }
        Ok(())
    }

    /// Someone keys a card, or tests what it says, and reports.
    pub fn visit(&mut self, key: usize) {
        let way = if self.dice.percent(20) { Way::Back } else { Way::There };
        let is_old = self.dice.percent(30);
        let script = match self.cards.get(&key).cloned().filter(|_| is_old) {
            Some(script) => script,
            None => match self.script(key, way) {
                Ok(Some(script)) => script,
                Ok(None) | Err(_) => return,
            },
        };
        if *script.station != *self.unit(key).name {
            return;
        }
        let issued = script::issued(&script, self.now());
        self.ledger.scripts.entry(script.digest.clone()).or_insert(issued);
        self.cards.insert(key, script.clone());
        let id = self.id();
        let visit = Visit {
            id,
            script: script.digest.clone(),
            station: script.station.clone(),
            at: self.now(),
            by: "tech-07".into(),
            number: None,
        };
        let terms =
            Terms { inventory: &self.inventory, codes: &self.codes, now: self.now(), scrutiny: Scrutiny::Whole };
        let against =
            admit_visit(&visit, &Place::start_of(&"v".into()), self.ledger.scripts.get(&script.digest), terms);
        assert!(against.is_empty(), "{against:#?}");
        self.told.push(format!("visit of {key} keys {} ({way:?}): {:?}", script.digest, commands(&script)));
        // Nobody may key before it is on record; of tests alone there is nothing to say.
        if !script.calls.is_empty() {
            self.ledger.visits.push(visit);
        }
        self.seconds += self.dice.below(300) as i64;
        let (openings, steps) = self.key(key, &script);
        self.seconds += self.dice.below(300) as i64;
        let mut report = self.report(key, id);
        report["script"] = json!(script.digest.to_string());
        report["openings"] = Json::Array(openings);
        report["steps"] = Json::Array(steps);
        report["tests"] = Json::Array(if self.dice.percent(60) { self.tests(key) } else { Vec::new() });
        if self.dice.percent(8) && !script.calls.is_empty() {
            self.told.push("it is never reported".into());
        } else {
            self.send(key, &report, true);
        }
    }

    /// Keys a card as people do; what they heard.
    fn key(&mut self, key: usize, script: &Script) -> (Vec<Json>, Vec<Json>) {
        let mut real = self.real.remove(&key).expect("a unit");
        let (mut openings, mut steps) = (Vec::new(), Vec::new());
        let book = real.station.keybook().clone();
        'visit: for (nth, call) in script.calls.iter().enumerate() {
            let mut opened = false;
            for (code, keys) in self.openings(call, &book).into_iter().enumerate() {
                if opened {
                    break;
                }
                opened = real.open(&[keys]);
                let heard = if opened { "accepted" } else { "refused" };
                let heard = if self.dice.percent(5) { "nothing" } else { heard };
                openings.push(json!({"call": nth + 1, "heard": heard, "code": code + 1}));
            }
            // Some know where the label is.
            opened = opened || self.dice.percent(50) && real.open(&every_opening(call));
            if !opened {
                break;
            }
            for step in &call.steps {
                if self.dice.percent(3) {
                    break 'visit;
                }
                let heard = self.key_step(&mut real, step);
                self.told.push(format!("  step {} {}: {heard}", step.number, step.command));
                steps.push(json!({"step": step.number, "heard": heard}));
                let goes_on = if heard == "accepted" { 100 } else { 50 };
                let over = !real.station.in_call() && call.steps.last() != Some(step);
                if over || !self.dice.percent(goes_on) {
                    break 'visit;
                }
            }
            if let Some(close) = &call.close {
                real.press(&self.pressed(close, &book));
            }
            real.hang_up();
        }
        real.hang_up();
        self.real.insert(key, real);
        (openings, steps)
    }

    fn key_step(&mut self, real: &mut Real, step: &Step) -> &'static str {
        let keys = self.pressed(&step.keys, real.station.keybook());
        match self.dice.below(100) {
            0..4 => {
                real.press(&keys);
                real.hang_up();
                return "nothing";
            }
            4..7 => {
                let some = &keys[..self.dice.below(keys.len() as u64) as usize];
                real.press(some);
                real.hang_up();
                return "nothing";
            }
            7..11 => {
                real.press(&keys);
                return "nothing";
            }
            11..15 if real.slip(&mut self.dice, &keys) && self.dice.percent(30) => return "refused",
            _ => {}
        }
        match real.press(&keys).map(|answer| answer.verdict) {
            Some(Verdict::Accepted { .. }) => "accepted",
            Some(Verdict::Refused(_)) if !real.station.in_call() => "nothing",
            Some(Verdict::Refused(_)) => "refused",
            None => "nothing",
        }
    }

    /// Test calls of some buttons and of some second numbers, and who answered.
    fn tests(&mut self, key: usize) -> Vec<Json> {
        let model = self.unit(key).model.clone();
        let (line, mut tests) = (self.line(key), Vec::new());
        for button in buttons(&model) {
            if self.dice.percent(25) {
                continue;
            }
            let tried = self.real[&key].try_out(&mut self.dice, button, line, &self.wanted.contacts);
            tests.push(self.tested(button, tried));
        }
        // Nobody lets a number ring where no second one is wanted.
        let station = self.station(key);
        let wanted = |fallback: &&Fallback| {
            let number = station.keybook.id(fallback.number).and_then(|id| station.wanted(id));
            number.is_some_and(|wanted| !matches!(&wanted.value, Value::Dial(number) if number.is_empty()))
        };
        for fallback in fallbacks(&model).iter().filter(wanted) {
            if self.dice.percent(60) {
                continue;
            }
            let tried = self.real[&key].try_second(&mut self.dice, fallback, line, &self.wanted.contacts);
            tests.push(self.tested(fallback.name, tried));
        }
        tests
    }

    fn tested(&mut self, lifeline: &str, tried: Tried) -> Json {
        let Tried::Answered(number) = tried else { return json!({"lifeline": lifeline, "outcome": "failed"}) };
        let mut test = json!({"lifeline": lifeline, "outcome": "reached"});
        let contact = self.wanted.contacts.iter().find(|(_, calls)| **calls == number);
        if let Some((name, _)) = contact.filter(|_| self.dice.percent(80)) {
            test["contact"] = json!(name);
        }
        test
    }

    pub fn test(&mut self, key: usize) {
        let tests = self.tests(key);
        let id = self.id();
        let mut report = self.report(key, id);
        report["tests"] = Json::Array(tests);
        self.send(key, &report, true);
    }

    /// A new unit hangs there, or the old one was cleared.
    pub fn unit_changes(&mut self, key: usize) {
        let book = self.books[&*self.unit(key).model].clone();
        self.real.insert(key, Real::new(&book));
        self.unreported.insert(key);
        let word = *self.dice.of(&["new", "replaced", "cleared"]);
        let id = self.id();
        let mut report = self.report(key, id);
        report["unit"] = json!(word);
        let is_label = self.real[&key].text("access").as_deref() == Some(LABEL);
        if is_label && self.dice.percent(50) {
            report["found"] = json!({"access": {"secret": "file:label"}});
        }
        self.told.push(format!("unit {key} is {word}"));
        self.send(key, &report, true);
    }

    /// A command is keyed by hand, and all that came of it is reported.
    pub fn left(&mut self, key: usize) {
        let mut real = self.real[&key].clone();
        let book = real.station.keybook().clone();
        let command = self.dice.of(&book.commands).clone();
        let code = real.text("access").expect("every unit has a code");
        let held =
            |_: Use, _: SettingId| Some(Value::Secret(Secret { reference: Reference::Factory, fingerprint: None }));
        let open = Pressed::new(&book, &book.call.open, held).expect("an opening");
        let dice = RefCell::new(&mut self.dice);
        let value = |how: Use, id: SettingId| match how {
            Use::Store => any_value(&mut dice.borrow_mut(), &book.setting(id).kind),
            Use::Held => held(how, id),
        };
        let Some(keys) = Pressed::new(&book, &command.keys, value) else { return };
        real.open(&[open.with_stand_ins(|_| Code::new(&code))]);
        let answer = real.press(&keys.with_stand_ins(|_| Code::new(&code)));
        let Some(Verdict::Accepted { written, .. }) = answer.map(|answer| answer.verdict) else { return };
        real.hang_up();
        let names = written.iter().map(|id| (book.setting(*id).name.to_string(), real.station.held(*id).clone()));
        let mut left = serde_json::Map::new();
        for (name, held) in names {
            // What nobody can say afterwards nobody keys by hand.
            let Held::Known(value) = held else { return };
            left.insert(name, written_json(&value));
        }
        self.real.insert(key, real);
        self.unreported.insert(key);
        let id = self.id();
        let mut report = self.report(key, id);
        report["left"] = Json::Object(left);
        self.send(key, &report, true);
    }

    /// Someone reports what is not so; later someone corrects it.
    pub fn lie(&mut self, key: usize) {
        if let Some(wrong) = self.lied.get(&key).copied() {
            let id = self.id();
            let mut report = self.report(key, id);
            report["corrects"] = json!(wrong.to_string());
            report["note"] = json!("that was another station");
            return self.send(key, &report, true);
        }
        let book = self.books[&*self.unit(key).model].clone();
        let setting = self.dice.of(&book.settings).clone();
        let value = match &setting.kind {
            Kind::Dial { .. } => json!("9,01632960199"),
            Kind::Choice(values) => json!(*self.dice.of(values).0),
            Kind::Digits { .. } | Kind::Flags { .. } | Kind::Number { .. } | Kind::Secret { .. } => return,
        };
        let id = self.id();
        let mut report = self.report(key, id);
        report["left"] = json!({ &*setting.name: value });
        self.send(key, &report, false);
    }
}

/// The keys of a call's opening with every code there is, for a person at the station.
fn every_opening(call: &Call) -> Vec<String> {
    ALL_CODES.iter().map(|code| call.open.with_stand_ins(|_| Code::new(code))).collect()
}

/// The buttons of a model.
pub fn buttons(model: &str) -> &'static [&'static str] {
    match model {
        "tern-2" => &["emergency", "assistance"],
        "skua-9" => &["help", "alarm"],
        "gannet-4" => &["call"],
        _ => &["emergency"],
    }
}

pub fn commands(script: &Script) -> Vec<Vec<String>> {
    let step = |step: &Step| format!("{}={:?}", step.command, step.sets);
    script.calls.iter().map(|call| call.steps.iter().map(step).collect()).collect()
}

/// A value of a kind, for whoever keys by hand; nobody changes a code so.
fn any_value(dice: &mut Dice, kind: &Kind) -> Option<Value> {
    Some(match kind {
        Kind::Digits { min, .. } => Value::Digits("7".repeat(*min as usize).into()),
        Kind::Dial { .. } => Value::Dial(format!("9,0163296010{}", dice.below(10)).into()),
        Kind::Choice(values) => Value::Choice(dice.of(values).0.clone()),
        Kind::Flags { names, .. } => Value::Flags([dice.of(names).0.clone()].into()),
        Kind::Number { min, max, step, .. } => {
            Value::Number(min + step * dice.below(u64::from((max - min) / step) + 1) as u32)
        }
        Kind::Secret { .. } => return None,
    })
}

fn written_json(value: &Value) -> Json {
    match value {
        Value::Digits(text) | Value::Dial(text) | Value::Choice(text) => json!(&**text),
        Value::Flags(names) => json!(names.iter().map(|name| &**name).collect::<Vec<_>>()),
        Value::Number(number) => json!(number),
        Value::Secret(secret) => json!({"secret": secret.reference.to_string()}),
    }
}
