//! Longer ways around: new names and numbers at once, and scripts that were handed out before an edit was taken back.

use super::*;

#[test]
fn a_new_name_a_new_number_and_another_contact_at_once_are_the_same_stations_still() {
    let all_new = |spec: &mut Spec| {
        (spec.name, spec.number) = (format!("X{}", spec.name), spec.number + 40);
        (spec.calls, spec.how) = ("desk", How::Station);
    };
    let mut world = World::new();
    world.specs.iter_mut().for_each(all_new);
    assert_eq!(world.held(), SIZE);
    // Taken back, it is none, and nothing is left over.
    world.specs = start();
    assert_eq!(world.held(), 0);
    assert_eq!(world.brake.rows.values().filter(|row| !row.is_line()).count(), SIZE);
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
    // Each row goes to one station: what is added after that is new.
    world.specs.extend((70..90).map(|number| Spec { name: format!("Y-{number}"), number, ..start()[0].clone() }));
    assert_eq!(world.held(), SIZE - 1);
}

#[test]
fn a_station_takes_over_what_was_settled_at_its_own_site_before_what_was_settled_elsewhere() {
    // Two sites that dial otherwise; all stations get new names and numbers, and call whom they called.
    let mut specs = start();
    specs[..10].iter_mut().for_each(|spec| spec.site = "mole");
    let mut world = World::of(specs);
    world.specs.iter_mut().for_each(|spec| (spec.name, spec.number) = (format!("X{}", spec.name), spec.number + 40));
    assert_eq!(world.held(), 0);
    // At one site nobody can tell which is which, so a swap is held.
    let mut specs = start();
    specs[..10].iter_mut().for_each(|spec| (spec.calls, spec.how) = ("desk", How::Station));
    let mut world = World::of(specs);
    world.specs.iter_mut().enumerate().for_each(|(nth, spec)| {
        (spec.name, spec.number) = (format!("X{}", spec.name), spec.number + 40);
        (spec.calls, spec.how) = if nth < 10 { ("help", How::Fleet) } else { ("desk", How::Station) };
    });
    assert_eq!(world.held(), SIZE);
}

#[test]
fn stations_that_are_really_replaced_are_asked_for_once_and_a_report_of_the_new_ones_is_an_answer() {
    let mut world = World::new();
    let replace = |world: &mut World, by: char| {
        world.specs.iter_mut().for_each(|spec| {
            (spec.name, spec.number) = (format!("{by}{}", spec.name), spec.number + 20);
            (spec.calls, spec.how) = ("desk", How::Station);
        });
    };
    replace(&mut world, 'X');
    assert_eq!(world.held(), SIZE);
    (0..SIZE).for_each(|nth| world.confirm(nth));
    assert_eq!(world.held(), 0);
    // The same is wanted of the next ones.
    replace(&mut world, 'Y');
    assert_eq!(world.held(), 0);
}

#[test]
fn nine_at_a_time_handed_out_and_taken_back_is_no_way_around() {
    let desk = |world: &mut World, some: std::ops::Range<usize>| {
        world.specs[some].iter_mut().for_each(|spec| (spec.calls, spec.how) = ("desk", How::Station));
    };
    let handed_out = || {
        let mut world = World::new();
        desk(&mut world, 0..9);
        assert_eq!(world.held(), 0);
        (0..9).for_each(|nth| {
            world.pass();
            world.hand_out(nth);
        });
        world.pass();
        world.specs = start();
        assert_eq!(world.held(), 0, "there is nothing to hold");
        world
    };
    let mut world = handed_out();
    desk(&mut world, 9..18);
    let held = world.pass().unwrap();
    assert_eq!((held.stations.len(), held.out.len(), held.on_record), (9, 9, SIZE));
    assert!(
        held.sentence().contains("of 18 of the 20 stations on record (9 of them by scripts handed out"),
        "{}",
        held.sentence()
    );
    assert!(world.brake.clear(&"S-00".into()).is_ok(), "a repair is never held");
    // Taken out of the inventory they count as well.
    world.specs.drain(..9);
    assert_eq!(world.held(), 18);
    // A release covers what was handed out, too.
    let change = world.pass().unwrap().change;
    world.release(&change);
    assert_eq!(world.held(), 0);
    // So does a report of what became of them, one by one: it names the script, or says what is there.
    let mut world = handed_out();
    (0..5).for_each(|nth| world.answer(nth));
    (5..9).for_each(|nth| world.confirm(nth));
    assert_eq!(world.held(), 0);
    desk(&mut world, 9..18);
    assert_eq!(world.held(), 0, "nine");
    // What was reported before it was handed out says nothing of it.
    let mut world = World::new();
    (0..9).for_each(|nth| world.answer(nth));
    desk(&mut world, 0..9);
    (0..9).for_each(|nth| {
        world.pass();
        world.hand_out(nth);
    });
    world.specs = start();
    desk(&mut world, 9..10);
    assert_eq!(world.held(), 10);
}

#[test]
fn in_an_ordinary_week_what_is_handed_out_on_monday_and_keyed_on_friday_counts_once() {
    let mut world =
        World::of((0..60).map(|nth| Spec { name: format!("S-{nth:02}"), number: nth, ..start()[0].clone() }).collect());
    let desk = |spec: &mut Spec| (spec.calls, spec.how) = ("desk", How::Station);
    world.specs[..9].iter_mut().for_each(desk);
    (0..9).for_each(|nth| {
        world.pass();
        world.hand_out(nth);
    });
    // Wednesday: twelve of 60 are a fifth.
    world.specs[9..12].iter_mut().for_each(desk);
    assert_eq!(world.held(), 0);
    world.hand_out(9);
    // Friday.
    (0..12).for_each(|nth| world.confirm(nth));
    assert_eq!(world.held(), 0);
    assert!(world.brake.tally.as_ref().unwrap().altered.is_empty());
    // A repair that is handed out and waits is no change at all.
    (20..50).for_each(|nth| world.hand_out(nth));
    world.specs[12..21].iter_mut().for_each(desk);
    assert_eq!(world.held(), 0);
}

#[test]
fn what_the_brake_has_not_judged_it_does_not_let_go() {
    let world = World::new();
    assert_eq!(Brake::default().clear(&"S-00".into()), Err(Withheld::Unjudged));
    assert_eq!(Brake::new(world.brake.rows, Prints::default()).clear(&"S-00".into()), Err(Withheld::Unjudged));
}

#[test]
fn an_edit_is_foreseen_to_be_held_where_it_would_be() {
    let limit = Limit { share: Share::DEFAULT, set_at: "surge.share, stationkeep.yaml:12".into() };
    for changed in [0, 9, 10, SIZE] {
        let mut world = World::new();
        let before = world.inventory();
        world.specs[..changed].iter_mut().for_each(|spec| {
            (spec.name, spec.number) = (format!("X{}", spec.name), spec.number + 40);
            (spec.calls, spec.how) = ("desk", How::Station);
        });
        let foreseen = foresee(&before, &world.inventory(), &limit);
        assert_eq!(foreseen, world.pass(), "{changed}");
    }
}
