//! Ways around that leave the values as they are: settings that nobody looks at any more, keybooks that call a lifeline
//! something less, lines that change hands, rows that are lost, limits that are moved; and the update from rows without parts.

use super::*;

fn all(world: &mut World, how: How) {
    world.specs.iter_mut().for_each(|spec| spec.how = how);
}

fn some(world: &mut World, nth: std::ops::Range<usize>, calls: &'static str, how: How) {
    world.specs[nth].iter_mut().for_each(|spec| (spec.calls, spec.how) = (calls, how));
}

#[test]
fn a_lifeline_setting_of_which_nothing_is_wanted_any_more_is_altered_until_somebody_looked() {
    let mut world = World::new();
    all(&mut world, How::NoPrimary);
    assert_eq!(world.held(), SIZE, "although the record shows all that is left");
    // A report that says nothing of it is no answer, nor is one of the time before.
    (0..SIZE).for_each(|nth| world.look_at(nth, "line.kind"));
    assert_eq!(world.held(), SIZE);
    (0..11).for_each(|nth| world.look_at(nth, "emergency.primary"));
    assert_eq!(world.held(), 0, "nine are left");
    assert_eq!(world.brake.tally.as_ref().unwrap().altered.len(), SIZE - 11);
    // What is settled without it is altered where it is wanted again.
    some(&mut world, 0..SIZE, "desk", How::Station);
    assert_eq!(world.held(), SIZE);
    // Nine at a time add up; taken back it is none.
    let mut world = World::new();
    some(&mut world, 0..9, "help", How::NoPrimary);
    assert_eq!(world.held(), 0);
    some(&mut world, 9..18, "help", How::Unmanaged);
    assert_eq!(world.held(), 18);
    world.specs = start();
    assert_eq!(world.held(), 0);
    // A release covers it.
    all(&mut world, How::Unmanaged);
    let change = world.pass().unwrap().change;
    world.release(&change);
    assert_eq!(world.held(), 0);
}

#[test]
fn nothing_wanted_of_any_lifeline_settles_by_reports_of_each_of_them() {
    let mut world = World::new();
    all(&mut world, How::Unmanaged);
    (0..SIZE).for_each(|nth| world.look_at(nth, "emergency.primary"));
    assert_eq!(world.held(), SIZE, "they are of before the first look at the edit");
    (0..SIZE).for_each(|nth| world.look_at(nth, "emergency.primary"));
    assert_eq!(world.held(), SIZE);
    (0..SIZE).for_each(|nth| world.look_at(nth, "line.kind"));
    assert_eq!(world.held(), 0);
}

#[test]
fn calling_a_lifeline_something_less_or_by_another_name_is_an_edit_of_all_that_have_it() {
    for book in [Book::NoWeight, Book::Renamed] {
        // In one edit with another number, before it, and after it.
        for (first, second) in [(true, true), (true, false), (false, true)] {
            let mut world = World::new();
            world.book = if first { book } else { Book::Whole };
            world.help = if second { "+441632960109" } else { world.help };
            assert_eq!(world.held(), SIZE, "{book:?}");
            (world.book, world.help) = (book, "+441632960109");
            assert_eq!(world.held(), SIZE, "{book:?}");
            (world.book, world.help) = (Book::Whole, "+441632960101");
            assert_eq!(world.held(), 0, "{book:?}");
        }
        // Keyed all the same, and reported.
        let mut world = World::new();
        (world.book, world.help) = (book, "+441632960109");
        assert_eq!(world.held(), SIZE, "{book:?}");
        (0..SIZE).for_each(|nth| world.confirm(nth));
        assert_eq!(world.held(), 0, "{book:?}");
    }
}

#[test]
fn a_setting_that_weighs_less_and_is_wanted_still_must_be_shown_as_wanted() {
    let mut world = World::new();
    (world.book, world.help) = (Book::NoWeight, "+441632960109");
    assert_eq!(world.held(), SIZE);
    for setting in ["line.kind", "emergency.primary"] {
        (0..SIZE).for_each(|nth| world.look_at(nth, setting));
    }
    assert_eq!(world.held(), SIZE, "it is there with the number of before");
}

#[test]
fn without_rows_what_is_on_record_starts_from_what_the_record_shows() {
    for edit in [
        |world: &mut World| world.help = "+441632960109",
        |world: &mut World| all(world, How::NoPrimary),
        |world: &mut World| some(world, 0..12, "desk", How::Station),
    ] {
        let mut world = World::new();
        edit(&mut world);
        let held = world.pass().unwrap();
        // Another machine, or a database that was lost.
        (world.brake, world.judged) = (Brake::default(), None);
        let again = world.pass().unwrap();
        assert_eq!((&again.stations, again.on_record), (&held.stations, held.on_record));
        // The program had begun before the reports came back.
        world.seq += 1;
        let records = std::mem::take(&mut world.records);
        (world.brake, world.judged) = (Brake::default(), None);
        assert_eq!(world.held(), 0, "nobody ever reported on anything");
        world.touched.extend(records.keys().cloned());
        world.records = records;
        assert_eq!(world.pass().unwrap().stations, held.stations);
    }
    // What is not known counts for nothing by itself, and is wanted as it is from then on.
    let mut world = World::new();
    for (_, record) in world.records.values_mut() {
        Arc::make_mut(record).settings.iter_mut().for_each(|holding| holding.state = State::Unknown);
    }
    (world.brake, world.judged) = (Brake::default(), None);
    world.help = "+441632960109";
    assert_eq!(world.held(), 0);
    world.help = "+441632960101";
    assert_eq!(world.held(), SIZE);
}

#[test]
fn a_station_that_is_reported_on_after_it_became_known_is_no_change() {
    let mut world = World::new();
    (world.records, world.brake, world.judged) = (BTreeMap::new(), Brake::default(), None);
    assert_eq!(world.held(), 0);
    // Found to hold something else: it is to be keyed, and nothing that was settled is altered.
    world.help = "+441632960109";
    (0..SIZE).for_each(|nth| world.confirm(nth));
    world.help = "+441632960101";
    assert_eq!(world.held(), 0);
}

/// Eleven stations with spare ones beside them, which call another and are on record without what they hold.
fn with_spares() -> World {
    let mut world = World::new();
    let spare = |nth: usize| Spec {
        name: format!("T-{nth:02}"),
        number: 40 + nth,
        calls: "desk",
        how: How::Station,
        ..start()[0].clone()
    };
    world.specs.extend((0..11).map(spare));
    for nth in SIZE..SIZE + 11 {
        world.confirm(nth);
        let (_, record) = world.records.get_mut(&*world.specs[nth].name).unwrap();
        Arc::make_mut(record).settings.iter_mut().for_each(|holding| holding.state = State::Unknown);
    }
    assert_eq!(world.held(), 0);
    world
}

#[test]
fn a_station_that_rings_at_another_ones_line_is_compared_with_what_was_settled_there() {
    let to_the_lines = |world: &mut World| (0..11).for_each(|nth| world.specs[SIZE + nth].number = nth);
    // The others go, or get other numbers, or those of the spare ones.
    let mut world = with_spares();
    world.specs.drain(..11);
    (0..11).for_each(|nth| world.specs[SIZE - 11 + nth].number = nth);
    assert_eq!(world.held(), 11);
    for away in [70, 40] {
        let mut world = with_spares();
        to_the_lines(&mut world);
        (0..11).for_each(|nth| world.specs[nth].number = away + nth);
        assert_eq!(world.held(), if away == 40 { 22 } else { 11 });
        assert!(world.brake.clear(&"T-03".into()).is_err());
        // Away and back again.
        (0..11).for_each(|nth| world.specs[SIZE + nth].number = 85 + nth);
        world.pass();
        to_the_lines(&mut world);
        assert!(world.held() >= 11, "a line keeps what was settled there");
        // A report of what they hold at their new lines is an answer, and one of before is not.
        (SIZE..SIZE + 11).for_each(|nth| world.confirm(nth));
        assert_eq!(world.held(), if away == 40 { 11 } else { 0 });
    }
    // First the numbers become free.
    let mut world = with_spares();
    (0..11).for_each(|nth| world.specs[nth].number = 70 + nth);
    assert_eq!(world.held(), 0);
    to_the_lines(&mut world);
    assert_eq!(world.held(), 11);
    let change = world.pass().unwrap().change;
    world.release(&change);
    assert_eq!(world.held(), 0);
    // New stations there, which nobody reported on, go by the same.
    let mut world = World::new();
    (0..11).for_each(|nth| world.specs[nth].number = 70 + nth);
    assert_eq!(world.held(), 0);
    world.specs.extend((0..11).map(|nth| Spec {
        name: format!("U-{nth:02}"),
        calls: "desk",
        how: How::Station,
        ..start()[nth].clone()
    }));
    assert_eq!(world.held(), 11);
    // Other numbers alone are no change, there and back.
    let mut world = World::new();
    for by in [40, 70, 0] {
        world.specs.iter_mut().zip(start()).for_each(|(spec, was)| spec.number = was.number + by);
        assert_eq!(world.held(), 0);
    }
}

#[test]
fn what_is_held_stays_so_by_the_share_it_was_held_by() {
    let mut world = World::new();
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
    let share = |world: &mut World, share: &'static str| (world.share, world.judged) = (share, None);
    share(&mut world, "1");
    let held = world.pass().unwrap();
    let said =
        "more than 30 % (surge.share when this began to be held; it is 100 % now, surge.share, stationkeep.yaml:12).";
    assert!(held.sentence().ends_with(said), "{}", held.sentence());
    // A smaller one counts at once, and stays.
    share(&mut world, "0.2");
    assert_eq!(world.pass().unwrap().limit.share.percent(), "20 %");
    share(&mut world, "0.9");
    assert_eq!(world.pass().unwrap().limit.share.percent(), "20 %");
    // A restart forgets nothing.
    (world.brake, world.judged) = (Brake::new(world.brake.rows, Prints::default()), None);
    assert_eq!(world.held(), SIZE);
    // Once it is over, the share of now counts.
    world.help = "+441632960101";
    assert_eq!(world.held(), 0);
    some(&mut world, 0..12, "desk", How::Station);
    assert_eq!(world.held(), 0);
    share(&mut world, "0.3");
    assert_eq!(world.held(), 12);
}

#[test]
fn it_is_known_how_a_held_change_ended_across_a_restart_too() {
    let counts = |world: &World| world.brake.ended().map(|ended| (ended.taken_back, ended.reported, ended.left));
    for restarted in [false, true] {
        let mut world = World::new();
        world.help = "+441632960109";
        assert_eq!((world.held(), counts(&world)), (SIZE, None));
        (0..5).for_each(|nth| world.confirm(nth));
        assert_eq!((world.held(), counts(&world)), (15, None));
        if restarted {
            (world.brake, world.judged) = (Brake::new(world.brake.rows, Prints::default()), None);
        }
        (5..8).for_each(|nth| world.confirm(nth));
        some(&mut world, 8..16, "desk", How::Station);
        world.specs.drain(8..16);
        assert_eq!(world.held(), 0);
        let ended = world.brake.ended().unwrap().clone();
        assert_eq!((ended.taken_back, ended.reported, ended.left), (8, 3, 4));
        assert_eq!(ended.sentence(), "Of its 15 stations: 8 taken back, 3 keyed and reported, 4 left, fewer than 10.");
        world.pass();
        assert_eq!(world.brake.ended(), Some(&ended), "whoever failed to tell it may still");
    }
    let mut world = World::new();
    world.help = "+441632960109";
    let change = world.pass().unwrap().change;
    world.release(&change);
    assert_eq!((world.held(), counts(&world)), (0, None));
}

#[test]
fn a_script_to_something_no_longer_wanted_is_to_be_called_back_until_somebody_reports_of_it() {
    let mut world = World::new();
    some(&mut world, 0..1, "desk", How::Station);
    world.pass();
    world.hand_out(0);
    world.pass();
    let out = |world: &World| world.brake.to_call_back(&"S-00".into()).cloned();
    assert_eq!(out(&world), None, "it is wanted");
    world.specs = start();
    world.pass();
    assert_eq!(out(&world).and_then(|out| out.script), Some("0123456789abcdef".parse().unwrap()));
    some(&mut world, 0..1, "desk", How::Station);
    world.specs[0].site = "mole";
    world.pass();
    assert!(out(&world).is_some(), "nor is it what is wanted now");
    world.specs = start();
    world.answer(0);
    world.pass();
    assert_eq!(out(&world), None);
}

#[test]
fn a_report_of_a_minute_ahead_made_before_a_script_was_handed_out_says_nothing_of_it() {
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    world.seq += 120;
    (0..9).for_each(|nth| world.answer(nth));
    world.seq -= 120;
    (0..9).for_each(|nth| {
        world.pass();
        world.hand_out(nth);
    });
    world.specs = start();
    some(&mut world, 9..10, "desk", How::Station);
    assert_eq!(world.held(), 10);
    world.seq += 120;
    world.answer(0);
    assert_eq!(world.held(), 0);
}

/// The rows as the version before kept them.
fn without_parts(world: &mut World) {
    let inventory = world.inventory();
    let mut rows = world.brake.rows.clone();
    for row in rows.values_mut() {
        let station = &inventory.stations[&row.station];
        let print = print::without_parts(station);
        *row = Settled { print, parts: None, since: None, held: None, ..row.clone() };
    }
    (world.brake, world.judged) = (Brake::new(rows, Prints::default()), None);
}

#[test]
fn rows_of_the_version_before_are_filled_in_and_open_no_way_around() {
    let mut world = World::new();
    without_parts(&mut world);
    assert_eq!(world.held(), 0);
    assert!(world.brake.rows.values().all(|row| row.parts.as_ref().is_some_and(|p| p.len() == 2)));
    all(&mut world, How::NoPrimary);
    assert_eq!(world.held(), SIZE);
    // Under way when the program was updated.
    for edit in [How::NoPrimary, How::Station] {
        for held in [9, SIZE] {
            let mut world = World::new();
            without_parts(&mut world);
            some(&mut world, 0..held, "desk", edit);
            let expected = if held < FEWEST { 0 } else { held };
            assert_eq!(world.held(), expected, "{edit:?}");
            some(&mut world, 0..held, "desk", How::NoPrimary);
            assert_eq!(world.held(), expected, "{edit:?}");
            assert_eq!(world.brake.tally.as_ref().unwrap().altered.len(), held, "{edit:?}");
            world.book = Book::NoWeight;
            assert_eq!(world.held(), SIZE, "{edit:?}");
            (world.specs, world.book) = (start(), Book::Whole);
            assert_eq!(world.held(), 0, "{edit:?}");
            assert!(world.brake.tally.as_ref().unwrap().altered.is_empty(), "{edit:?}");
            // Keyed and reported.
            some(&mut world, 0..held, "desk", How::Station);
            (0..held).for_each(|nth| world.confirm(nth));
            assert_eq!(world.held(), 0, "{edit:?}");
            assert!(world.brake.tally.as_ref().unwrap().altered.is_empty(), "{edit:?}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn what_is_foreseen_of_an_edit_is_what_is_held_then(
        plan in prop::collection::vec((0usize..SIZE, 0u8..9), 0..60),
        book in 0u8..9,
        help in 0u8..4,
    ) {
        let mut world = World::new();
        let before = world.inventory();
        let ways = ways();
        for (nth, how) in plan {
            let spec = &mut world.specs[nth];
            match how {
                0..=4 => ways[usize::from(how)].1(spec),
                5 => spec.how = How::NoPrimary,
                6 => spec.how = How::Unmanaged,
                7 => (spec.name, spec.number) = (format!("N-{nth:02}"), 40 + nth),
                _ => spec.number = 40 + nth,
            }
        }
        // Each name and number once.
        let mut seen = BTreeSet::new();
        world.specs.retain(|spec| seen.insert(spec.name.clone()) && seen.insert(spec.number.to_string()));
        world.book = match book {
            0 => Book::NoWeight,
            1 => Book::Renamed,
            _ => Book::Whole,
        };
        world.help = if help == 0 { "+441632960109" } else { world.help };
        let limit = Limit { share: Share::DEFAULT, set_at: "surge.share, stationkeep.yaml:12".into() };
        let foreseen = foresee(&before, &world.inventory(), &limit);
        prop_assert_eq!(foreseen, world.pass());
    }
}
