//! Records kept beside the ledger, so that a start reads what was folded before and not the whole ledger.
//!
//! The ledger alone is the truth. What is kept is believed only where the entry that it goes up to still has the same hash, and
//! of each station only where the keybook and the names it was folded by are the same; all else is folded anew. It is written
//! for the names that a pass has touched.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use sha2::{Digest as _, Sha256};

use super::error::FleetError;
use super::records::{Folded, Left, Records, former};
use super::unkept::Unkept;
use crate::brake::Gone;
use crate::inventory::{Inventory, Keybooks};
use crate::keybook::Keybook;
use crate::ledger::{FOLDED_FORM, PackedRecord};
use crate::setting::{Name, Netstrings};
use crate::store::{FoldsHead, NewFolds, Store};

const PAGE: i64 = 1_000;

/// The form of a kept row beside the record's own.
const ROW_FORM: u32 = 2;

/// What comparing the kept records with the ledger found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FoldsFound {
    /// None are kept that would be believed.
    None,
    /// So many, and each is what the ledger says.
    Agree(usize),
    /// Names whose kept records are not what the ledger says.
    Differ(Vec<Name>),
}

/// What is kept under one name.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Row<'b> {
    /// The numbers that its reports were kept with.
    numbers: Vec<&'b str>,
    state: Kept<'b>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Kept<'b> {
    /// Something is on record; what comes of it is to be folded.
    Open,
    /// No station goes by that name.
    Left { is_on_record: bool, are_out: bool, number: Option<&'b str> },
    /// The record of a station with reports of its own.
    Own { keybook: [u8; 8], formerly: Vec<&'b str>, record: &'b [u8] },
}

/// Whatever must be the same for kept rows to be read at all.
fn form(store: &Store) -> String {
    format!("{FOLDED_FORM}.{ROW_FORM} {} {}", env!("CARGO_PKG_VERSION"), store.key())
}

/// What of a keybook decides what a fold makes of reports: its text, and the factory's codes.
fn print_of(keybook: &Keybook) -> [u8; 8] {
    let factory = keybook.settings.iter().map(|setting| format!("{:?}", setting.factory));
    let all = factory.fold(Netstrings::new().text(&keybook.digest), |all, one| all.text(&one));
    let [a, b, c, d, e, f, g, h, ..] = all.bytes();
    [a, b, c, d, e, f, g, h]
}

/// What a kept row begins with: by it the rest is known to be as it was written, and a record need not be taken apart for that.
fn check_of(rest: &[u8]) -> [u8; CHECK] {
    let hash = Sha256::digest(rest);
    std::array::from_fn(|at| hash[at])
}

const CHECK: usize = 8;

/// Prints that were made already, by the keybook's address while it is held.
#[derive(Default)]
struct Prints(HashMap<usize, (Arc<Keybook>, [u8; 8])>);

impl Prints {
    fn of(&mut self, keybook: &Arc<Keybook>) -> [u8; 8] {
        let known = self.0.entry(Arc::as_ptr(keybook) as usize);
        known.or_insert_with(|| (keybook.clone(), print_of(keybook))).1
    }
}

/// The kept records as far as they are believed, and the names that are to be folded anew.
struct Recalled {
    records: Records,
    touched: BTreeSet<Name>,
}

impl Records {
    /// The records as they are kept beside the ledger, kept up with it; nothing where they are not to be believed.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn recall(
        store: &Store,
        (inventory, keybooks): (&Inventory, &Keybooks),
    ) -> Result<Option<Records>, FleetError> {
        let Some(head) = believed(store).await? else { return Ok(None) };
        let mut recalled = Recalled { records: Records::of_files(inventory, keybooks), touched: BTreeSet::new() };
        let (mut prints, mut at) = (Prints::default(), String::new());
        let former = former(inventory);
        loop {
            let page = store.folds_after(&at, PAGE).await?;
            let Some((last, _)) = page.last() else { break };
            at.clone_from(last);
            for (name, body) in &page {
                let Some(row) = Row::read(body) else { return Ok(None) };
                let name =
                    inventory.stations.get_key_value(&**name).map_or_else(|| name.as_str().into(), |one| one.0.clone());
                let is_of_another = former.contains_key(&name);
                recalled.take(name, &row, (inventory, is_of_another), &mut prints);
            }
        }
        // Someone may have kept others while these were read.
        if store.folds_head().await?.as_ref() != Some(&head) {
            return Ok(None);
        }
        let Recalled { mut records, touched } = recalled.with_blank(inventory);
        records.remember(store, head.seq).await?;
        records.unkept.before = Some(head);
        records.take_news(store, (inventory, keybooks), touched).await?;
        Ok(Some(records))
    }

    /// Keeps what is not kept yet. Where another process keeps them too, the next time goes on from there.
    ///
    /// # Errors
    /// Where the ledger cannot be read or written. Nothing is lost by it.
    pub async fn keep_folds(&mut self, store: &Store) -> Result<(), FleetError> {
        let Unkept { is_all, names, .. } = &self.unkept;
        if !is_all && names.is_empty() {
            return Ok(());
        }
        let Some(hash) = store.hash_at(self.seq()).await? else { return Ok(()) };
        let after = FoldsHead { form: form(store), seq: self.seq(), hash };
        if *is_all {
            let kept = believed(store).await?;
            if kept.as_ref().is_some_and(|kept| kept.seq >= after.seq) {
                self.unkept = Unkept { before: kept, ..Unkept::default() };
                return Ok(());
            }
            self.unkept.before = store.folds_head().await?;
        }
        let folds = NewFolds { is_all: self.unkept.is_all, rows: self.rows_to_keep() };
        if store.keep_folds(self.unkept.before.as_ref(), &after, &folds).await? {
            self.unkept = Unkept { before: Some(after), ..Unkept::default() };
            return Ok(());
        }
        let before = believed(store).await?;
        let names = match &before {
            Some(before) => self.touched_since(store, before.seq).await?,
            None => BTreeSet::new(),
        };
        self.unkept = Unkept { is_all: before.is_none(), before, names };
        Ok(())
    }

    fn rows_to_keep(&self) -> Vec<(String, Option<Vec<u8>>)> {
        let (mut prints, mut numbers) = (Prints::default(), BTreeMap::<&Name, Vec<&str>>::new());
        for (number, name) in &self.lines {
            if self.unkept.is_all || self.unkept.names.contains(name) {
                numbers.entry(name).or_default().push(number);
            }
        }
        let former = self.former_names();
        let all: BTreeSet<&Name> = match self.unkept.is_all {
            true => self.records.keys().chain(self.gone.keys()).chain(numbers.keys().chain(&former).copied()).collect(),
            false => self.unkept.names.iter().collect(),
        };
        let rows = all.into_iter().map(|name| {
            let numbers = numbers.remove(name).unwrap_or_default();
            (name.to_string(), self.bytes_under(name, numbers, former.contains(name), &mut prints))
        });
        rows.filter(|(_, bytes)| bytes.is_some() || !self.unkept.is_all).collect()
    }

    /// The names that stations had before.
    fn former_names(&self) -> BTreeSet<&Name> {
        self.records.values().flat_map(|folded| &folded.formerly).collect()
    }

    /// What is to be kept under a name.
    fn bytes_under(&self, name: &Name, numbers: Vec<&str>, is_former: bool, prints: &mut Prints) -> Option<Vec<u8>> {
        let is_bare = numbers.is_empty();
        match (self.records.get(name), self.gone.get(name)) {
            (Some(folded), _) if folded.is_own => {
                let (keybook, record) = (prints.of(folded.record.keybook()), folded.record.bytes());
                let formerly = folded.formerly.iter().map(|name| &**name).collect();
                Some(Row { numbers, state: Kept::Own { keybook, formerly, record } }.write())
            }
            (Some(folded), _) if !is_bare || folded.has_own => Some(Row { numbers, state: Kept::Open }.write()),
            (Some(_), _) => None,
            (None, Some(Left { gone, are_out, number })) => {
                let number = number.as_deref();
                let state = Kept::Left { is_on_record: gone.is_on_record, are_out: *are_out, number };
                Some(Row { numbers, state }.write())
            }
            (None, None) => (!is_bare || is_former).then(|| Row { numbers, state: Kept::Open }.write()),
        }
    }

    /// Compares what is kept beside the ledger with what the ledger says.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn compare_folds(
        store: &Store,
        files: (&Inventory, &Keybooks),
        progress: impl FnMut(u64),
    ) -> Result<FoldsFound, FleetError> {
        let Some(head) = believed(store).await? else { return Ok(FoldsFound::None) };
        let mut anew = Records::load_up_to(store, files, (None, head.seq), progress).await?;
        anew.unkept.is_all = true;
        let mut should: BTreeMap<String, Vec<u8>> =
            anew.rows_to_keep().into_iter().filter_map(|(name, bytes)| Some((name, bytes?))).collect();
        let (mut differ, mut agree, mut at) = (Vec::new(), 0, String::new());
        loop {
            let page = store.folds_after(&at, PAGE).await?;
            let Some((last, _)) = page.last() else { break };
            at.clone_from(last);
            for (name, body) in page {
                let should = should.remove(&name);
                let (is, should) = (Row::read(&body), should.as_deref().and_then(Row::read));
                let is_same = is.as_ref().is_some_and(|is| is.is_as_good_as(should.as_ref()));
                if is_same { agree += 1 } else { differ.push(Name::from(name)) }
            }
        }
        // What nothing is kept of is folded anew where it had other names, and has nothing on record where it is another's name.
        let former = anew.former_names();
        let is_good = |name: &str, bytes: &[u8]| {
            let had_others = anew.records.get(name).is_some_and(|folded| !folded.formerly.is_empty());
            Row::read(bytes).is_some_and(|row| {
                let is_nothing = row.state == Kept::Open && former.contains(&Name::from(name));
                row.numbers.is_empty() && (had_others || is_nothing)
            })
        };
        let missing = should.into_iter().filter(|(name, bytes)| !is_good(name, bytes));
        differ.extend(missing.map(|(name, _)| Name::from(name)));
        Ok(if differ.is_empty() { FoldsFound::Agree(agree) } else { FoldsFound::Differ(differ) })
    }
}

/// The head of the kept rows, where they may be read and the ledger still has the entry that they go up to.
async fn believed(store: &Store) -> Result<Option<FoldsHead>, FleetError> {
    let Some(head) = store.folds_head().await?.filter(|head| head.form == form(store)) else { return Ok(None) };
    let is_there = head.seq <= store.head().await?.seq && store.hash_at(head.seq).await?.as_ref() == Some(&head.hash);
    Ok(Some(head).filter(|_| is_there))
}

impl Recalled {
    fn take(&mut self, name: Name, row: &Row<'_>, (inventory, is_of_another): (&Inventory, bool), prints: &mut Prints) {
        let Recalled { records, touched } = self;
        let station = inventory.stations.get(&name);
        let own = station.map(|station| station.number.name());
        let shared = |number: &str| own.filter(|own| ***own == *number).cloned().unwrap_or_else(|| number.into());
        records.lines.extend(row.numbers.iter().map(|number| (shared(number), name.clone())));
        match (&row.state, station) {
            (Kept::Own { keybook, formerly, record }, Some(station)) => {
                let is_same = prints.of(&station.keybook) == *keybook
                    && station.formerly.iter().map(|name| &**name).eq(formerly.iter().copied());
                if is_same {
                    let record = PackedRecord::of_bytes(record, &station.keybook);
                    records.insert(station, Folded::new(station, record, true));
                } else {
                    touched.insert(name);
                }
            }
            // What a station had under a name of before is in its own record.
            (Kept::Open, None) if is_of_another => {}
            (Kept::Left { is_on_record, are_out: false, number }, None) if !is_of_another => {
                let gone = Gone { is_on_record: *is_on_record, scripts: Vec::new() };
                let number = number.map(Name::from);
                records.gone.insert(name, Left { gone, are_out: false, number });
            }
            (Kept::Own { .. } | Kept::Left { .. } | Kept::Open, _) => drop(touched.insert(name)),
        }
    }

    /// The stations of which nothing is kept: nobody reported on them, or they had other names.
    fn with_blank(mut self, inventory: &Inventory) -> Recalled {
        let mut blank: BTreeMap<&Name, PackedRecord> = BTreeMap::new();
        for station in inventory.stations.values() {
            let Recalled { records, touched } = &mut self;
            if records.records.contains_key(&station.name) || touched.contains(&station.name) {
                continue;
            }
            if !station.formerly.is_empty() || records.reported_at(station.number.name()).next().is_some() {
                touched.insert(station.name.clone());
                continue;
            }
            let record = blank.entry(&station.keybook.model);
            let record = record.or_insert_with(|| PackedRecord::blank(&station.keybook)).clone();
            records.insert(station, Folded::new(station, record, false));
        }
        self
    }
}

impl<'b> Row<'b> {
    fn write(&self) -> Vec<u8> {
        let mut out = vec![0; CHECK];
        write_texts(&mut out, &self.numbers);
        match &self.state {
            Kept::Open => out.push(0),
            Kept::Left { is_on_record, are_out, number } => {
                out.extend([1, u8::from(*is_on_record), u8::from(*are_out)]);
                write_texts(&mut out, number.as_slice());
            }
            Kept::Own { keybook, formerly, record } => {
                out.push(2);
                out.extend_from_slice(keybook);
                write_texts(&mut out, formerly);
                out.extend_from_slice(record);
            }
        }
        let check = check_of(&out[CHECK..]);
        out[..CHECK].copy_from_slice(&check);
        out
    }

    fn read(bytes: &'b [u8]) -> Option<Row<'b>> {
        let (check, mut bytes) = bytes.split_first_chunk()?;
        if check_of(bytes) != *check {
            return None;
        }
        let numbers = read_texts(&mut bytes)?;
        let (tag, mut bytes) = bytes.split_first()?;
        let state = match tag {
            0 => Kept::Open,
            1 => {
                let ([is_on_record, are_out], rest) = bytes.split_first_chunk()?;
                bytes = rest;
                let number = read_texts(&mut bytes)?.first().copied();
                Kept::Left { is_on_record: *is_on_record == 1, are_out: *are_out == 1, number }
            }
            2 => {
                let (keybook, rest) = bytes.split_first_chunk()?;
                bytes = rest;
                let formerly = read_texts(&mut bytes)?;
                Kept::Own { keybook: *keybook, formerly, record: std::mem::take(&mut bytes) }
            }
            _ => return None,
        };
        bytes.is_empty().then_some(Row { numbers, state })
    }

    /// Whether a row leads to what it should: the same, or folding anew.
    fn is_as_good_as(&self, should: Option<&Row<'_>>) -> bool {
        let Some(should) = should else {
            // No station goes by that name any longer, and nothing was ever said under it.
            return self.numbers.is_empty() && !matches!(self.state, Kept::Left { .. });
        };
        let is_folded_anew = match (&self.state, &should.state) {
            (Kept::Own { keybook, formerly, .. }, Kept::Own { keybook: now, formerly: names, .. }) => {
                (keybook, formerly) != (now, names)
            }
            (Kept::Left { are_out, .. }, Kept::Left { .. }) => *are_out,
            (one, other) => std::mem::discriminant(one) != std::mem::discriminant(other),
        };
        self.numbers == should.numbers && (is_folded_anew || self.state == should.state)
    }
}

fn write_texts(out: &mut Vec<u8>, texts: &[&str]) {
    // A row that names more, or longer ones, than these two bytes can count is none when it is read, and folded anew.
    let count = |count: usize| u16::try_from(count).unwrap_or(u16::MAX).to_le_bytes();
    out.extend(count(texts.len()));
    for text in texts {
        out.extend(count(text.len()));
        out.extend_from_slice(text.as_bytes());
    }
}

fn read_texts<'b>(bytes: &mut &'b [u8]) -> Option<Vec<&'b str>> {
    let count = read_count(bytes)?;
    (0..count).map(|_| read_text(bytes)).collect()
}

fn read_text<'b>(bytes: &mut &'b [u8]) -> Option<&'b str> {
    let count = read_count(bytes)?;
    let (text, rest) = bytes.split_at_checked(count)?;
    *bytes = rest;
    std::str::from_utf8(text).ok()
}

fn read_count(bytes: &mut &[u8]) -> Option<usize> {
    let (count, rest) = bytes.split_first_chunk()?;
    *bytes = rest;
    Some(usize::from(u16::from_le_bytes(*count)))
}
