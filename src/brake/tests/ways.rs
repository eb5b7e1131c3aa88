//! Ways around that leave the values as they are, or seem to: settings that nobody looks at any more, keybooks that call a
//! lifeline something less, names and numbers that change hands, ledgers that are lost, cards that are out.

use super::*;

fn desk(spec: &mut Spec) {
    (spec.calls, spec.how) = ("desk", How::Station);
}

#[test]
fn a_while_out_of_management_does_not_lose_what_is_proven() {
    for how in [How::NoPrimary, How::Unmanaged] {
        let mut world = World::new();
        all(&mut world, how);
        assert_eq!(world.held(), 0, "nothing else is wanted, and no script keys it");
        world.days(400);
        some(&mut world, 0..SIZE, "desk", How::Station);
        assert_eq!(world.held(), SIZE);
        world.specs = start();
        assert_eq!(world.held(), 0);
    }
}

#[test]
fn a_proven_value_that_the_keybook_can_no_longer_hold_is_altered_until_a_test_proves_what_there_is() {
    for (book, help) in
        [(Book::Renamed, "+441632960101"), (Book::Renamed, "+441632960109"), (Book::Short, "+441632960101")]
    {
        let mut world = World::new();
        (world.book, world.help) = (book, help);
        if book == Book::Short {
            all(&mut world, How::NoPrimary);
        }
        assert_eq!(world.held(), SIZE, "{book:?}");
        assert!(world.alterations()["S-00"].wanted.iter().any(|altered| altered.proven.is_none()));
        let taken_back = World { book: Book::Whole, help: "+441632960101", specs: start(), ..world.clone() };
        assert_eq!(taken_back.held(), 0, "{book:?}");
        world.release();
        assert_eq!(world.held(), 0, "{book:?}");
    }
    // The edit of the number first.
    let mut world = World::new();
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
    world.book = Book::Renamed;
    assert_eq!(world.held(), SIZE);
    (0..SIZE).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), SIZE, "what it was called before may be a lifeline still");
    (0..SIZE).for_each(|nth| world.test(nth));
    assert_eq!(world.held(), 0);
}

#[test]
fn a_lifeline_that_the_keybook_calls_something_less_is_known_by_the_number_that_test_calls_dialled() {
    for first in [true, false] {
        let mut world = World::new();
        world.book = if first { Book::NoWeight } else { Book::Whole };
        world.help = "+441632960109";
        assert_eq!(world.held(), SIZE);
        world.book = Book::NoWeight;
        assert_eq!(world.held(), SIZE);
        assert!(!world.is_free(0));
        (world.book, world.help) = (Book::Whole, "+441632960101");
        assert_eq!(world.held(), 0);
    }
    let mut world = World::new();
    world.book = Book::NoWeight;
    assert_eq!(world.held(), 0, "the same is wanted");
    world.help = "+441632960109";
    (0..SIZE).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), SIZE);
    (0..SIZE).for_each(|nth| world.test(nth));
    assert_eq!(world.held(), 0);
}

#[test]
fn a_new_name_or_a_new_number_does_not_lose_what_is_proven() {
    // Other names, by their numbers.
    let mut world = World::new();
    world.specs.iter_mut().for_each(|spec| spec.name = format!("X{}", spec.name));
    assert_eq!(world.held(), 0);
    world.specs.iter_mut().for_each(desk);
    assert_eq!(world.held(), SIZE);
    // Other numbers, by their names.
    let mut world = World::new();
    world.specs.iter_mut().for_each(|spec| spec.number += 40);
    assert_eq!(world.held(), 0);
    world.specs.iter_mut().for_each(desk);
    assert_eq!(world.held(), SIZE);
    // Both, by the names that they had.
    let mut world = World::new();
    world.specs.iter_mut().for_each(|spec| {
        spec.formerly = vec![spec.name.clone()];
        (spec.name, spec.number) = (format!("X{}", spec.name), spec.number + 40);
    });
    assert_eq!(world.held(), 0);
    world.specs.iter_mut().for_each(desk);
    assert_eq!(world.held(), SIZE);
    world.release();
    assert_eq!(world.held(), 0);
    // Out, and in again under other names.
    let mut world = World::new();
    let kept = world.specs.split_off(2);
    assert_eq!(world.held(), 0);
    world.specs.extend(kept);
    world.specs[2..].iter_mut().for_each(|spec| {
        spec.name = format!("X{}", spec.name);
        desk(spec);
    });
    assert_eq!(world.held(), SIZE - 2);
}

#[test]
fn first_the_names_and_then_the_numbers_are_stations_that_nobody_knows() {
    let mut world = World::new();
    world.specs.iter_mut().for_each(|spec| spec.name = format!("X{}", spec.name));
    assert_eq!(world.held(), 0);
    world.specs.iter_mut().for_each(|spec| spec.number += 40);
    assert_eq!(world.held(), SIZE);
    let change = world.change().unwrap();
    assert_eq!((change.replaced, change.tally.on_record), (SIZE, SIZE));
    let said = "(20 of them left the inventory and may be among its 20 new stations)";
    assert!(world.sentence().contains(said), "{}", world.sentence());
}

#[test]
fn a_number_used_again_is_compared_with_what_was_proved_there() {
    // The stations go for good; new ones get their numbers, and call someone else.
    let mut world = World::new();
    world.specs.drain(..11);
    world.days(400);
    let new = |calls, how| move |nth: usize| Spec { name: format!("U-{nth:02}"), calls, how, ..start()[nth].clone() };
    world.specs.extend((0..11).map(new("desk", How::Station)));
    assert_eq!(world.held(), 11);
    // The same contact: nothing is altered.
    world.specs.truncate(SIZE - 11);
    world.specs.extend((0..11).map(new("help", How::Fleet)));
    assert_eq!(world.held(), 0);
    // From their first report on they stand for themselves.
    (SIZE - 11..SIZE).for_each(|nth| world.key(nth));
    some(&mut world, SIZE - 11..SIZE, "desk", How::Station);
    assert_eq!(world.held(), 11);
    // Numbers that stations have left and that new ones get.
    let mut world = World::new();
    (0..11).for_each(|nth| world.specs[nth].number = 70 + nth);
    world.specs.extend((0..11).map(new("desk", How::Station)));
    assert_eq!(world.held(), 11);
}

#[test]
fn numbers_that_stations_swap_leave_each_compared_with_itself() {
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    (0..9).for_each(|nth| world.confirm(nth));
    assert_eq!(world.held(), 0);
    (0..9).for_each(|nth| (world.specs[nth].number, world.specs[nth + 9].number) = (nth + 9, nth));
    assert_eq!(world.held(), 0, "a card asks first which station answers");
}

#[test]
fn lightning_at_ten_stations_is_no_change() {
    let mut world = World::new();
    world.days(30);
    (0..12).for_each(|nth| world.replace(nth));
    assert_eq!(world.held(), 0, "what is wanted is what was proven");
    assert!((0..12).all(|nth| world.show(nth)), "the new units are keyed at once");
    assert_eq!(world.held(), 0);
    (0..12).for_each(|nth| world.confirm(nth));
    assert_eq!(world.held(), 0);
    // With another number to call in the same hour it is one.
    (0..12).for_each(|nth| world.replace(nth));
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
}

#[test]
fn one_wrong_contact_of_a_quarter_of_the_fleet_is_held_where_that_is_more_than_two_hundred_stations() {
    for (size, held) in [(100, 0), (840, 210)] {
        let mut world = World::of(fleet_of(size));
        some(&mut world, 0..size / 4, "desk", How::Profile);
        assert_eq!(world.held(), held, "{size}");
    }
}

#[test]
fn a_release_replayed_releases_nothing() {
    let mut world = World::new();
    world.help = "+441632960109";
    let first = world.release();
    (0..SIZE).for_each(|nth| world.confirm(nth));
    world.help = "+441632960101";
    assert_eq!(world.held(), SIZE);
    world.release();
    (0..SIZE).for_each(|nth| world.confirm(nth));
    // The release of the first change is handed in once more, as it was.
    world.decisions.add(1_000, Decision::Release(first.clone()));
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
    // Where nobody released going back, the reports of it are enough.
    let mut world = World::new();
    world.help = "+441632960109";
    world.release();
    (0..SIZE).for_each(|nth| world.confirm(nth));
    world.help = "+441632960101";
    (0..SIZE).for_each(|nth| world.confirm(nth));
    world.decisions.add(1_000, Decision::Release(first));
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
}

#[test]
fn a_restored_ledger_still_knows_the_cards_in_someones_hands() {
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    assert!((0..9).all(|nth| world.show(nth)));
    world.specs = start();
    some(&mut world, 9..18, "desk", How::Station);
    // Another machine reads the same entries, in another order.
    let mut other = World { specs: world.specs.clone(), ..World::unreported(start()) };
    (other.reports, other.scripts, other.shown) = (world.reports.clone(), world.scripts.clone(), world.shown.clone());
    (other.now, other.decisions) = (world.now, world.decisions.clone());
    other.reports.reverse();
    let change = other.change().unwrap();
    assert_eq!((change.stations.len(), change.handed_out.len(), change.tally.on_record), (9, 9, SIZE));
    assert_eq!(Some(change), world.change());
    // After seven days nobody keys them any more.
    world.days(7);
    assert_eq!(world.held(), 0);
}

#[test]
fn the_limit_of_now_counts_whatever_it_was() {
    let mut world = World::new();
    world.help = "+441632960109";
    for (share, held) in [("1", 0), ("0.2", SIZE), ("0.9", SIZE), ("1", 0)] {
        world.share = share;
        assert_eq!(world.held(), held, "{share}");
    }
}

#[test]
fn a_script_to_something_no_longer_wanted_is_to_be_called_back_until_someone_reports_of_it() {
    let mut world = World::new();
    let out = |world: &World| {
        let inventory = world.inventory();
        let station = &inventory.stations["S-00"];
        let record = world.record(&inventory, station);
        call_back(station, &record, world.clock()).map(|out| out.script.clone())
    };
    some(&mut world, 0..1, "desk", How::Station);
    let script = world.script(0).digest;
    assert!(world.show(0));
    assert_eq!(out(&world), None, "it is wanted");
    world.specs = start();
    assert_eq!(out(&world), Some(script.clone()));
    some(&mut world, 0..1, "desk", How::Station);
    world.specs[0].site = "mole";
    assert_eq!(out(&world), Some(script), "nor is it what is wanted now");
    world.specs = start();
    let mut later = world.clone();
    later.days(7);
    assert_eq!(out(&later), None);
    world.skip(0);
    assert_eq!(out(&world), None);
    // A repair leads to what is proven; where something else is wanted by then, it is called back too.
    world.show(0);
    assert_eq!(out(&world), None);
    some(&mut world, 0..1, "desk", How::Station);
    assert!(out(&world).is_some());
}

#[test]
fn a_report_of_a_minute_ahead_made_before_a_script_was_shown_says_nothing_of_it() {
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    assert!((0..9).all(|nth| world.show(nth)));
    world.now += 3_600;
    (0..9).for_each(|nth| world.skip(nth));
    world.now -= 3_600;
    assert!((0..9).all(|nth| world.show(nth)));
    world.specs = start();
    some(&mut world, 9..10, "desk", How::Station);
    assert_eq!(world.held(), 10);
    world.now += 7_200;
    world.skip(0);
    assert_eq!(world.held(), 0);
}
