//! A station that understands keys and nothing else: what it is fed says what it holds.
//!
//! It behaves as SPEC §2 says and knows nothing of scripts, records or references to secrets. It keeps no
//! time unless told to (see [`SimulatedStation::keeping_time`]).

use std::ops::Range;
use std::sync::Arc;

use super::field::{Language, State};
use super::template::{Part, Template, Use};
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
    pub verdict: Verdict,
    /// Whether the call has ended with it.
    pub hung_up: bool,
}

/// Accepted or refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// `written`: the settings it stored, set or cleared, in the keybook's order.
    Accepted {
        what: Sequence,
        written: Vec<SettingId>,
    },
    Refused(Refusal),
}

/// A key sequence that a station knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Sequence {
    Open,
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
    /// The reason as a sentence.
    pub fn sentence(&self, keybook: &Keybook) -> String {
        let name = |id: &SettingId| keybook.setting(*id).name.clone();
        match self {
            Refusal::NoCall => "There is no call.".into(),
            Refusal::CallTooLong => format!("The call is longer than {} ms.", keybook.call.limit_ms),
            Refusal::NotOpened(_) => "The call has not been opened.".into(),
            Refusal::NoSequence => "These keys begin no command.".into(),
            Refusal::HeldUnknown(id) => format!("What `{}` holds is not known.", name(id)),
            Refusal::HeldDiffers(id) => format!("`{}` does not hold what was keyed.", name(id)),
            Refusal::NeedUnmet(id) => format!("`{}` does not hold what this command needs.", name(id)),
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
        Verdict::Accepted { what: thread.sequence, written: Vec::new() }
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
        Verdict::Accepted { what: Sequence::Command(at), written }
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
                Some(Part::Key(key)) => {
                    thread.at = At::Key(*key);
                    return threads.push(thread);
                }
                Some(Part::Field(how, id)) => (*how, *id),
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
