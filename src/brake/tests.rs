//! What is held, and ways around it tried one by one and at random: edits, reports and the clock alone.

#[cfg(test)]
mod around;
#[cfg(test)]
mod ways;

use proptest::prelude::*;

use super::sample::{Book, How, SIZE, Spec, World, fleet_of, start};
use super::*;
use crate::ledger::Decision;
use crate::setting::Written;

fn some(world: &mut World, nth: std::ops::Range<usize>, calls: &'static str, how: How) {
    world.specs[nth].iter_mut().for_each(|spec| (spec.calls, spec.how) = (calls, how));
}

fn all(world: &mut World, how: How) {
    world.specs.iter_mut().for_each(|spec| spec.how = how);
}

#[test]
fn from_ten_altered_stations_and_more_than_the_share_or_the_number_on_scripts_are_held() {
    for (changed, held) in [(1, 0), (9, 0), (10, 10), (20, 20)] {
        let mut world = World::new();
        some(&mut world, 0..changed, "desk", How::Station);
        assert_eq!(world.held(), held, "{changed}");
    }
    // Ten of 34 are no more than 30 %; a station that nobody ever reported on makes no fleet greater.
    for (more, on_record, held) in [(13, true, 10), (14, true, 0), (14, false, 10), (40, false, 10)] {
        let mut world = World::new();
        world.specs.extend(fleet_of(SIZE + more).split_off(SIZE));
        if on_record {
            (SIZE..SIZE + more).for_each(|nth| world.confirm(nth));
        }
        some(&mut world, 0..10, "desk", How::Station);
        assert_eq!(world.held(), held, "{more} {on_record}");
    }
    let mut world = World::of(fleet_of(60));
    (world.most, world.share) = (11, "1");
    for (changed, held) in [(11, 0), (12, 12)] {
        some(&mut world, 0..changed, "desk", How::Station);
        assert_eq!(world.held(), held, "{changed}");
    }
    let said = "Lifeline-critical settings would change at 12 of the 60 stations on record, more than 11 (brake.most, \
                stationkeep.yaml:12). 12 scripts are held.";
    assert_eq!(world.sentence(), said);
}

#[test]
fn what_is_held_says_the_numbers_the_limit_where_it_is_set_and_the_command() {
    let mut world = World::new();
    world.help = "+441632960109";
    let change = world.change().unwrap();
    let said = "Lifeline-critical settings would change at 20 of the 20 stations on record, more than 30 % (brake.share, \
                stationkeep.yaml:12). 20 scripts are held.";
    assert_eq!(world.sentence(), said);
    assert_eq!(change.list(), format!("stationkeep release {}", change.digest));
    assert_eq!(change.release(), format!("stationkeep release {} --by NAME --why TEXT", change.digest));
    assert!((0..SIZE).all(|nth| !world.is_free(nth)));
    let altered = &world.alterations()["S-07"].wanted;
    let text = |value: &Option<Value>| value.as_ref().unwrap().to_string();
    assert_eq!((altered.len(), &*altered[0].setting), (1, "emergency.primary"));
    assert_eq!((&*text(&altered[0].proven), &*text(&altered[0].to)), ("\"01632960101\"", "\"01632960109\""));
}

#[test]
fn on_the_first_day_nothing_is_proven_and_nothing_is_held_and_reports_of_what_is_there_show_what_is_altered() {
    let mut world = World::unreported(start());
    assert_eq!(world.held(), 0);
    world.help = "+441632960109";
    assert_eq!(world.held(), 0);
    // They come with a ledger of before: whatever was wanted then, that is what they hold.
    (0..SIZE).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), 0);
    world.help = "+441632960101";
    assert_eq!(world.held(), SIZE, "someone keyed another number there");
}

#[test]
fn where_stations_were_only_seen_so_far_it_is_said_that_it_may_be_an_edit() {
    let mut world = World::unreported(start());
    (0..SIZE).for_each(|nth| world.key(nth));
    world.help = "+441632960109";
    let held = |world: &World| Held { change: Arc::new(world.change().unwrap()), scripts: SIZE };
    let said = held(&world);
    assert!(said.is_first_seen());
    assert_eq!(
        said.sentence(),
        "Lifeline-critical settings are wanted otherwise than reported at 20 of the 20 stations on record, more than 30 % \
         (brake.share, stationkeep.yaml:12). No card was keyed and no test call made there yet, so this may be an edit: compare \
         with \"stationkeep check --against REVISION\". 20 scripts are held."
    );
    // Once a call was tested at one of them, what is wanted there is a change.
    world.help = "+441632960101";
    world.test(0);
    world.help = "+441632960109";
    let said = held(&world);
    assert!(!said.is_first_seen());
    assert!(
        said.sentence().contains(
            "would change at 20 of the 20 stations on record (19 of them were never keyed by a card or tested)"
        )
    );
}

#[test]
fn edits_add_up_however_they_are_split_and_whichever_way_they_are_made() {
    let ways = ways();
    let mut world = World::new();
    for nth in 0..15 {
        ways[nth % ways.len()].1(&mut world.specs[nth]);
        let expected = if nth + 1 < FEWEST { 0 } else { nth + 1 };
        assert_eq!(world.held(), expected, "after {}", ways[nth % ways.len()].0);
    }
}

#[test]
fn an_edit_taken_back_is_none_and_one_that_is_keyed_and_tested_shrinks() {
    let mut world = World::new();
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
    world.help = "+441632960101";
    assert_eq!(world.held(), 0);
    world.help = "+441632960109";
    (0..11).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), SIZE, "a test call proved the number of before");
    (0..11).for_each(|nth| world.test(nth));
    assert_eq!(world.held(), 0, "nine are left");
    world.help = "+441632960101";
    assert_eq!(world.held(), 11, "the new number is proved there");
}

#[test]
fn without_a_test_what_reports_made_known_is_proved_and_what_contradicts_them_is_not() {
    let mut world = World::unreported(start());
    (0..SIZE).for_each(|nth| world.key(nth));
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
    (0..SIZE).for_each(|nth| world.find(nth, "emergency.primary", Written::Quoted("01632960109".into())));
    assert_eq!(world.held(), SIZE, "someone changed them unrecorded");
    (0..SIZE).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), 0);
}

#[test]
fn a_tested_second_number_that_is_emptied_on_purpose_is_altered_until_that_is_keyed() {
    let second = |world: &mut World, number| world.specs.iter_mut().for_each(|spec| spec.second = Some(number));
    let mut world = World::new();
    second(&mut world, "5550");
    (0..SIZE).for_each(|nth| {
        world.key(nth);
        world.test_second(nth);
    });
    assert_eq!(world.held(), 0);
    // While it is in use nothing but a test proves another.
    second(&mut world, "5551");
    (0..SIZE).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), SIZE);
    second(&mut world, "");
    assert_eq!(world.held(), SIZE);
    assert_eq!(world.alterations()["S-00"].wanted[0].proven.as_ref().map(ToString::to_string), Some("\"5551\"".into()));
    // An empty number cannot be tested: that it was keyed is enough.
    let found = world.clone();
    (0..SIZE).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), 0);
    assert!(world.alterations().is_empty());
    (0..SIZE).for_each(|nth| world.replace(nth));
    assert!(world.held() == 0 && (0..SIZE).all(|nth| world.is_free(nth)), "a new unit changes nothing of it");
    // Someone found it so, against the record: that proves nothing.
    let mut found = found;
    (0..SIZE).for_each(|nth| found.find(nth, "emergency.backup", Written::Quoted("".into())));
    assert_eq!(found.held(), SIZE);
    // In use again it is compared with what was tested.
    second(&mut world, "5550");
    assert_eq!(world.held(), 0);
    second(&mut world, "5551");
    assert_eq!(world.held(), SIZE);
}

#[test]
fn a_station_that_strayed_is_never_held_while_the_same_is_wanted_of_it() {
    let mut world = World::new();
    (0..SIZE).for_each(|nth| world.find(nth, "emergency.primary", Written::Quoted("5550".into())));
    assert_eq!(world.held(), 0);
    some(&mut world, 0..12, "desk", How::Station);
    assert_eq!(world.held(), 12);
    assert!(world.is_free(15) && !world.is_free(3));
}

#[test]
fn a_card_that_was_begun_is_never_held_nor_is_a_script_that_finishes_it() {
    let mut world = World::new();
    some(&mut world, 0..9, "desk", How::Station);
    assert!((0..2).all(|nth| world.show(nth)));
    world.begin(0);
    some(&mut world, 9..12, "desk", How::Station);
    let change = world.change().expect("twelve are altered");
    assert_eq!(
        (change.tally.altered, change.stations.len()),
        (12, 12),
        "a station where someone is counts all the same"
    );
    let free = |world: &World| (0..12).filter(|nth| world.is_free(*nth)).collect::<Vec<_>>();
    assert_eq!(free(&world), [0], "one that was shown and not begun waits");
    assert!(world.show(0));
    // Something else is wanted by now: that is no card that was begun.
    let mut otherwise = world.clone();
    otherwise.specs[0].site = "mole";
    assert!(!otherwise.is_free(0));
    // A report that names the script ends that; corrected it counts for nothing, and someone is there still.
    let mut ended = world.clone();
    ended.skip(0);
    assert!(!ended.is_free(0));
    let mut own = ended.clone();
    ended.correct(0);
    assert!(ended.is_free(0));
    // The visit's own report ends it for good.
    own.reports.last_mut().unwrap().id = own.visits[0].id;
    own.correct(0);
    assert!(!own.is_free(0));
}

#[test]
fn a_release_covers_its_values_until_a_later_one_names_the_station_or_a_report_says_something_else() {
    let mut world = World::new();
    world.help = "+441632960109";
    let change = world.change().unwrap();
    // One more edit makes it another change; a report does not.
    world.specs[3].site = "mole";
    let other = world.change().unwrap();
    assert_ne!(change.digest, other.digest);
    world.confirm(4);
    assert_eq!(world.change().unwrap().digest, other.digest);
    assert_eq!(world.held(), SIZE - 1);
    world.release();
    assert_eq!(world.held(), 0);
    // Nobody reported: taken back and made again, it is what someone said is meant.
    world.help = "+441632960101";
    world.specs[3].site = "quay";
    assert_eq!(world.held(), 0, "only the one that was keyed");
    world.help = "+441632960109";
    assert_eq!(world.held(), 0);
    // Another value is not.
    world.help = "+441632960108";
    assert_eq!(world.held(), SIZE);
    // What is keyed as released is covered; what is keyed otherwise since is not covered when the same is wanted again.
    world.help = "+441632960109";
    (0..SIZE).for_each(|nth| world.key(nth));
    assert_eq!(world.held(), 0);
    world.help = "+441632960101";
    (0..SIZE).for_each(|nth| world.key(nth));
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE - 1, "one was proved to hold it");
}

#[test]
fn a_later_release_counts_alone_and_names_what_was_released_before_and_is_not_proven_yet() {
    let mut world = World::new();
    world.help = "+441632960109";
    world.release();
    // The lines change as well, before anybody keyed anything.
    world.specs.iter_mut().for_each(|spec| spec.site = "mole");
    assert_eq!(world.held(), SIZE);
    let release = world.release();
    assert_eq!(release.stations["S-00"].len(), 2, "line and number");
    assert_eq!(world.held(), 0);
    // Each station keeps what the last release says of it: the first is over.
    world.specs.iter_mut().for_each(|spec| spec.site = "quay");
    assert_eq!(world.held(), SIZE, "without the outside line it is another number");
}

#[test]
fn the_digest_of_a_change_is_what_another_program_makes_of_what_is_wanted() {
    // Python: hashlib.sha256(b'4:S-00,17:emergency.primary,13:"01632960101",9:line.kind,6:direct,').hexdigest()[:16]
    let inventory = World::unreported(fleet_of(1)).inventory();
    assert_eq!(digest(inventory.stations.values().map(|station| &**station)).to_string(), DIGEST);
}

const DIGEST: &str = "d682f70227b39d6d";

/// A way to make a station call someone else, or over another line, with its name.
type Way = (&'static str, fn(&mut Spec));

fn ways() -> Vec<Way> {
    vec![
        ("its own setting", |spec| (spec.calls, spec.how) = ("desk", How::Station)),
        ("a dial string", |spec| (spec.calls, spec.how) = ("desk", How::Written)),
        ("a profile", |spec| (spec.calls, spec.how) = ("desk", How::Profile)),
        ("another site and line", |spec| spec.site = "mole"),
        ("another model", |spec| (spec.model, spec.calls, spec.how) = ("wren-1", "desk", How::Station)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn whatever_the_path_and_the_order_of_reports_the_same_end_holds_the_same(
        plan in prop::collection::vec((0usize..SIZE, 0usize..5, 0u8..9), 1..30),
        seed in any::<u64>(),
    ) {
        let ways = ways();
        let mut world = World::new();
        for (at, (nth, way, how)) in plan.iter().enumerate() {
            let spec = &mut world.specs[*nth];
            match how {
                0 | 1 => ways[*way].1(spec),
                2 => {
                    let before = spec.clone();
                    *spec = Spec { name: before.name, number: before.number, ..start()[*nth].clone() };
                }
                3 => spec.name = format!("R{at}-{nth:02}"),
                4 => spec.number = 40 + at,
                5 => {
                    (spec.name, spec.number) = (format!("B{at}-{nth:02}"), 40 + at);
                    ways[*way].1(spec);
                }
                6 => world.confirm(*nth),
                7 => world.key(*nth),
                _ => {
                    world.show(*nth);
                }
            }
        }
        let mut other = world.clone();
        other.reports.reverse();
        let by = usize::try_from(seed).unwrap_or(0) % other.reports.len();
        other.reports.rotate_left(by);
        other.shown.reverse();
        prop_assert_eq!(world.change(), other.change());
        prop_assert_eq!(world.alterations(), other.alterations());
    }

    #[test]
    fn whoever_alters_so_many_meets_the_brake_whatever_is_renamed_renumbered_shown_and_taken_back_between(
        rounds in prop::collection::vec((prop::collection::btree_set(0usize..SIZE, 1..8), 0u8..4), 2..6),
    ) {
        // Everything is shown that is not held; what stations might hold other than proven never passes the limit.
        let mut world = World::new();
        let mut out: BTreeSet<usize> = BTreeSet::new();
        for (round, (some, how)) in rounds.iter().enumerate() {
            for nth in some {
                let spec = &mut world.specs[*nth];
                (spec.calls, spec.how) = ("desk", How::Station);
                match how {
                    0 | 1 => {}
                    2 => spec.name = format!("N{round}-{nth:02}"),
                    _ => (spec.name, spec.number) = (format!("N{round}-{nth:02}"), 40 + nth + 20 * (round % 2)),
                }
            }
            for nth in some {
                if world.show(*nth) {
                    out.insert(*nth);
                }
            }
            prop_assert!(out.len() < FEWEST, "{out:?}");
            for nth in some {
                (world.specs[*nth].calls, world.specs[*nth].how) = ("help", How::Fleet);
            }
        }
    }
}
