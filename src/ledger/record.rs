//! The confirmed record: what is known of a station. How reports come to it is the fold's.

use super::earlier::Earlier;
use super::mark::Mark;
use super::proven::Proven;
use super::report::Outcome;
use super::shown::HandedOut;
use super::visit::OpenVisit;
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Name, Value};

/// What is known of one setting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// No report says what it holds.
    Unknown,
    /// One of these, and nobody can say which; always two or more, none twice, in the order in which they came in doubt: what
    /// was known before first.
    InDoubt(Vec<Value>),
    /// This, so far as reports go.
    Known(Value),
}

/// A code with which a call could not be opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The code that the station refused.
    pub code: Value,
    /// The report that says so.
    pub mark: Mark,
    /// Who heard it.
    pub by: Name,
}

/// One setting of a station's record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holding {
    /// What it holds, so far as reports go.
    pub state: State,
    /// The report that found it against the record, or showed that it is not as recorded, until a later entry sets it right.
    pub strayed: Option<Mark>,
    /// The report that last spoke of it; for a known value, the one that last confirmed it.
    pub mark: Option<Mark>,
    /// Of what opens a call: the codes that the station refused since one was last shown to be right or stored, in the order
    /// in which they were last refused.
    pub refused: Vec<Refusal>,
}

impl Holding {
    /// The value, where it is known.
    pub fn known(&self) -> Option<&Value> {
        match &self.state {
            State::Known(value) => Some(value),
            State::InDoubt(_) | State::Unknown => None,
        }
    }

    /// When and by whom a code was refused, where it was.
    pub fn refusal_of(&self, code: &Value) -> Option<&Refusal> {
        self.refused.iter().find(|refusal| refusal.code.agrees(code))
    }
}

/// A test call that did not reach help.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// Who made it.
    pub by: Name,
    /// What they noted in their report.
    pub note: Option<Name>,
}

/// What is known of one lifeline.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Proof {
    /// The last test call, however old.
    pub last: Option<(Outcome, Mark)>,
    /// More of that one, where it failed.
    pub failure: Option<Failure>,
    /// Who answered that one, where it reached someone to whom nothing on record leads.
    pub answered_by: Option<Name>,
    /// The last call that reached help with the settings as they still are, at the number that was last rung.
    pub reached: Option<Mark>,
    /// Where a press calls nobody by the record: the report since which it does not.
    pub dead: Option<Mark>,
    /// Whether the last call that reached help proves nothing any more only because it was made at another number.
    pub is_renumbered: bool,
}

impl Proof {
    /// One of its settings changed, or may have: it must be tested again.
    pub(super) fn expire(&mut self) {
        (self.reached, self.is_renumbered) = (None, false);
    }
}

/// What was heard of a setting that tells stations apart, and is another station's: that one may have answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Elsewhere {
    /// The setting.
    pub id: SettingId,
    /// What was heard.
    pub value: Value,
    /// The station that was wanted to say so when it was heard.
    pub station: Name,
    /// The report that says so.
    pub mark: Mark,
}

/// What the reports prove about a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// One for each of the keybook's settings.
    pub settings: Vec<Holding>,
    /// One for each of the keybook's lifelines.
    pub lifelines: Vec<Proof>,
    /// The last report that names a script, and so says what became of it.
    pub answered: Option<Mark>,
    /// What was last proved of each lifeline setting of which anything was, in the order in which that first was.
    pub proven: Vec<Proven>,
    /// What it held at moments that matter for the way back.
    pub earlier: Earlier,
    /// The number at which the station last answered, in E.164: that kept with the last report of an accepted opening or step, of
    /// what was left, of what it is known to say of itself, or of a test call that reached help and counts; before there is one, with the first report.
    pub number: Option<Name>,
    /// By what another station answered when this one was rung, the last of each setting, until something is made known of it.
    pub elsewhere: Vec<Elsewhere>,
    /// The visits of which no report came yet, the earliest first.
    pub begun: Vec<OpenVisit>,
    /// The scripts that were shown and that no report has named since. No part of the fold over reports.
    pub handed_out: Vec<HandedOut>,
}

impl Record {
    /// A station that nobody has reported on.
    pub fn blank(keybook: &Keybook) -> Record {
        let holding = Holding { state: State::Unknown, strayed: None, mark: None, refused: Vec::new() };
        Record {
            settings: vec![holding; keybook.settings.len()],
            lifelines: vec![Proof::default(); keybook.lifelines.len()],
            answered: None,
            proven: Vec::new(),
            earlier: Earlier::default(),
            number: None,
            elsewhere: Vec::new(),
            begun: Vec::new(),
            handed_out: Vec::new(),
        }
    }

    /// Whether anything is known of the station: by reports of it, or by those kept with its number.
    pub fn is_on_record(&self) -> bool {
        !self.proven.is_empty() || !self.is_blank()
    }

    /// What was last proved of a setting.
    pub fn proven(&self, setting: &str) -> Option<&Proven> {
        self.proven.iter().find(|proven| *proven.setting == *setting)
    }

    /// Whether no report spoke of any setting or lifeline.
    pub fn is_blank(&self) -> bool {
        self.settings.iter().all(|holding| holding.mark.is_none())
            && self.lifelines.iter().all(|proof| proof.last.is_none())
    }

    /// The number at which the station last answered, where the inventory gives it another: nobody can say which station
    /// answers there now.
    pub fn other_number(&self, number: &Name) -> Option<&Name> {
        self.number.as_ref().filter(|kept| *kept != number)
    }

    /// What is known of a setting.
    pub fn holding(&self, id: SettingId) -> &Holding {
        &self.settings[id.index()]
    }

    /// The value of a setting, where it is known.
    pub fn known(&self, id: SettingId) -> Option<&Value> {
        self.holding(id).known()
    }

    /// What a setting may hold, where it is in doubt, in the order in which that came about; nothing where it is known, or
    /// unknown.
    pub fn candidates(&self, id: SettingId) -> impl Iterator<Item = &Value> {
        let candidates = match &self.holding(id).state {
            State::InDoubt(candidates) => Some(candidates),
            State::Known(_) | State::Unknown => None,
        };
        candidates.into_iter().flatten()
    }
}
