//! A station that understands keys and nothing else: what it is fed says what it holds.
//!
//! It answers as keybooks say and knows nothing of scripts, records or references to secrets. It keeps no
//! time unless told to (see [`SimulatedStation::keeping_time`]).

use std::ops::Range;
use std::sync::Arc;

use super::field::{Language, State};
use super::template::{Template, TemplatePart, Use};
use super::{Command, Keybook, SettingId};
use crate::setting::{Code, Codes, Key, Keys, Kind, Reference, Value};

/// What a station holds for one setting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Held {
    /// A value that is no secret.
    Known(Value),
    /// The digits of a secret.
    Code(Code),
    /// Something unknown: it equals nothing and satisfies no need.
    Unknown,
}

/// What a station says to a key sequence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The keys it answers to.
    pub keys: Keys,
    /// What it says.
    pub verdict: Verdict,
    /// Whether the call has ended with it.
    pub hung_up: bool,
}

/// Accepted or refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// It has obeyed.
    Accepted {
        /// What it took the keys for.
        what: Sequence,
        /// The settings it stored, set or cleared, in the keybook's order.
        written: Vec<SettingId>,
        /// The settings whose value is not known here, and that are taken to hold what was keyed; only of an opening.
        on_trust: Vec<SettingId>,
    },
    /// It has not, and why.
    Refused(Refusal),
}

/// A key sequence that a station knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Sequence {
    /// What opens a call.
    Open,
    /// What closes it.
    Close,
    /// The index of a command in its keybook.
    Command(usize),
}

/// Why a station refuses.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// Nobody has rung it, or it has hung up: it hears nothing.
    NoCall,
    /// The call passed `limit_ms`: it hung up and did nothing.
    CallTooLong,
    /// A sequence that it knows, but the call has not been opened.
    NotOpened(Sequence),
    /// Keys that can become no sequence any more; the last of them broke it.
    NoSequence,
    /// `{=x}` of a setting that it holds an unknown value of.
    HeldUnknown(SettingId),
    /// `{=x}` was keyed with something other than what it holds, such as a wrong code.
    HeldDiffers(SettingId),
    /// The command needs another value there.
    NeedUnmet(SettingId),
}

impl Answer {
    /// Whether it was accepted.
    pub fn is_accepted(&self) -> bool {
        match self.verdict {
            Verdict::Accepted { .. } => true,
            Verdict::Refused(_) => false,
        }
    }
}

impl Refusal {
    /// The reason as a message.
    pub fn message(&self, keybook: &Keybook) -> String {
        let name = |id: &SettingId| keybook.setting(*id).name.clone();
        match self {
            Refusal::NoCall => "There is no call.".into(),
            Refusal::CallTooLong => format!("The call is longer than {} ms.", keybook.call.limit_ms),
            Refusal::NotOpened(_) => "The call has not been opened.".into(),
            Refusal::NoSequence => "These keys begin no command.".into(),
            Refusal::HeldUnknown(id) => format!("What \"{}\" holds is not known.", name(id)),
            Refusal::HeldDiffers(id) => format!("\"{}\" does not hold what was keyed.", name(id)),
            Refusal::NeedUnmet(id) => format!("\"{}\" does not hold what this command needs.", name(id)),
        }
    }
}

/// How far a call has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Call {
    None,
    Answered,
    Opened,
}

/// A station of one model.
#[derive(Debug, Clone)]
pub struct SimulatedStation {
    keybook: Arc<Keybook>,
    languages: Arc<[Language]>,
    held: Vec<Held>,
    call: Call,
    /// Keys since the last answer.
    keys: Vec<Key>,
    /// The ways in which they can still become a sequence.
    threads: Vec<Thread>,
    timed: bool,
    /// Since it answered.
    call_ms: u64,
    /// Since the last key or answer.
    silent_ms: u64,
}

impl SimulatedStation {
    /// A station that holds `held`, laid out like the keybook's settings, in no call yet.
    ///
    /// Secrets are looked up in `codes` (a factory code also in the keybook); one that cannot be found, a
    /// value outside its kind and a missing entry count as unknown.
    pub fn new(keybook: Arc<Keybook>, held: Vec<Held>, codes: &Codes) -> SimulatedStation {
        let mut given = held.into_iter();
        let held = keybook.ids().map(|id| settle(&keybook, id, given.next().unwrap_or(Held::Unknown), codes)).collect();
        let languages = keybook.settings.iter().map(|setting| Language::of(&setting.kind)).collect();
        SimulatedStation {
            keybook,
            languages,
            held,
            call: Call::None,
            keys: Vec::new(),
            threads: Vec::new(),
            timed: false,
            call_ms: 0,
            silent_ms: 0,
        }
    }

    /// A station fresh from the factory.
    pub fn from_factory(keybook: Arc<Keybook>) -> SimulatedStation {
        let held = keybook.ids().map(|id| factory(&keybook, id)).collect();
        SimulatedStation::new(keybook, held, &Codes::default())
    }

    /// The same station, minding `limit_ms` and `idle_ms`.
    ///
    /// Its clock starts with the greeting and counts `press_ms` a key, `answer_ms` an answer (none for a
    /// close), a command's `takes_ms` once it is accepted, and what [`wait`](Self::wait) adds. A command
    /// whose time does not fit into the call is not carried out.
    pub fn keeping_time(mut self) -> SimulatedStation {
        self.timed = true;
        self
    }

    /// What it holds for a setting.
    pub fn held(&self, id: SettingId) -> &Held {
        &self.held[id.index()]
    }

    /// All it holds, laid out like the keybook's settings.
    pub fn all_held(&self) -> &[Held] {
        &self.held
    }

    /// Its model's keybook.
    pub fn keybook(&self) -> &Arc<Keybook> {
        &self.keybook
    }

    /// Whether a call is going on.
    pub fn in_call(&self) -> bool {
        self.call != Call::None
    }

    /// Keys it has heard and not answered yet.
    pub fn pending(&self) -> &[Key] {
        &self.keys
    }

    /// How long the call has lasted, in milliseconds; 0 unless it keeps time.
    pub fn call_ms(&self) -> u64 {
        self.call_ms
    }

    /// Rings it: a call begins (and one that was going on ends).
    pub fn ring(&mut self) {
        self.hang_up();
        self.call = Call::Answered;
        self.call_ms = if self.timed { u64::from(self.keybook.call.greeting_ms) } else { 0 };
    }

    /// Ends the call; keys it has not answered are forgotten.
    pub fn hang_up(&mut self) {
        self.call = Call::None;
        self.start_afresh();
    }

    /// Lets time pass without a key; true if it hangs up over it. Nothing happens unless it keeps time.
    pub fn wait(&mut self, ms: u64) -> bool {
        if !self.timed || !self.in_call() {
            return false;
        }
        self.silent_ms = self.silent_ms.saturating_add(ms);
        self.call_ms = self.call_ms.saturating_add(ms);
        let over = self.silent_ms > u64::from(self.keybook.call.idle_ms) || self.is_past_limit();
        if over {
            self.hang_up();
        }
        over
    }

    /// Presses keys one after the other.
    pub fn press_all(&mut self, keys: &Keys) -> Vec<Answer> {
        keys.0.iter().filter_map(|key| self.press(*key)).collect()
    }

    /// Presses one key. There is no answer while the keys may still become a sequence.
    pub fn press(&mut self, key: Key) -> Option<Answer> {
        if !self.in_call() {
            let verdict = Verdict::Refused(Refusal::NoCall);
            return Some(Answer { keys: Keys(vec![key]), verdict, hung_up: false });
        }
        self.follow(key);
        if self.spend(self.keybook.timing.press_ms) {
            return Some(self.answer(Verdict::Refused(Refusal::CallTooLong)));
        }
        let whole = self.threads.iter().find(|thread| thread.is_whole()).cloned();
        let verdict = match whole {
            Some(thread) => self.obey(&thread),
            None if self.threads.is_empty() => self.refuse(Refusal::NoSequence),
            None => return None,
        };
        Some(self.answer(verdict))
    }

    /// Takes up a key in every way in which the keys can go on.
    fn follow(&mut self, key: Key) {
        let ways = Ways { keybook: &self.keybook, languages: &self.languages };
        let mut next = Vec::new();
        if self.keys.is_empty() {
            self.threads = ways.starts();
        }
        self.keys.push(key);
        for thread in &self.threads {
            ways.step(thread, &self.keys, &mut next);
        }
        self.threads = next;
    }

    /// Adds time; true where the call is over its limit by it.
    fn spend(&mut self, ms: u32) -> bool {
        self.silent_ms = 0;
        if self.timed {
            self.call_ms = self.call_ms.saturating_add(u64::from(ms));
        }
        let over = self.is_past_limit();
        if over {
            self.call = Call::None;
        }
        over
    }

    fn is_past_limit(&self) -> bool {
        self.timed && self.call_ms > u64::from(self.keybook.call.limit_ms)
    }

    fn answer(&mut self, verdict: Verdict) -> Answer {
        let keys = Keys(std::mem::take(&mut self.keys));
        self.start_afresh();
        Answer { keys, verdict, hung_up: !self.in_call() }
    }

    fn start_afresh(&mut self) {
        self.keys.clear();
        self.threads.clear();
        self.silent_ms = 0;
    }

    fn refuse(&mut self, why: Refusal) -> Verdict {
        self.spend(self.keybook.timing.answer_ms);
        Verdict::Refused(why)
    }

    fn obey(&mut self, thread: &Thread) -> Verdict {
        let keybook = self.keybook.clone();
        if thread.sequence != Sequence::Open && self.call != Call::Opened {
            return self.refuse(Refusal::NotOpened(thread.sequence));
        }
        if let Some(why) = self.objection(thread) {
            return self.refuse(why);
        }
        match thread.sequence {
            Sequence::Open => {
                if self.spend(keybook.timing.answer_ms) {
                    return Verdict::Refused(Refusal::CallTooLong);
                }
                self.call = Call::Opened;
            }
            Sequence::Close => self.call = Call::None,
            Sequence::Command(at) => return self.carry_out(at, &keybook.commands[at], thread),
        }
        Verdict::Accepted { what: thread.sequence, written: Vec::new(), on_trust: self.on_trust(thread) }
    }

    /// What an accepted sequence keyed as held although it is not known here: each once.
    fn on_trust(&self, thread: &Thread) -> Vec<SettingId> {
        let held = thread.keyed.iter().filter(|(how, ..)| *how == Use::Held).map(|(_, id, _)| *id);
        held.filter(|id| *self.held(*id) == Held::Unknown).collect()
    }

    /// Why a whole sequence is refused. A call is taken to open where the code is not known here.
    fn objection(&self, thread: &Thread) -> Option<Refusal> {
        let lenient = thread.sequence == Sequence::Open;
        for (_, id, range) in thread.keyed.iter().filter(|(how, ..)| *how == Use::Held) {
            let keyed = self.value(*id, range);
            match self.held(*id) {
                Held::Unknown if lenient => {}
                Held::Unknown => return Some(Refusal::HeldUnknown(*id)),
                held @ (Held::Known(_) | Held::Code(_)) if *held != keyed => return Some(Refusal::HeldDiffers(*id)),
                Held::Known(_) | Held::Code(_) => {}
            }
        }
        let Sequence::Command(at) = thread.sequence else { return None };
        let needs = &self.keybook.commands[at].needs;
        let met = |id: SettingId, values: &[Value]| match self.held(id) {
            Held::Known(value) => values.contains(value),
            Held::Code(_) | Held::Unknown => false,
        };
        needs.iter().find(|(id, values)| !met(*id, values)).map(|(id, _)| Refusal::NeedUnmet(*id))
    }

    fn carry_out(&mut self, at: usize, command: &Command, thread: &Thread) -> Verdict {
        let keybook = self.keybook.clone();
        if self.spend(keybook.timing.answer_ms.saturating_add(command.takes_ms)) {
            return Verdict::Refused(Refusal::CallTooLong);
        }
        let mut effects: Vec<(SettingId, Held)> = Vec::new();
        effects.extend(command.clears.iter().map(|id| (*id, factory(&keybook, *id))));
        effects.extend(command.also.iter().map(|(id, value)| (*id, value.clone().map_or(Held::Unknown, Held::Known))));
        let stored = thread.keyed.iter().filter(|(how, ..)| *how == Use::Store);
        effects.extend(stored.map(|(_, id, range)| (*id, self.value(*id, range))));
        let mut written: Vec<SettingId> = effects.iter().map(|(id, _)| *id).collect();
        written.sort();
        written.dedup();
        for (id, held) in effects {
            self.held[id.index()] = held;
        }
        if command.ends_call {
            self.call = Call::None;
        }
        Verdict::Accepted { what: Sequence::Command(at), written, on_trust: Vec::new() }
    }

    /// What was keyed for a setting. Its language let nothing through that stands for no value.
    fn value(&self, id: SettingId, range: &Range<usize>) -> Held {
        let keys = self.keys.get(range.clone()).unwrap_or_default();
        let kind = &self.keybook.setting(id).kind;
        match kind {
            Kind::Secret { .. } => Held::Code(Code::new(&keys.iter().map(|key| key.sign()).collect::<String>())),
            Kind::Digits { .. } | Kind::Dial { .. } | Kind::Choice(_) | Kind::Flags { .. } | Kind::Number { .. } => {
                kind.from_keys(keys).map_or(Held::Unknown, Held::Known)
            }
        }
    }
}

/// What a cleared unit holds.
fn factory(keybook: &Keybook, id: SettingId) -> Held {
    let setting = keybook.setting(id);
    match (&setting.kind, &setting.factory, &setting.factory_code) {
        (Kind::Secret { .. }, _, Some(code)) => Held::Code(code.clone()),
        (Kind::Secret { .. }, _, None) | (_, None, _) => Held::Unknown,
        (_, Some(value), _) => Held::Known(value.clone()),
    }
}

/// What is given for a setting, in the form that keys can be compared with.
fn settle(keybook: &Keybook, id: SettingId, given: Held, codes: &Codes) -> Held {
    let setting = keybook.setting(id);
    let code = match given {
        Held::Unknown => return Held::Unknown,
        Held::Known(Value::Secret(secret)) => {
            let printed = setting.factory_code.as_ref().filter(|_| secret.reference == Reference::Factory);
            codes.code_of(&secret).or(printed).cloned()
        }
        Held::Code(code) => Some(code),
        Held::Known(value) => {
            let back = setting.kind.keys(&value).and_then(|keys| setting.kind.from_keys(&keys.0));
            return if back.as_ref() == Some(&value) { Held::Known(value) } else { Held::Unknown };
        }
    };
    let is_secret = matches!(setting.kind, Kind::Secret { .. });
    code.filter(|code| is_secret && setting.kind.fits_code(code).is_ok()).map_or(Held::Unknown, Held::Code)
}

/// One way in which the keys so far can become a sequence.
#[derive(Debug, Clone)]
struct Thread {
    sequence: Sequence,
    part: usize,
    at: At,
    /// Which of the keys stand for which field; each field once.
    keyed: Vec<(Use, SettingId, Range<usize>)>,
}

/// Where within a part a thread stands.
#[derive(Debug, Clone)]
enum At {
    /// The sequence is whole.
    End,
    /// Before a literal key.
    Key(Key),
    /// Within a field that began with the key of index `from`.
    Field { how: Use, id: SettingId, from: usize, state: State },
    /// Within a field that is keyed again: the next key must be the one at `next`.
    Again { next: usize, end: usize },
}

impl Thread {
    fn is_whole(&self) -> bool {
        matches!(self.at, At::End)
    }
}

/// The sequences of a keybook, as threads go through them.
struct Ways<'k> {
    keybook: &'k Keybook,
    languages: &'k [Language],
}

impl Ways<'_> {
    fn template(&self, sequence: Sequence) -> Option<&Template> {
        match sequence {
            Sequence::Open => Some(&self.keybook.call.open),
            Sequence::Close => self.keybook.call.close.as_ref(),
            Sequence::Command(at) => self.keybook.commands.get(at).map(|command| &command.keys),
        }
    }

    /// Every sequence, before its first key.
    fn starts(&self) -> Vec<Thread> {
        let mut threads = Vec::new();
        let commands = (0..self.keybook.commands.len()).map(Sequence::Command);
        for sequence in [Sequence::Open, Sequence::Close].into_iter().chain(commands) {
            if self.template(sequence).is_some() {
                let thread = Thread { sequence, part: 0, at: At::End, keyed: Vec::new() };
                self.enter(thread, 0, &mut threads);
            }
        }
        threads
    }

    /// Comes to the part `thread.part` with `count` keys pressed; passes by fields that may be empty.
    fn enter(&self, mut thread: Thread, count: usize, threads: &mut Vec<Thread>) {
        loop {
            let part = self.template(thread.sequence).and_then(|template| template.0.get(thread.part));
            let (how, id) = match part {
                None => {
                    thread.at = At::End;
                    return threads.push(thread);
                }
                Some(TemplatePart::Key(key)) => {
                    thread.at = At::Key(*key);
                    return threads.push(thread);
                }
                Some(TemplatePart::Field(how, id)) => (*how, *id),
            };
            let before = thread.keyed.iter().find(|(h, i, _)| (*h, *i) == (how, id)).map(|(.., range)| range.clone());
            if let Some(range) = before {
                if !range.is_empty() {
                    thread.at = At::Again { next: range.start, end: range.end };
                    return threads.push(thread);
                }
            } else {
                let language = &self.languages[id.index()];
                let mut empty = false;
                for state in language.starts() {
                    empty |= language.accepts(state);
                    threads.push(Thread { at: At::Field { how, id, from: count, state }, ..thread.clone() });
                }
                if !empty {
                    return;
                }
                thread.keyed.push((how, id, count..count));
            }
            thread.part += 1;
        }
    }

    /// Goes on with the last of `keys`, in every way there is.
    fn step(&self, thread: &Thread, keys: &[Key], threads: &mut Vec<Thread>) {
        let (Some(key), count) = (keys.last().copied(), keys.len()) else { return };
        let past = || Thread { part: thread.part + 1, ..thread.clone() };
        match &thread.at {
            At::End => {}
            At::Key(wanted) => {
                if *wanted == key {
                    self.enter(past(), count, threads);
                }
            }
            At::Again { next, end } => {
                if keys.get(*next) != Some(&key) {
                    return;
                }
                if next + 1 == *end {
                    return self.enter(past(), count, threads);
                }
                threads.push(Thread { at: At::Again { next: next + 1, end: *end }, ..thread.clone() });
            }
            At::Field { how, id, from, state } => {
                let language = &self.languages[id.index()];
                let Some(state) = language.step(*state, key) else { return };
                if language.accepts(state) {
                    let mut past = past();
                    past.keyed.push((*how, *id, *from..count));
                    self.enter(past, count, threads);
                }
                threads.push(Thread { at: At::Field { how: *how, id: *id, from: *from, state }, ..thread.clone() });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keybook::sample::{TERN, keybook, tern};
    use crate::setting::Secret;
    use proptest::prelude::*;

    const CODE: &str = "471100";

    fn keys(text: &str) -> Keys {
        text.parse().unwrap()
    }

    /// A sample station with a known access code, everything else from the factory.
    fn station_of(keybook: Arc<Keybook>) -> SimulatedStation {
        let mut held = SimulatedStation::from_factory(keybook.clone()).all_held().to_vec();
        held[keybook.id("access").unwrap().index()] = Held::Code(Code::new(CODE));
        SimulatedStation::new(keybook, held, &Codes::default())
    }

    fn opened() -> SimulatedStation {
        let mut station = station_of(tern());
        station.ring();
        assert_eq!(station.press_all(&keys("B471100#")).len(), 1);
        station
    }

    /// What is said to keys, as text: the keys, then the command's name or the reason.
    fn said(station: &mut SimulatedStation, pressed: &str) -> Vec<String> {
        let answers = station.press_all(&keys(pressed));
        let book = station.keybook().clone();
        let said = |answer: &Answer| {
            let what = match &answer.verdict {
                Verdict::Accepted { what: Sequence::Open, .. } => "open".to_string(),
                Verdict::Accepted { what: Sequence::Close, .. } => "close".to_string(),
                Verdict::Accepted { what: Sequence::Command(at), .. } => book.commands[*at].name.to_string(),
                Verdict::Refused(why) => why.message(&book),
            };
            format!("{} {what}{}", answer.keys, if answer.hung_up { " (hung up)" } else { "" })
        };
        answers.iter().map(said).collect()
    }

    fn holds(station: &SimulatedStation, name: &str) -> String {
        match station.held(station.keybook().id(name).unwrap()) {
            Held::Known(value) => value.to_string(),
            Held::Code(code) => format!("code {}", code.reveal()),
            Held::Unknown => "?".into(),
        }
    }

    #[test]
    fn a_call_is_taken_to_open_where_the_code_is_not_known_and_says_so() {
        let on_trust = |mut station: SimulatedStation| {
            station.ring();
            let verdict = station.press_all(&keys("B4711#")).pop().unwrap().verdict;
            let Verdict::Accepted { on_trust, .. } = verdict else { panic!("{verdict:?}") };
            on_trust
        };
        let access = tern().id("access").unwrap();
        assert_eq!(on_trust(SimulatedStation::from_factory(tern())), [access]);
        let mut held = vec![Held::Unknown; tern().settings.len()];
        held[access.index()] = Held::Code(Code::new("4711"));
        assert_eq!(on_trust(SimulatedStation::new(tern(), held, &Codes::default())), []);
    }

    #[test]
    fn a_call_is_opened_keyed_and_closed() {
        let mut station = station_of(tern());
        assert_eq!(said(&mut station, "1"), ["1 There is no call."]);
        station.ring();
        let answers = said(&mut station, "B471100#10121#219C01632960101#413D");
        assert_eq!(
            answers,
            ["B471100# open", "10121# identity", "219C01632960101# emergency-primary", "413 lamp", "D close (hung up)"]
        );
        assert_eq!(holds(&station, "identity"), "\"121\"");
        assert_eq!(holds(&station, "emergency.primary"), "\"9,01632960101\"");
        assert_eq!(holds(&station, "lamp.follows"), "[assistance, emergency]");
        assert_eq!(said(&mut station, "B"), ["B There is no call."]);
    }

    #[test]
    fn nothing_is_obeyed_before_the_call_is_opened() {
        let mut station = station_of(tern());
        station.ring();
        let answers = said(&mut station, "10121#B471101#4507D");
        assert_eq!(
            answers,
            [
                "10121# The call has not been opened.",
                "B471101# \"access\" does not hold what was keyed.",
                "4507 The call has not been opened.",
                "D The call has not been opened.",
            ]
        );
        assert_eq!((holds(&station, "identity"), station.in_call()), ("\"0\"".into(), true));
    }

    #[test]
    fn a_key_that_breaks_a_sequence_is_refused_with_it() {
        let mut station = opened();
        assert_eq!(said(&mut station, "1*"), ["1* These keys begin no command."]);
        assert_eq!(
            said(&mut station, "45*07"),
            ["45* These keys begin no command.", "0 These keys begin no command.", "7 These keys begin no command."]
        );
        assert_eq!(said(&mut station, "4500"), ["4500 These keys begin no command."]);
        assert_eq!(
            said(&mut station, "10123456789#"),
            ["10123456789 These keys begin no command.", "# These keys begin no command."]
        );
        assert_eq!(station.pending(), []);
        assert_eq!(said(&mut station, "4507"), ["4507 gate-time"]);
    }

    #[test]
    fn an_unmet_or_unknown_need_is_refused() {
        let mut station = opened();
        assert_eq!(
            said(&mut station, "2201#30322#"),
            ["2201# emergency-backup", "303 line-kind", "22# \"line.kind\" does not hold what this command needs."]
        );
        assert_eq!(holds(&station, "emergency.backup"), "\"\"", "line-kind sent it to factory");
        let unknown = vec![Held::Unknown; 7];
        let mut station = SimulatedStation::new(tern(), unknown, &Codes::default());
        station.ring();
        assert_eq!(
            said(&mut station, "B9999#2201#"),
            ["B9999# open", "2201# \"line.kind\" does not hold what this command needs."]
        );
        assert_eq!(holds(&station, "access"), "?", "opening a call proves nothing");
    }

    #[test]
    fn a_new_code_is_keyed_twice_alike_and_opens_the_next_call() {
        let mut station = opened();
        assert_eq!(said(&mut station, "901234#1235"), ["901234#1235 These keys begin no command."]);
        assert_eq!(said(&mut station, "901234#12345"), ["901234#12345 These keys begin no command."]);
        assert_eq!(said(&mut station, "901234#1234#D"), ["901234#1234# access-code", "D close (hung up)"]);
        station.ring();
        assert_eq!(said(&mut station, "B471100#"), ["B471100# \"access\" does not hold what was keyed."]);
        assert_eq!(said(&mut station, "B1234#"), ["B1234# open"]);
    }

    #[test]
    fn clearing_leaves_factory_values_or_unknown_and_keeps_what_it_keeps() {
        let mut station = opened();
        said(&mut station, "10121#21999#4507302");
        let answers = station.press_all(&keys("9999#"));
        let Verdict::Accepted { written, .. } = &answers[0].verdict else { panic!("{answers:?}") };
        assert_eq!(written.len(), 6);
        let left: Vec<_> =
            ["access", "identity", "emergency.primary", "gate.seconds"].map(|n| holds(&station, n)).into();
        assert_eq!(left, ["code 471100", "\"0\"", "?", "5"]);
    }

    /// The sample with a command that keys the held code, changes it, and hangs up.
    const CHANGING: &str = "  - {command: change, keys: \"7{=access}#{access}#{=identity}#\", clears: [gate.seconds], \
        also: {gate.seconds: 7, identity: \"9\"}, ends_call: true}\n";

    #[test]
    fn a_held_field_is_the_value_before_the_command_and_ends_call_hangs_up() {
        let mut station = station_of(keybook(&format!("{TERN}{CHANGING}")));
        station.ring();
        let answers = said(&mut station, "B471100#7471100#5678#1#7471100#5678#0#1");
        assert_eq!(
            answers,
            [
                "B471100# open",
                "7471100#5678#1# \"identity\" does not hold what was keyed.",
                "7471100#5678#0# change (hung up)",
                "1 There is no call.",
            ]
        );
        let left: Vec<_> = ["access", "identity", "gate.seconds"].map(|n| holds(&station, n)).into();
        assert_eq!(left, ["code 5678", "\"9\"", "7"]);
    }

    #[test]
    fn what_is_keyed_wins_over_also_and_also_over_clears() {
        let also = "  - {command: twice, keys: \"46{gate.seconds}\", clears: all, keeps: [access], \
            also: {gate.seconds: 7, identity: \"9\"}}\n";
        let book = keybook(&format!("{TERN}{also}"));
        let mut station = station_of(book.clone());
        station.ring();
        assert_eq!(said(&mut station, "B471100#4642"), ["B471100# open", "4642 twice"]);
        assert_eq!((holds(&station, "gate.seconds"), holds(&station, "identity")), ("42".into(), "\"9\"".into()));
        let keyed = [(book.id("gate.seconds").unwrap(), Value::Number(42))].into();
        for (id, value) in book.commands[8].effects(&book, &keyed) {
            assert_eq!(*station.held(id), value.map_or(Held::Unknown, Held::Known), "the same as the command says");
        }
    }

    #[test]
    fn a_held_value_that_is_unknown_is_refused_in_a_command() {
        let mut station = SimulatedStation::new(keybook(&format!("{TERN}{CHANGING}")), Vec::new(), &Codes::default());
        station.ring();
        assert_eq!(
            said(&mut station, "B471100#7471100#5678#0#")[1],
            "7471100#5678#0# What \"access\" holds is not known."
        );
    }

    #[test]
    fn secrets_are_looked_up_and_what_cannot_be_held_counts_as_unknown() {
        let text = TERN.replace("digits: [4, 8]}", "digits: [4, 8], factory: \"8520\"}");
        let book = keybook(&text);
        let mut codes = Codes::new(b"a key");
        codes.learn(Reference::Env("A".into()), Code::new("1234"));
        codes.learn(Reference::Env("B".into()), Code::new("12"));
        let access = |reference: Reference| {
            let held = vec![Held::Known(Value::Secret(Secret { reference, fingerprint: None }))];
            holds(&SimulatedStation::new(book.clone(), held, &codes), "access")
        };
        assert_eq!(access(Reference::Env("A".into())), "code 1234");
        assert_eq!(access(Reference::Env("B".into())), "?");
        assert_eq!(access(Reference::Env("C".into())), "?");
        assert_eq!(access(Reference::Factory), "code 8520");
        let odd = vec![Held::Known(Value::Number(3)), Held::Code(Code::new("1"))];
        let station = SimulatedStation::new(book, odd, &codes);
        assert_eq!((holds(&station, "access"), holds(&station, "identity")), ("?".into(), "?".into()));
    }

    #[test]
    fn a_station_that_keeps_time_hangs_up_at_the_limit_and_after_silence() {
        // Greeting 6000, opening 8 * 600 + 1500: 12300. A gate time takes 4 * 600 + 1500: 3900.
        let timed = |limit: u32| {
            let text = TERN.replace("limit_ms: 240000", &format!("limit_ms: {limit}"));
            let mut station = station_of(keybook(&text)).keeping_time();
            station.ring();
            assert_eq!(said(&mut station, "B471100#"), ["B471100# open"]);
            assert_eq!(station.call_ms(), 12_300);
            station
        };
        let limit = 12_300 + 5 * 3_900 + 600;
        let mut exact = timed(limit);
        assert_eq!(said(&mut exact, "45014502450345044505D").len(), 6);
        assert_eq!((exact.call_ms(), exact.in_call()), (u64::from(limit), false));
        let mut over = timed(limit - 600);
        assert_eq!(said(&mut over, "45014502450345044505D")[5], "D The call is longer than 31800 ms. (hung up)");
        let mut late = timed(limit - 601);
        assert_eq!(said(&mut late, "45014502450345044505")[4], "4505 The call is longer than 31799 ms. (hung up)");
        assert_eq!(holds(&late, "gate.seconds"), "4", "what does not fit is not done");
        let mut silent = timed(240_000);
        assert!(!silent.wait(15_000) && silent.wait(1) && !silent.in_call());
        let mut untimed = opened();
        assert!(!untimed.wait(u64::MAX) && untimed.in_call());
    }

    proptest! {
        #[test]
        fn whatever_is_pressed_does_no_harm_and_a_valid_command_is_accepted_after_it(
            pressed in proptest::collection::vec("[0-9*#A-D]|B471100#|10[0-9]{1,8}#|22[0-9C]{0,20}#|30[1-3]|45[0-9]{2}|9999#", 0..60),
            timed in any::<bool>(),
        ) {
            let mut station = station_of(tern());
            if timed { station = station.keeping_time(); }
            station.ring();
            let mut answered = 0;
            let all: String = pressed.concat();
            for key in keys(&all).0 {
                if let Some(answer) = station.press(key) {
                    prop_assert!(answer.keys.0.ends_with(&[key]));
                    prop_assert_eq!(station.pending(), &[]);
                    answered += answer.keys.0.len();
                }
            }
            prop_assert_eq!(answered + station.pending().len(), all.len(), "every key is answered once");
            // A star breaks whatever was begun; then a fresh call, the code held, a command.
            if !station.pending().is_empty() {
                prop_assert!(station.press(Key::new('*').unwrap()).is_some());
            }
            let Held::Code(code) = station.held(SettingId(0)).clone() else { panic!("the code is always known here") };
            station.ring();
            let answers = station.press_all(&keys(&format!("B{}#4542", code.reveal())));
            prop_assert_eq!(answers.iter().map(Answer::is_accepted).collect::<Vec<_>>(), [true, true]);
        }

        #[test]
        fn a_whole_command_is_answered_at_its_last_key_and_not_before(
            at in 0usize..8, digits in "[0-9]{4,8}", number in 1u32..99, choice in 0usize..3,
        ) {
            let mut station = opened();
            let book = tern();
            let pressed = book.commands[at].keys.press::<()>(|_, id| Ok(match &book.setting(id).kind {
                Kind::Digits { .. } | Kind::Dial { .. } | Kind::Secret { .. } => keys(&digits),
                Kind::Choice(codes) => codes[choice].1.clone(),
                Kind::Flags { .. } => keys(&choice.to_string()),
                Kind::Number { .. } => keys(&format!("{number:02}")),
            })).unwrap();
            let (last, before) = pressed.0.split_last().unwrap();
            for key in before {
                prop_assert_eq!(station.press(*key), None);
            }
            let answer = station.press(*last).unwrap();
            let accepted = matches!(answer.verdict, Verdict::Accepted { what: Sequence::Command(n), .. } if n == at);
            prop_assert!(accepted && answer.keys == pressed, "{:?}", answer);
        }
    }
}
