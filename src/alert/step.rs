//! The table of cases: what a webhook heard of a subject, and how that is now, make what it is told. The one at the head
//! of this module is printed from [`TABLE`]; a test holds them together.

use std::collections::BTreeSet;

/// Why a webhook is told of a subject; the order of a message's lists and of its sentence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    /// Its case was opened.
    Opened,
    /// It is worse than the webhook heard.
    Grown,
    /// Something there is no longer managed.
    Unwatched,
    /// The inventory has it no longer.
    Withdrawn,
    /// A reminder is due.
    StillOpen,
    /// It is better than the webhook heard, and not right yet.
    Eased,
    /// Withdrawn before, and there again.
    Returned,
    /// Managed again.
    Watched,
    /// It is right again.
    Closed,
}

impl Reason {
    /// All of them, in order.
    pub const ALL: [Reason; 9] = [
        Reason::Opened,
        Reason::Grown,
        Reason::Unwatched,
        Reason::Withdrawn,
        Reason::StillOpen,
        Reason::Eased,
        Reason::Returned,
        Reason::Watched,
        Reason::Closed,
    ];

    /// The name of its list in a message.
    pub fn as_str(self) -> &'static str {
        match self {
            Reason::Opened => "opened",
            Reason::Grown => "grown",
            Reason::Unwatched => "unwatched",
            Reason::Withdrawn => "withdrawn",
            Reason::StillOpen => "still_open",
            Reason::Eased => "eased",
            Reason::Returned => "returned",
            Reason::Watched => "watched",
            Reason::Closed => "closed",
        }
    }
}

/// What a webhook last heard of a subject.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LastHeard {
    Nothing,
    /// Its case, and not yet that it is over.
    Case,
    /// What was said cannot be read: kept by another version, or damaged.
    Unreadable,
}

/// How a subject is now, for one webhook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Now {
    /// Wrong, and the webhook takes that severity.
    Wrong,
    /// Wrong, and too light for the webhook.
    Light,
    /// Just as it heard, or otherwise only in parts that it does not take.
    Same,
    /// The same, and a reminder is due.
    Due,
    Better,
    /// Worse; or not known to be better, because it has not heard the last change.
    Worse,
    Over,
}

/// A fine point of a topic, which stands in a case's memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fine {
    /// The subject is gone, and no alert says so yet.
    Gone,
    /// The subject is gone, and that was told.
    GoneBefore,
    /// The subject is there again, after its absence was told.
    Back,
    /// A part that concerns the webhook is no longer managed.
    Lost,
    /// A part is not managed, now or before.
    Unmanaged,
    /// A part is managed again that the webhook heard was not.
    Regained,
}

/// One row. Where a list is empty, or no fine point is named, anything fits.
#[derive(Debug)]
pub struct TableRow {
    heard: &'static [LastHeard],
    now: &'static [Now],
    fine: Option<Fine>,
    told: Option<Reason>,
}

const fn row(heard: &'static [LastHeard], now: &'static [Now], fine: Option<Fine>, told: Option<Reason>) -> TableRow {
    TableRow { heard, now, fine, told }
}

/// The table. The first row that fits counts; where none fits, nothing is said.
pub const TABLE: [TableRow; 14] = [
    row(&[], &[], Some(Fine::Gone), Some(Reason::Withdrawn)),
    row(&[LastHeard::Case], &[], Some(Fine::GoneBefore), Some(Reason::Withdrawn)),
    row(&[], &[], Some(Fine::GoneBefore), None),
    row(&[LastHeard::Nothing], &[], Some(Fine::Back), Some(Reason::Returned)),
    row(&[], &[], Some(Fine::Lost), Some(Reason::Unwatched)),
    row(&[LastHeard::Nothing, LastHeard::Unreadable], &[Now::Wrong], None, Some(Reason::Opened)),
    row(&[LastHeard::Unreadable], &[Now::Over], None, Some(Reason::Closed)),
    row(&[LastHeard::Case], &[Now::Better], None, Some(Reason::Eased)),
    row(&[LastHeard::Case], &[Now::Worse], None, Some(Reason::Grown)),
    row(&[LastHeard::Case], &[Now::Over], Some(Fine::Unmanaged), Some(Reason::Unwatched)),
    row(&[LastHeard::Case], &[Now::Over], None, Some(Reason::Closed)),
    row(&[], &[], Some(Fine::Regained), Some(Reason::Watched)),
    row(&[LastHeard::Case], &[Now::Due], None, Some(Reason::StillOpen)),
    row(&[], &[], None, None),
];

/// What a webhook is told; `None` where there is nothing to say.
pub fn step(heard: LastHeard, now: Now, fine: &BTreeSet<Fine>) -> Option<Reason> {
    let fits = |row: &&TableRow| {
        (row.heard.is_empty() || row.heard.contains(&heard))
            && (row.now.is_empty() || row.now.contains(&now))
            && row.fine.is_none_or(|needed| fine.contains(&needed))
    };
    TABLE.iter().find(fits)?.told
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(heard: LastHeard) -> &'static str {
        match heard {
            LastHeard::Nothing => "nothing",
            LastHeard::Case => "its case",
            LastHeard::Unreadable => "what cannot be read",
        }
    }

    fn now(now: Now) -> &'static str {
        match now {
            Now::Wrong => "wrong, and it takes that severity",
            Now::Light => "wrong, and too light for it",
            Now::Same => "as it heard",
            Now::Due => "as it heard, and a reminder is due",
            Now::Better => "better",
            Now::Worse => "worse, or changed more often than it heard",
            Now::Over => "right",
        }
    }

    fn fine(fine: Fine) -> &'static str {
        match fine {
            Fine::Gone => "gone from the inventory",
            Fine::GoneBefore => "gone from the inventory, which was told",
            Fine::Back => "there again, after its absence was told",
            Fine::Lost => "a part that concerns it is no longer managed",
            Fine::Unmanaged => "a part is not managed",
            Fine::Regained => "a part is managed again that it heard was not",
        }
    }

    fn line(row: &TableRow) -> String {
        let any = |words: Vec<&str>| if words.is_empty() { "anything".to_owned() } else { words.join(", or ") };
        let of_heard = any(row.heard.iter().map(|one| heard(*one)).collect());
        let of_now: Vec<&str> = row.now.iter().map(|one| now(*one)).chain(row.fine.map(fine)).collect();
        let of_now = if of_now.is_empty() { "anything else".to_owned() } else { of_now.join("; ") };
        let told = row.told.map_or("nothing".to_owned(), |reason| format!("`{}`", reason.as_str()));
        format!("//! | {of_heard} | {of_now} | {told} |")
    }

    #[test]
    fn the_table_in_the_docs_is_the_table_in_the_code() {
        let lines: Vec<String> = TABLE.iter().map(line).collect();
        let docs = include_str!("mod.rs");
        let (_, rows) = docs.split_once("//! |---|---|---|\n").expect("the docs have a table");
        let rows: Vec<&str> = rows.lines().take_while(|line| line.starts_with("//! |")).collect();
        assert_eq!(rows, lines, "\n{}\n", lines.join("\n"));
    }

    #[test]
    fn every_row_is_reached_and_says_what_it_should() {
        let all_now = [Now::Wrong, Now::Light, Now::Same, Now::Due, Now::Better, Now::Worse, Now::Over];
        let all_fine = [Fine::Gone, Fine::GoneBefore, Fine::Back, Fine::Lost, Fine::Unmanaged, Fine::Regained];
        let sets = (0u8..64).map(|bits| (0..6).filter(|nth| bits & (1 << nth) != 0).map(|nth| all_fine[nth]).collect());
        let sets: Vec<BTreeSet<Fine>> = sets.collect();
        let mut reached = BTreeSet::new();
        for heard in [LastHeard::Nothing, LastHeard::Case, LastHeard::Unreadable] {
            for now in all_now {
                for fine in &sets {
                    let first = TABLE.iter().position(|row| {
                        (row.heard.is_empty() || row.heard.contains(&heard))
                            && (row.now.is_empty() || row.now.contains(&now))
                            && row.fine.is_none_or(|needed| fine.contains(&needed))
                    });
                    reached.insert(first.expect("the last row fits all"));
                }
            }
        }
        assert_eq!(reached.len(), TABLE.len());
        let none = BTreeSet::new();
        for (heard, now, told) in [
            (LastHeard::Nothing, Now::Over, None),
            (LastHeard::Nothing, Now::Wrong, Some(Reason::Opened)),
            (LastHeard::Nothing, Now::Light, None),
            (LastHeard::Case, Now::Same, None),
            (LastHeard::Case, Now::Due, Some(Reason::StillOpen)),
            (LastHeard::Case, Now::Better, Some(Reason::Eased)),
            (LastHeard::Case, Now::Worse, Some(Reason::Grown)),
            (LastHeard::Case, Now::Over, Some(Reason::Closed)),
            (LastHeard::Unreadable, Now::Wrong, Some(Reason::Opened)),
            (LastHeard::Unreadable, Now::Over, Some(Reason::Closed)),
        ] {
            assert_eq!(step(heard, now, &none), told, "{heard:?} {now:?}");
        }
        for (heard, now, fine, told) in [
            (LastHeard::Nothing, Now::Over, Fine::Gone, Some(Reason::Withdrawn)),
            (LastHeard::Nothing, Now::Over, Fine::GoneBefore, None),
            (LastHeard::Case, Now::Over, Fine::GoneBefore, Some(Reason::Withdrawn)),
            (LastHeard::Unreadable, Now::Over, Fine::Gone, Some(Reason::Withdrawn)),
            (LastHeard::Nothing, Now::Wrong, Fine::Back, Some(Reason::Returned)),
            (LastHeard::Nothing, Now::Light, Fine::Back, Some(Reason::Returned)),
            (LastHeard::Case, Now::Over, Fine::Back, Some(Reason::Closed)),
            (LastHeard::Nothing, Now::Over, Fine::Lost, Some(Reason::Unwatched)),
            (LastHeard::Case, Now::Worse, Fine::Lost, Some(Reason::Unwatched)),
            (LastHeard::Case, Now::Over, Fine::Unmanaged, Some(Reason::Unwatched)),
            (LastHeard::Case, Now::Worse, Fine::Unmanaged, Some(Reason::Grown)),
            (LastHeard::Nothing, Now::Over, Fine::Regained, Some(Reason::Watched)),
            (LastHeard::Nothing, Now::Wrong, Fine::Regained, Some(Reason::Opened)),
            (LastHeard::Case, Now::Due, Fine::Regained, Some(Reason::Watched)),
            (LastHeard::Case, Now::Over, Fine::Regained, Some(Reason::Closed)),
        ] {
            assert_eq!(step(heard, now, &BTreeSet::from([fine])), told, "{heard:?} {now:?} {fine:?}");
        }
    }
}
