//! Whatever a record holds comes back from its bytes, and bytes that are none break nothing.

use proptest::prelude::*;

use super::*;
use crate::keybook::sample::tern;

fn name() -> impl Strategy<Value = Name> {
    prop_oneof![Just("9,01632960121".into()), Just("".into()), "\\PC{0,8}".prop_map(Name::from)]
}

fn time() -> impl Strategy<Value = Timestamp> {
    prop_oneof![
        (1_700_000_000i64..1_900_000_000).prop_map(|second| Timestamp::from_second(second).unwrap()),
        (-9_000_000_000_000_000_000i128..9_000_000_000_000_000_000)
            .prop_map(|nanosecond| Timestamp::from_nanosecond(nanosecond).unwrap()),
        Just(Timestamp::MIN),
        Just(Timestamp::MAX),
    ]
}

fn mark() -> impl Strategy<Value = Mark> {
    (time(), any::<u128>()).prop_map(|(at, report)| Mark { at, report: Uuid::from_u128(report) })
}

fn value() -> impl Strategy<Value = Value> {
    let reference =
        prop_oneof![name().prop_map(Reference::Env), name().prop_map(Reference::File), Just(Reference::Factory)];
    let secret = (reference, prop::option::of(name().prop_map(Fingerprint::from)));
    prop_oneof![
        name().prop_map(Value::Digits),
        name().prop_map(Value::Dial),
        name().prop_map(Value::Choice),
        prop::collection::btree_set(name(), 0..3).prop_map(Value::Flags),
        any::<u32>().prop_map(Value::Number),
        secret.prop_map(|(reference, fingerprint)| Value::Secret(Secret { reference, fingerprint })),
    ]
}

fn maybe() -> impl Strategy<Value = Option<Value>> {
    prop::option::of(value())
}

fn holding() -> impl Strategy<Value = Holding> {
    let state = prop_oneof![
        Just(State::Unknown),
        value().prop_map(State::Known),
        prop::collection::vec(value(), 2..4).prop_map(State::InDoubt)
    ];
    let refusal = (value(), mark(), name()).prop_map(|(code, mark, by)| Refusal { code, mark, by });
    let refused = prop::collection::vec(refusal, 0..2);
    (state, refused, prop::option::of(mark()), prop::option::of(mark()))
        .prop_map(|(state, refused, strayed, mark)| Holding { state, refused, strayed, mark })
}

fn proof() -> impl Strategy<Value = Proof> {
    let last = (prop_oneof![Just(Outcome::Reached), Just(Outcome::Failed)], mark());
    let failure = (name(), prop::option::of(name())).prop_map(|(by, note)| Failure { by, note });
    let marks = (prop::option::of(mark()), prop::option::of(mark()));
    let others = (prop::option::of(failure), prop::option::of(name()));
    (prop::option::of(last), others, marks, any::<bool>()).prop_map(
        |(last, (failure, answered_by), (reached, dead), is_renumbered)| Proof {
            last,
            failure,
            answered_by,
            reached,
            dead,
            is_renumbered,
        },
    )
}

fn proven() -> impl Strategy<Value = Proven> {
    let last =
        (maybe(), time(), prop::option::of(time())).prop_map(|(value, at, other_at)| Evidence { value, at, other_at });
    (name(), maybe(), any::<bool>(), maybe(), last).prop_map(|(setting, value, is_tested, made_known, last)| Proven {
        setting,
        value,
        is_tested,
        made_known,
        last,
    })
}

fn digest() -> impl Strategy<Value = Digest> {
    any::<[u8; 8]>().prop_map(|hash| Digest::of_hash(&hash))
}

fn leads_to() -> impl Strategy<Value = Vec<(SettingId, Option<Value>)>> {
    let count = tern().settings.len() as u16;
    prop::collection::vec(((0..count).prop_map(SettingId), maybe()), 0..3)
}

fn earlier() -> impl Strategy<Value = Earlier> {
    let held = || prop::collection::vec(maybe(), 0..3);
    let keying = || (digest(), held(), held()).prop_map(|(script, held, since)| Keying { script, held, since });
    let worked = prop::option::of((mark(), leads_to()).prop_map(|(mark, held)| Worked { mark, held }));
    let count = tern().settings.len() as u16;
    let failed = (0usize..3, leads_to(), mark(), name()).prop_map(|(lifeline, held, mark, by)| FailedWith {
        lifeline,
        held,
        mark,
        by,
    });
    let refused = ((0..count).prop_map(SettingId), maybe(), mark(), name())
        .prop_map(|(id, value, mark, by)| RefusedStep { id, value, mark, by });
    let lists = (
        prop::collection::vec(worked, 0..3),
        prop::collection::vec(keying(), 0..2),
        prop::collection::vec(failed, 0..2),
        prop::collection::vec(refused, 0..2),
        prop::collection::vec(((0..count).prop_map(SettingId), value()), 0..2),
    );
    (lists, prop::option::of(keying()), held()).prop_map(
        |((worked, before_scripts, failed, refused, codes), tried, before_visit)| Earlier {
            worked,
            before_scripts,
            failed,
            refused,
            codes,
            tried,
            before_visit,
        },
    )
}

fn visit() -> impl Strategy<Value = OpenVisit> {
    let visit = (any::<u128>(), digest(), name(), time(), name(), prop::option::of(name())).prop_map(
        |(id, script, station, at, by, number)| Visit { id: Uuid::from_u128(id), script, station, at, by, number },
    );
    (visit, leads_to()).prop_map(|(visit, leads_to)| OpenVisit { visit, leads_to })
}

fn handed_out() -> impl Strategy<Value = HandedOut> {
    (digest(), time(), leads_to(), any::<bool>()).prop_map(|(script, at, leads_to, is_back)| HandedOut {
        script,
        at,
        leads_to,
        is_back,
    })
}

fn record() -> impl Strategy<Value = Record> {
    let keybook = tern();
    let (settings, lifelines) = (keybook.settings.len(), keybook.lifelines.len());
    let known = (prop::collection::vec(holding(), settings), prop::collection::vec(proof(), lifelines));
    let lists = (
        prop::collection::vec(proven(), 0..3),
        prop::collection::vec(visit(), 0..2),
        prop::collection::vec(handed_out(), 0..2),
    );
    (known, prop::option::of(mark()), earlier(), prop::option::of(name()), lists).prop_map(
        |((settings, lifelines), answered, earlier, number, (proven, begun, handed_out))| Record {
            elsewhere: elsewhere(&settings),
            settings,
            lifelines,
            answered,
            proven,
            earlier,
            number,
            begun,
            handed_out,
        },
    )
}

/// One of each setting that is known, by the report that spoke of it.
fn elsewhere(settings: &[Holding]) -> Vec<Elsewhere> {
    let one = |(nth, holding): (usize, &Holding)| {
        let (value, mark) = (holding.known()?.clone(), holding.mark?);
        Some(Elsewhere { id: SettingId(nth as u16), value, station: "EQ-03".into(), mark })
    };
    settings.iter().enumerate().filter_map(one).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, ..ProptestConfig::default() })]

    #[test]
    fn a_record_comes_back_from_its_bytes(record in record()) {
        let bytes = folded_bytes(&record);
        let back = record_from_bytes(&bytes, &tern());
        prop_assert_eq!(back.as_ref(), Some(&record));
        prop_assert_eq!(back.map(|back| folded_bytes(&back)), Some(bytes));
    }

    #[test]
    fn bytes_cut_off_or_with_more_behind_them_are_no_record(record in record(), at in any::<prop::sample::Index>()) {
        let mut bytes = folded_bytes(&record);
        let cut = at.index(bytes.len());
        prop_assert_eq!(record_from_bytes(&bytes[..cut], &tern()), None);
        bytes.push(0);
        prop_assert_eq!(record_from_bytes(&bytes, &tern()), None);
    }

    #[test]
    fn whatever_is_changed_in_them_is_read_or_not_and_breaks_nothing(
        record in record(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
    ) {
        let mut bytes = folded_bytes(&record);
        for (at, to) in changes {
            let at = at.index(bytes.len());
            bytes[at] = to;
        }
        if let Some(record) = record_from_bytes(&bytes, &tern()) {
            prop_assert_eq!(record.settings.len(), tern().settings.len());
        }
    }
}

#[test]
fn a_record_of_another_keybook_is_none_of_this_one() {
    let keybook = tern();
    let mut fewer = (*keybook).clone();
    fewer.settings.pop();
    let bytes = folded_bytes(&Record::blank(&fewer));
    assert_eq!(record_from_bytes(&bytes, &keybook), None);
}
