//! Whether two key sequences can be confused when a field that is keyed twice holds one value.
//!
//! Both templates are walked together with unknown keys in their fields; a field keyed again yields the
//! same unknown keys again. Where one template has ended, the unknown keys are solved for. The search
//! is exact; on running out of budget it says so instead of guessing.

use std::collections::{BTreeSet, HashSet};

use super::SettingId;
use super::confusion::{Budget, Confusion, Languages, Verdict, Whole};
use super::field::{KeySet, Language, State};
use super::template::{Template, TemplatePart, Use};
use crate::setting::{Key, Keys};

/// Decides by search; see the module's words.
pub(super) fn decide(first: &Template, second: &Template, languages: &Languages, budget: &mut Budget) -> Verdict {
    let mut fields = Vec::new();
    let (Some(a), Some(b)) = (pieces(first, languages, &mut fields), pieces(second, languages, &mut fields)) else {
        return Verdict::Unsure;
    };
    let task = Task { pieces: [a, b], fields };
    task.search(budget).unwrap_or(Verdict::Unsure)
}

/// The budget ran out.
struct Spent;

enum Piece {
    Key(Key),
    /// An index into the fields of the task.
    Field(usize),
}

/// Two templates. Fields of one template that key the same value share an index.
struct Task<'l> {
    pieces: [Vec<Piece>; 2],
    fields: Vec<&'l Language>,
}

fn pieces<'l>(template: &Template, languages: &'l Languages, fields: &mut Vec<&'l Language>) -> Option<Vec<Piece>> {
    let mut own: Vec<((Use, SettingId), usize)> = Vec::new();
    let mut pieces = Vec::new();
    for part in &template.0 {
        pieces.push(match part {
            TemplatePart::Key(key) => Piece::Key(*key),
            TemplatePart::Field(how, id) => {
                let known = own.iter().find(|(field, _)| *field == (*how, *id)).map(|(_, at)| *at);
                let at = known.unwrap_or(fields.len());
                if known.is_none() {
                    fields.push(languages.get(id.index())?.as_ref()?);
                    own.push(((*how, *id), at));
                }
                Piece::Field(at)
            }
        });
    }
    Some(pieces)
}

/// Where one template has been walked to; `settled` once it is decided that another key follows, or the end.
#[derive(Clone, Copy, Default)]
struct Cursor {
    part: usize,
    offset: usize,
    settled: bool,
}

/// What has been keyed for a field, as unknown keys; `whole` once it is complete.
#[derive(Clone, Default)]
struct Word {
    unknowns: Vec<usize>,
    whole: bool,
}

#[derive(Clone)]
struct Walk {
    cursors: [Cursor; 2],
    words: Vec<Word>,
    unknowns: Unknowns,
    path: Vec<usize>,
}

/// Keys not known yet: which are the same key, and what each may be.
#[derive(Clone, Default)]
struct Unknowns {
    same_as: Vec<usize>,
    may_be: Vec<KeySet>,
}

impl Unknowns {
    fn fresh(&mut self, may_be: KeySet) -> usize {
        self.same_as.push(self.may_be.len());
        self.may_be.push(may_be);
        self.may_be.len() - 1
    }

    fn root(&self, mut unknown: usize) -> usize {
        while self.same_as[unknown] != unknown {
            unknown = self.same_as[unknown];
        }
        unknown
    }

    /// Makes two the same key; false where no key fits both.
    fn unite(&mut self, a: usize, b: usize) -> bool {
        let (a, b) = (self.root(a), self.root(b));
        let both = self.may_be[a].and(self.may_be[b]);
        self.same_as[b] = a;
        self.may_be[a] = both;
        !both.is_empty()
    }
}

impl Task<'_> {
    fn search(&self, budget: &mut Budget) -> Result<Verdict, Spent> {
        let words = vec![Word::default(); self.fields.len()];
        let start = Walk { cursors: [Cursor::default(); 2], words, unknowns: Unknowns::default(), path: Vec::new() };
        let mut open = vec![start];
        while let Some(mut walk) = open.pop() {
            // A walk is copied where it branches, which is what it costs.
            if !budget.spend(1 + walk.path.len() as u64) {
                return Err(Spent);
            }
            if let Some(side) = [0, 1].into_iter().find(|side| !walk.cursors[*side].settled) {
                self.settle(walk, side, &mut open);
                continue;
            }
            let ended = [0, 1].map(|side| walk.cursors[side].part >= self.pieces[side].len());
            if let Some(whole) = Whole::of(ended[0], ended[1]) {
                if let Some(keys) = self.solve(&walk, budget)? {
                    return Ok(Verdict::Confused(Confusion { keys, whole }));
                }
                continue;
            }
            let (a, b) = (self.next_key(&mut walk, 0), self.next_key(&mut walk, 1));
            if walk.unknowns.unite(a, b) {
                walk.path.push(a);
                open.push(walk);
            }
        }
        Ok(Verdict::Apart)
    }

    /// Decides whether the field at the cursor goes on or ends; both are tried where both can be.
    fn settle(&self, mut walk: Walk, side: usize, open: &mut Vec<Walk>) {
        let Cursor { part, offset, .. } = walk.cursors[side];
        let (go, end) = match self.pieces[side].get(part) {
            None | Some(Piece::Key(_)) => (true, false),
            Some(Piece::Field(at)) if walk.words[*at].whole => {
                let ended = offset >= walk.words[*at].unknowns.len();
                (!ended, ended)
            }
            Some(Piece::Field(at)) => {
                let longer = self.fields[*at].lengths().checked_shr(offset as u32).unwrap_or(0);
                (longer >> 1 != 0, longer & 1 != 0)
            }
        };
        if go {
            let mut going = if end { walk.clone() } else { std::mem::replace(&mut walk, Walk::nothing()) };
            going.cursors[side].settled = true;
            open.push(going);
        }
        if end {
            if let Some(Piece::Field(at)) = self.pieces[side].get(part) {
                walk.words[*at].whole = true;
            }
            walk.cursors[side] = Cursor { part: part + 1, offset: 0, settled: false };
            open.push(walk);
        }
    }

    /// The unknown key that follows at a settled cursor, which moves on.
    fn next_key(&self, walk: &mut Walk, side: usize) -> usize {
        let Cursor { part, offset, .. } = walk.cursors[side];
        let within = Cursor { part, offset: offset + 1, settled: false };
        match &self.pieces[side][part] {
            Piece::Key(key) => {
                walk.cursors[side] = Cursor { part: part + 1, offset: 0, settled: false };
                walk.unknowns.fresh(KeySet::one(*key))
            }
            Piece::Field(at) if walk.words[*at].whole => {
                walk.cursors[side] = within;
                walk.words[*at].unknowns[offset]
            }
            Piece::Field(at) => {
                walk.cursors[side] = within;
                let unknown = walk.unknowns.fresh(self.fields[*at].signs());
                walk.words[*at].unknowns.push(unknown);
                unknown
            }
        }
    }

    /// Keys for the path so that every field holds a value, or the beginning of one where it is not whole.
    fn solve(&self, walk: &Walk, budget: &mut Budget) -> Result<Option<Keys>, Spent> {
        let mut shaped = Vec::new();
        for (word, language) in walk.words.iter().zip(&self.fields) {
            match language {
                // Its lengths and keys were minded on the way.
                Language::Run { .. } => {}
                Language::Coded { .. } | Language::Words(_) | Language::Numbers(_) => {
                    let unknowns = word.unknowns.iter().map(|u| walk.unknowns.root(*u)).collect();
                    shaped.push(Shaped { language, unknowns, whole: word.whole });
                }
            }
        }
        let Some(found) = assign(&shaped, walk.unknowns.may_be.clone(), budget)? else { return Ok(None) };
        let key = |unknown: &usize| found[walk.unknowns.root(*unknown)].keys().next();
        Ok(walk.path.iter().map(key).collect::<Option<Vec<_>>>().map(Keys))
    }
}

impl Walk {
    fn nothing() -> Walk {
        Walk { cursors: [Cursor::default(); 2], words: Vec::new(), unknowns: Unknowns::default(), path: Vec::new() }
    }
}

/// A field whose keys depend on each other.
struct Shaped<'l> {
    language: &'l Language,
    unknowns: Vec<usize>,
    whole: bool,
}

/// Narrows every unknown until all fields agree; tries out keys where narrowing alone does not decide.
fn assign(shaped: &[Shaped<'_>], mut may_be: Vec<KeySet>, budget: &mut Budget) -> Result<Option<Vec<KeySet>>, Spent> {
    loop {
        let before = may_be.clone();
        for field in shaped {
            if !field.narrow(&mut may_be, budget)? {
                return Ok(None);
            }
        }
        if may_be == before {
            break;
        }
    }
    let undecided: BTreeSet<usize> =
        shaped.iter().flat_map(|f| f.unknowns.iter().copied()).filter(|u| may_be[*u].len() > 1).collect();
    let Some(unknown) = undecided.into_iter().min_by_key(|u| may_be[*u].len()) else { return Ok(Some(may_be)) };
    for key in may_be[unknown].keys() {
        let mut tried = may_be.clone();
        tried[unknown] = KeySet::one(key);
        if let Some(found) = assign(shaped, tried, budget)? {
            return Ok(Some(found));
        }
    }
    Ok(None)
}

impl Shaped<'_> {
    /// Leaves each unknown only the keys that some value of this field has there; false where none is left.
    fn narrow(&self, may_be: &mut [KeySet], budget: &mut Budget) -> Result<bool, Spent> {
        let mut layers: Vec<Vec<State>> = vec![self.language.starts()];
        for unknown in &self.unknowns {
            let now = layers.last().map_or(&[] as &[State], Vec::as_slice);
            let mut next = HashSet::new();
            for state in now {
                if !budget.spend(1) {
                    return Err(Spent);
                }
                next.extend(may_be[*unknown].keys().filter_map(|key| self.language.step(*state, key)));
            }
            layers.push(next.into_iter().collect());
        }
        let last = layers.pop().unwrap_or_default();
        let mut alive: HashSet<State> =
            last.into_iter().filter(|state| !self.whole || self.language.accepts(*state)).collect();
        for (unknown, layer) in self.unknowns.iter().zip(layers).rev() {
            let mut used = KeySet::default();
            let mut before = HashSet::new();
            for state in layer {
                for key in may_be[*unknown].keys() {
                    if self.language.step(state, key).is_some_and(|next| alive.contains(&next)) {
                        used = used.or(KeySet::one(key));
                        before.insert(state);
                    }
                }
            }
            may_be[*unknown] = used;
            alive = before;
        }
        Ok(!alive.is_empty())
    }
}
