//! Longer ways around: new names and numbers at once, and scripts that were shown before an edit was taken back.

use super::*;

#[test]
fn a_new_name_a_new_number_and_another_contact_at_once_may_be_the_same_stations_still() {
    let all_new = |spec: &mut Spec| {
        (spec.name, spec.number) = (format!("X{}", spec.name), spec.number + 40);
        (spec.calls, spec.how) = ("desk", How::Station);
    };
    let mut world = World::new();
    world.specs.iter_mut().for_each(all_new);
    assert_eq!(world.held(), SIZE);
    assert!((0..SIZE).all(|nth| !world.is_free(nth)));
    // Taken back, it is none, and nothing is left over.
    world.specs = start();
    assert_eq!(world.held(), 0);
    // First the new ones beside the old ones, then the old ones go.
    let mut world = World::new();
    world.specs.extend(start().into_iter().map(|mut spec| {
        all_new(&mut spec);
        spec
    }));
    assert_eq!(world.held(), 0, "so far they are twenty more stations");
    world.specs.drain(..SIZE);
    assert_eq!(world.held(), SIZE);
    // First the old ones go.
    let mut world = World::new();
    let gone = world.specs.split_off(1);
    assert_eq!(world.held(), 0);
    world.specs.extend(gone);
    world.specs[1..].iter_mut().for_each(all_new);
    assert_eq!(world.held(), SIZE - 1);
    // Each that is gone counts once: what is added after that is new, though nobody can tell which is which.
    world.specs.extend((70..90).map(|number| Spec { name: format!("Y-{number}"), number, ..start()[0].clone() }));
    let change = world.change().unwrap();
    assert_eq!((change.tally.altered, change.replaced, change.stations.len()), (SIZE - 1, SIZE - 1, 2 * SIZE - 1));
}

#[test]
fn stations_that_are_really_replaced_are_asked_for_and_a_report_of_the_new_ones_or_a_release_is_an_answer() {
    let replace = |world: &mut World, by: char| {
        world.specs.iter_mut().for_each(|spec| {
            (spec.name, spec.number) = (format!("{by}{}", spec.name), spec.number + 20);
            (spec.calls, spec.how) = ("desk", How::Station);
        });
    };
    for is_released in [false, true] {
        let mut world = World::new();
        replace(&mut world, 'X');
        assert_eq!(world.held(), SIZE);
        match is_released {
            true => drop(world.release()),
            false => (0..SIZE).for_each(|nth| world.confirm(nth)),
        }
        assert_eq!(world.held(), 0);
        // They call someone else later: the old ones are still gone, and the new ones are known or not.
        world.specs.iter_mut().for_each(|spec| (spec.calls, spec.how) = ("help", How::Fleet));
        assert_eq!(world.held(), SIZE);
    }
}

/// Nine stations were to call the desk and their scripts were shown; then the edit was taken back.
fn shown_and_taken_back() -> World {
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    assert_eq!(world.held(), 0);
    assert!((0..9).all(|nth| world.show(nth)));
    world.specs = start();
    assert_eq!(world.held(), 0, "there is nothing to hold");
    world
}

#[test]
fn nine_at_a_time_shown_and_taken_back_is_no_way_around() {
    let mut world = shown_and_taken_back();
    some(&mut world, 9..18, "desk", How::Station);
    let change = world.change().unwrap();
    assert_eq!((change.stations.len(), change.handed_out.len(), change.tally.on_record), (9, 9, SIZE));
    let said = "Lifeline-critical settings would change at 18 of the 20 stations on record (9 of them by scripts already \
                issued and not reported on), more than 30 %";
    assert!(world.sentence().starts_with(said), "{}", world.sentence());
    assert!(world.is_free(0), "a script to what is proven is never held");
    assert!(!world.is_free(9));
    // Under other names they count as well.
    let mut renamed = world.clone();
    renamed.specs[..9].iter_mut().for_each(|spec| spec.name = format!("X{}", spec.name));
    assert_eq!(renamed.held(), 18);
    // And out of the inventory.
    world.specs.drain(..9);
    assert_eq!(world.held(), 18);
    // A release covers what was shown, too.
    world.release();
    assert_eq!(world.held(), 0);
}

/// A script that is handed out under a name that left stands for that station; what is new may be that station all the same.
#[test]
fn harmless_cards_that_are_out_do_not_let_renamed_and_renumbered_stations_through() {
    let mut world = World::new();
    (0..SIZE).for_each(|nth| assert!(world.show(nth), "a card of nothing new is free"));
    for (nth, spec) in world.specs.iter_mut().enumerate() {
        (spec.name, spec.number, spec.calls, spec.how) = (format!("N{nth}"), 60 + nth, "desk", How::Station);
    }
    let change = world.change().unwrap();
    assert_eq!((change.tally.altered, change.tally.on_record), (SIZE, SIZE));
    assert!((0..SIZE).all(|nth| !world.is_free(nth)), "every one of them may be one that left");
}

#[test]
fn a_report_of_what_became_of_a_script_ends_it_and_one_of_before_does_not() {
    let mut world = shown_and_taken_back();
    (0..9).for_each(|nth| world.skip(nth));
    some(&mut world, 9..18, "desk", How::Station);
    assert_eq!(world.held(), 0, "nine");
    // What a report says without naming the script leaves the card where it is.
    let mut world = shown_and_taken_back();
    (0..9).for_each(|nth| world.confirm(nth));
    some(&mut world, 9..18, "desk", How::Station);
    assert_eq!(world.held(), 18);
    // Shown again after it was reported on.
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    (0..9).for_each(|nth| {
        world.show(nth);
        world.skip(nth);
        world.show(nth);
    });
    world.specs = start();
    some(&mut world, 9..10, "desk", How::Station);
    assert_eq!(world.held(), 10);
}

#[test]
fn in_an_ordinary_week_what_is_shown_on_monday_and_keyed_on_friday_counts_once() {
    let mut world = World::of(fleet_of(60));
    some(&mut world, 0..9, "desk", How::Station);
    assert!((0..9).all(|nth| world.show(nth)));
    world.days(2);
    // Wednesday: twelve of 60 are a fifth.
    some(&mut world, 9..12, "desk", How::Station);
    assert_eq!(world.held(), 0);
    assert!(world.show(9));
    world.days(2);
    (0..12).for_each(|nth| world.confirm(nth));
    assert_eq!(world.held(), 0);
    assert!(world.alterations().is_empty());
    // A repair that is shown and waits is no change at all.
    assert!((20..50).all(|nth| world.show(nth)));
    some(&mut world, 12..21, "desk", How::Station);
    assert_eq!(world.held(), 0);
}

#[test]
fn harmless_cards_of_stations_that_left_hold_nobody_elses_scripts_and_cards_to_something_else_do() {
    // A site of nine is closed while repairs of it are out; elsewhere nine are to call the desk.
    let mut world = World::of(fleet_of(2 * SIZE));
    world.share = "0.2";
    assert!((0..9).all(|nth| world.show(nth)), "a repair to what is proven");
    world.specs.drain(..9);
    some(&mut world, 0..9, "desk", How::Station);
    assert_eq!(world.held(), 0);
    // Shown before someone proved another number there, the same card leads away from what is proven.
    let mut world = World::of(fleet_of(2 * SIZE));
    world.share = "0.2";
    some(&mut world, 0..9, "desk", How::Station);
    assert!((0..9).all(|nth| world.show(nth)));
    let mut gone = world.clone();
    gone.specs.drain(..9);
    some(&mut gone, 0..9, "desk", How::Station);
    let change = gone.change().expect("nine by scripts and nine by an edit");
    assert_eq!((change.tally.altered, change.tally.handed_out, change.tally.on_record), (18, 9, 2 * SIZE));
    // A report that names the script ends it; so does a proof that it leads to what is there; so do seven days.
    let mut reported = world.clone();
    (0..9).for_each(|nth| reported.skip(nth));
    let mut proved = world.clone();
    (0..9).for_each(|nth| proved.confirm(nth));
    for mut ended in [reported, proved] {
        ended.specs.drain(..9);
        some(&mut ended, 0..9, "desk", How::Station);
        assert_eq!(ended.held(), 0);
    }
    gone.days(7);
    assert_eq!(gone.held(), 0);
}

/// The last of them was shown at the very time of the world.
#[test]
fn a_card_counts_for_seven_days_to_the_second_wherever_its_station_is() {
    let mut world = shown_and_taken_back();
    some(&mut world, 9..10, "desk", How::Station);
    let mut left = world.clone();
    left.specs.drain(..9);
    left.share = "0.2";
    for mut world in [world, left] {
        let first = world.shown[0].at;
        world.now += HANDED_OUT_FOR.as_secs() - world.clock().duration_since(first).as_secs() - 1;
        assert_eq!(world.held(), 10, "a second before");
        world.now += 1;
        assert_eq!(world.held(), 0, "nine are left");
        let inventory = world.inventory();
        let first = inventory.stations.get("S-00").map(|station| (station, world.record(&inventory, station)));
        if let Some((station, record)) = first {
            let at = |seconds: i64| world.clock() + jiff::SignedDuration::from_secs(seconds);
            assert!(call_back(station, &record, at(0)).is_none() && call_back(station, &record, at(-1)).is_some());
            let alteration = alteration(station, &record, None, at(-1)).unwrap();
            assert_eq!(alteration.until(), Some(world.clock()));
        }
    }
}

/// Where nothing is proven, a card leads to nothing else than that, whether its station is still in the inventory or not.
#[test]
fn a_card_of_a_station_that_nobody_reported_on_alters_nothing_wherever_the_station_is() {
    let mut world = World::new();
    world.specs.extend(fleet_of(SIZE + 12).split_off(SIZE));
    assert!((SIZE..SIZE + 12).all(|nth| world.show(nth)));
    some(&mut world, 0..1, "desk", How::Station);
    for size in [SIZE + 12, SIZE] {
        world.specs.truncate(size);
        let (tally, change) = world.judged();
        assert_eq!((tally.altered, tally.on_record, change), (1, SIZE, None), "{size} stations");
    }
}

#[test]
fn a_release_goes_on_covering_stations_that_leave_and_come_back() {
    let mut world = World::of(fleet_of(32));
    some(&mut world, 0..12, "desk", How::Station);
    assert_eq!(world.held(), 12);
    world.release();
    assert!((0..12).all(|nth| world.show(nth)));
    let left = world.specs.drain(..12).collect::<Vec<_>>();
    assert_eq!(world.judged().0.altered, 0, "their cards lead to what is released");
    some(&mut world, 0..1, "desk", How::Station);
    assert_eq!(world.judged().0.altered, 1);
    world.specs[0] = fleet_of(13).pop().unwrap();
    // Another release in between names them with the values that their cards lead to.
    some(&mut world, 0..11, "desk", How::Station);
    assert_eq!(world.held(), 11);
    let release = world.release();
    assert!(release.stations.keys().all(|name| **name >= *"S-12"), "{:?}", release.stations.keys());
    world.specs.splice(..0, left);
    assert_eq!(world.held(), 0, "and back");
}

/// Names that a station had between two others are nobody's: what is proven at its number tells what their cards lead to.
#[test]
fn cards_shown_under_names_that_were_never_reported_on_count_by_what_is_proven_at_their_number() {
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    world.specs[..9].iter_mut().for_each(|spec| spec.name = format!("N{}", spec.name));
    assert!((0..9).all(|nth| world.show(nth)), "nine");
    some(&mut world, 0..9, "help", How::Fleet);
    world.specs[..9].iter_mut().for_each(|spec| spec.name = format!("M{}", spec.name));
    some(&mut world, 9..10, "desk", How::Station);
    assert_eq!(world.held(), 10, "and one");
    assert!(!world.is_free(9));
}
