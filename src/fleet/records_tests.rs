//! Records kept up, recalled and made anew are the same; and what an edit changes without a ledger.

use proptest::prelude::*;

use super::*;
use crate::brake::sample::{Book, How, SIZE, Spec, World, fleet_of};
use crate::fleet::folds::FoldsFound;
use crate::fleet::issue::{script_entry, shown_entry};
use crate::fleet::judged;
use crate::ledger::{LedgerLine, Opened, line_of};
use crate::store::NewEntry;

fn report(nth: usize) -> NewEntry {
    let (id, station) = (format!("019a6c1e-8f00-7000-8000-{nth:012}"), format!("S-{nth}"));
    let body =
        format!(r#"{{"report":1,"id":"{id}","station":"{station}","at":"2026-11-20T10:14:00Z","by":"tech-07"}}"#);
    NewEntry { kind: EntryKind::Report, id, station, at_ms: 1_763_633_640_000, recorded_ms: 1_763_633_650_000, body }
}

/// How much of a world is in the ledger: reports, showings, visits.
type Written = (usize, usize, usize);

async fn append(store: &Store, world: &World, from: Written) -> Written {
    let (mut entries, now) = (Vec::new(), world.clock());
    let entry = |kind, id: String, station: &Name, at: Timestamp, line: LedgerLine| NewEntry {
        kind,
        id,
        station: station.to_string(),
        at_ms: at.as_millisecond(),
        recorded_ms: now.as_millisecond(),
        body: line_of(&line),
    };
    for report in &world.reports[from.0..] {
        let line = LedgerLine::Report(Box::new(report.clone()));
        entries.push(entry(EntryKind::Report, report.id.to_string(), &report.station, report.at, line));
    }
    for shown in &world.shown[from.1..] {
        let script = &world.scripts[&shown.script];
        entries.push(script_entry(script, script.digest.to_string(), store.key(), now));
        entries.push(shown_entry(shown, now));
    }
    for visit in &world.visits[from.2..] {
        let line = LedgerLine::Begun(Box::new(visit.clone()));
        entries.push(entry(EntryKind::Begun, visit.id.to_string(), &visit.station, visit.at, line));
    }
    store.append(&entries).await.unwrap();
    (world.reports.len(), world.shown.len(), world.visits.len())
}

/// Whether records say what their definition says.
fn check(records: &Records, world: &World) -> Result<(), TestCaseError> {
    let inventory = world.inventory();
    for station in inventory.stations.values() {
        let (mut is, mut should) = (records.of(station).record(), world.record(&inventory, station));
        for record in [&mut is, &mut should] {
            record.handed_out.sort_by(|a, b| (a.at, &a.script).cmp(&(b.at, &b.script)));
        }
        prop_assert_eq!(is, should, "{}", station.name);
    }
    prop_assert_eq!(records.gone(), world.gone(&inventory));
    let limit = world.limit();
    prop_assert_eq!(judged(&inventory, records, &limit, world.clock()), world.judged());
    Ok(())
}

/// What was kept beside the ledger at some time, by whomever, leads to the records that the ledger proves now.
async fn kept(
    mut records: Records,
    other: &mut Records,
    store: &Store,
    world: &World,
    (is_kept, is_used, is_kept_by_other): (bool, bool, bool),
) -> Result<Records, TestCaseError> {
    let (inventory, keybooks) = (world.inventory(), world.keybooks());
    let files: (&Inventory, &Keybooks) = (&inventory, &keybooks);
    if is_kept {
        records.keep_folds(store).await.unwrap();
    }
    if is_kept_by_other {
        other.keep_up(store, files).await.unwrap();
        other.keep_folds(store).await.unwrap();
    }
    let found = Records::compare_folds(store, files, |_| {}).await.unwrap();
    prop_assert!(!matches!(found, FoldsFound::Differ(_)), "{:?}", found);
    let recalled = Records::recall(store, files).await.unwrap();
    prop_assert_eq!(recalled.is_some(), store.folds_head().await.unwrap().is_some());
    let Some(recalled) = recalled else { return Ok(records) };
    check(&recalled, world)?;
    Ok(if is_used { recalled } else { records })
}

/// A keybook that changes what is tracked is no reason to believe what was folded by another; a ledger that is another one,
/// or shorter, gives no record to believe.
#[tokio::test]
async fn kept_records_from_a_ledger_s_future_or_of_another_form_are_not_believed() {
    let folder = tempfile::tempdir().unwrap();
    let url = |name: &str| format!("sqlite:{}/{name}.db", folder.path().display());
    let store = Store::open(&url("l")).await.unwrap().bound("k").await.unwrap();
    let mut world = World::unreported(fleet_of(3));
    world.confirm(0);
    let written = append(&store, &world, (0, 0, 0)).await;
    let (inventory, keybooks) = (world.inventory(), world.keybooks());
    let mut records = Records::load(&store, (&inventory, &keybooks), None, |_| {}).await.unwrap();
    records.keep_folds(&store).await.unwrap();
    assert!(Records::recall(&store, (&inventory, &keybooks)).await.unwrap().is_some());
    // Before the next entries, as in a backup: the same folds, put beside a ledger that lacks what they were folded from.
    let mut page = store.folds_after("", 100).await.unwrap();
    let older = Store::open(&url("older")).await.unwrap().bound("k").await.unwrap();
    let head = store.folds_head().await.unwrap().unwrap();
    let rows: Vec<_> = page.drain(..).map(|(name, body)| (name, Some(body))).collect();
    let folds = crate::store::NewFolds { is_all: true, rows };
    assert!(older.keep_folds(None, &head, &folds).await.unwrap());
    assert!(Records::recall(&older, (&inventory, &keybooks)).await.unwrap().is_none());
    // A ledger that is as long, and another.
    let mut other = World::unreported(fleet_of(3));
    other.confirm(1);
    append(&older, &other, (0, 0, 0)).await;
    assert!(Records::recall(&older, (&inventory, &keybooks)).await.unwrap().is_none());
    assert_eq!(Records::compare_folds(&older, (&inventory, &keybooks), |_| {}).await.unwrap(), FoldsFound::None);
    let mut anew = Records::load(&older, (&inventory, &keybooks), None, |_| {}).await.unwrap();
    anew.keep_folds(&older).await.unwrap();
    check(&Records::recall(&older, (&inventory, &keybooks)).await.unwrap().unwrap(), &other).unwrap();
    // Of another program, or by another key.
    let head = store.folds_head().await.unwrap().unwrap();
    let form = crate::store::FoldsHead { form: format!("{} more", head.form), ..head.clone() };
    assert!(store.keep_folds(Some(&head), &form, &crate::store::NewFolds::default()).await.unwrap());
    assert!(Records::recall(&store, (&inventory, &keybooks)).await.unwrap().is_none());
    // What is kept and says something else is found.
    assert!(store.keep_folds(Some(&form), &head, &crate::store::NewFolds::default()).await.unwrap());
    world.confirm(1);
    append(&store, &world, written).await;
    let row = store.folds_after("", 1).await.unwrap().remove(0);
    let wrong = crate::store::NewFolds { is_all: false, rows: vec![("S-01".to_owned(), Some(row.1))] };
    assert!(store.keep_folds(Some(&head), &head, &wrong).await.unwrap());
    let found = Records::compare_folds(&store, (&inventory, &keybooks), |_| {}).await.unwrap();
    assert!(matches!(&found, FoldsFound::Differ(names) if names.len() == 1), "{found:?}");
}

/// Whatever is damaged of what is kept, what is believed is what the ledger says.
#[tokio::test]
async fn kept_records_that_are_damaged_anywhere_are_folded_anew() {
    let folder = tempfile::tempdir().unwrap();
    let store =
        Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap().bound("k").await.unwrap();
    let mut world = World::unreported(fleet_of(1));
    world.confirm(0);
    append(&store, &world, (0, 0, 0)).await;
    let (inventory, keybooks) = (world.inventory(), world.keybooks());
    let mut records = Records::load(&store, (&inventory, &keybooks), None, |_| {}).await.unwrap();
    records.keep_folds(&store).await.unwrap();
    let head = store.folds_head().await.unwrap().unwrap();
    let (name, good) = store.folds_after("", 1).await.unwrap().remove(0);
    let keep = async |body: Vec<u8>| {
        let rows = vec![(name.clone(), Some(body))];
        assert!(store.keep_folds(Some(&head), &head, &crate::store::NewFolds { is_all: false, rows }).await.unwrap());
        Records::recall(&store, (&inventory, &keybooks)).await.unwrap()
    };
    for at in 0..good.len() {
        let mut damaged = good.clone();
        damaged[at] ^= 1;
        assert!(keep(damaged).await.is_none(), "byte {at}");
        assert!(keep(good[..at].to_vec()).await.is_none(), "cut at {at}");
    }
    check(&keep(good).await.unwrap(), &world).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn records_kept_up_are_those_of_a_ledger_read_anew_whatever_is_renamed_and_renumbered(
        plan in prop::collection::vec((0usize..6, 0u8..18), 1..18),
        cuts in prop::collection::vec(any::<bool>(), 18),
        // Whether the records are kept beside the ledger then, and whether they are the kept ones from then on; whether
        // another process keeps its own.
        keeps in prop::collection::vec((any::<bool>(), any::<bool>(), any::<bool>()), 19),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let folder = tempfile::tempdir().unwrap();
            let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
            // Without a key no code of a script could be read.
            let store = store.bound("k").await.unwrap();
            let mut world = World::unreported(fleet_of(6));
            let mut records = Records::load(&store, (&world.inventory(), &world.keybooks()), None, |_| {}).await.unwrap();
            let mut other = records.clone();
            let (mut written, mut taken) = ((0, 0, 0), BTreeSet::new());
            for (at, (((nth, how), cut), keep)) in plan.iter().zip(cuts).zip(&keeps).enumerate() {
                let nth = *nth % world.specs.len();
                let spec = &mut world.specs[nth];
                match how {
                    0 => world.confirm(nth),
                    1 => world.key(nth),
                    2 => drop(world.show(nth)),
                    3 => spec.name = format!("R{at}"),
                    4 => {
                        spec.formerly = vec![spec.name.clone()];
                        spec.name = format!("F{at}");
                    }
                    5 => spec.number = 40 + at,
                    6 => (spec.name, spec.number) = (format!("B{at}"), 70 + at),
                    7 => spec.model = "wren-1",
                    11 => world.book = if world.book == Book::Whole { Book::NoWeight } else { Book::Whole },
                    12 => world.correct(nth),
                    13..=16 if world.has_script(nth) || world.show(nth) => match how {
                        13 => {
                            let heard = [Opened::Accepted, Opened::Refused, Opened::Nothing];
                            world.try_codes(nth, [heard[at % 3], heard[at / 3 % 3]]);
                        }
                        14 => {
                            // The report of the visit that was last begun.
                            world.skip(nth);
                            let last = world.visits.last().map(|visit| visit.id).filter(|id| !taken.contains(id));
                            taken.extend(last);
                            let own = world.reports.last_mut().unwrap();
                            own.id = last.unwrap_or(own.id);
                        }
                        _ => world.begin(nth),
                    },
                    8 if world.specs.len() > 1 => drop(world.specs.remove(nth)),
                    9 | 10 => {
                        // Brought in late: it is kept with a number that is another station's by now.
                        let number = world.inventory().stations.values().last().unwrap().number.name().clone();
                        world.confirm(nth);
                        world.reports.iter_mut().rev().take(2).for_each(|one| one.number = Some(number.clone()));
                    }
                    _ => {
                        let number = world.specs[nth].number;
                        world.specs[nth].number = 90 + at;
                        let new = Spec { name: format!("N{at}"), number, ..fleet_of(1)[0].clone() };
                        world.specs.push(new);
                    }
                }
                if cut {
                    written = append(&store, &world, written).await;
                    records.keep_up(&store, (&world.inventory(), &world.keybooks())).await.unwrap();
                    check(&records, &world)?;
                    records = kept(records, &mut other, &store, &world, *keep).await?;
                }
            }
            append(&store, &world, written).await;
            records.keep_up(&store, (&world.inventory(), &world.keybooks())).await.unwrap();
            check(&records, &world)?;
            kept(records, &mut other, &store, &world, keeps[18]).await?;
            let anew = Records::load(&store, (&world.inventory(), &world.keybooks()), None, |_| {}).await.unwrap();
            check(&anew, &world)
        })?;
    }

    #[test]
    fn without_a_ledger_an_edit_is_judged_as_if_all_that_was_wanted_were_proven(
        plan in prop::collection::vec((0usize..SIZE, 0u8..6), 0..40),
        help in any::<bool>(),
    ) {
        let mut world = World::new();
        let before = world.inventory();
        for (nth, how) in plan {
            let spec = &mut world.specs[nth];
            match how {
                0 => (spec.calls, spec.how) = ("desk", How::Station),
                1 => spec.site = "mole",
                2 => spec.how = How::Unmanaged,
                3 => spec.name = format!("N-{nth:02}"),
                4 => spec.number = 40 + nth,
                _ => (spec.name, spec.number) = (format!("N-{nth:02}"), 40 + nth),
            }
        }
        world.help = if help { "+441632960109" } else { world.help };
        let after = world.inventory();
        let records = Records::as_if_proven(&before, &after);
        let foreseen = judged(&after, &records, &world.limit(), Timestamp::UNIX_EPOCH);
        prop_assert_eq!(foreseen, world.judged());
    }
}

#[tokio::test]
async fn few_stations_are_folded_one_by_one_and_many_in_one_walk_to_the_end_of_the_ledger() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
    let mut records = Records::load(&store, (&Inventory::default(), &Keybooks::new()), None, |_| {}).await.unwrap();
    for reports in [0..ONE_BY_ONE, ONE_BY_ONE..2 * ONE_BY_ONE + 1] {
        let end = reports.end;
        let entries: Vec<NewEntry> = reports.map(report).collect();
        store.append(&entries).await.unwrap();
        records.keep_up(&store, (&Inventory::default(), &Keybooks::new())).await.unwrap();
        assert_eq!((records.seq(), records.gone().len()), (end as i64, end));
    }
}

/// The ledger is read by station: what people said counts by its time and id, in whatever order it is read.
#[tokio::test]
async fn decisions_count_by_their_time_and_id_in_whatever_order_the_ledger_is_read() {
    use crate::ledger::{Aside, End, Release, Said, Target};
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
    let now: Timestamp = "2026-11-25T12:00:00Z".parse().unwrap();
    let mut kept = Records::load(&store, (&Inventory::default(), &Keybooks::new()), None, |_| {}).await.unwrap();
    let said = |nth| Said { id: uuid::Uuid::from_u128(nth), at: now, by: "ops-2".into(), why: Some("x".into()) };
    let aside = |nth, station: &str| {
        let (target, until) = (Target::Station(station.into()), now + jiff::SignedDuration::from_hours(24));
        Decision::Aside(Aside { said: said(nth), target, setting: None, until, out_of_service: true })
    };
    let release = |nth| {
        let stations = [(Name::from("S-1"), Arc::default())].into();
        Decision::Release(Release { said: said(nth), change: "0123456789abcdef".parse().unwrap(), stations })
    };
    let end = |nth, ends| Decision::End(End { said: said(nth), ends: uuid::Uuid::from_u128(ends) });
    for decision in [aside(9, "S-9"), release(8), end(7, 9), release(6), aside(5, "S-1")] {
        crate::fleet::say(&store, &decision, now).await.unwrap();
    }
    kept.keep_up(&store, (&Inventory::default(), &Keybooks::new())).await.unwrap();
    let anew = Records::load(&store, (&Inventory::default(), &Keybooks::new()), None, |_| {}).await.unwrap();
    kept.keep_folds(&store).await.unwrap();
    let files = (&Inventory::default(), &Keybooks::new());
    let recalled = Records::recall(&store, files).await.unwrap().unwrap();
    for records in [&kept, &anew, &recalled] {
        let last = records.decisions().release_of([&Name::from("S-1")]).map(|release| release.said.id);
        assert_eq!(last, Some(uuid::Uuid::from_u128(8)));
        assert_eq!(records.decisions().released(&"0123456789abcdef".parse().unwrap()), Some(4));
    }
    assert_eq!(format!("{:?}", kept.decisions()), format!("{:?}", anew.decisions()));
    assert_eq!(format!("{:?}", recalled.decisions()), format!("{:?}", anew.decisions()));
}

#[tokio::test]
async fn what_a_card_of_a_station_that_left_leads_to_follows_the_keybooks() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&format!("sqlite:{}/l.db", folder.path().display())).await.unwrap();
    let mut world = World::unreported(fleet_of(2));
    world.confirm(0);
    (world.specs[0].calls, world.specs[0].how) = ("desk", How::Station);
    assert!(world.show(0));
    world.specs.remove(0);
    append(&store, &world, (0, 0, 0)).await;
    let mut records = Records::load(&store, (&world.inventory(), &world.keybooks()), None, |_| {}).await.unwrap();
    // By a keybook that has no such setting the card keys nothing but the kind of line, which is proven.
    for (book, is_altering) in [(Book::Whole, true), (Book::Renamed, false), (Book::Whole, true)] {
        world.book = book;
        records.keep_up(&store, (&world.inventory(), &world.keybooks())).await.unwrap();
        assert_eq!(!records.gone()["S-00"].scripts.is_empty(), is_altering, "{book:?}");
        check(&records, &world).unwrap();
    }
}
