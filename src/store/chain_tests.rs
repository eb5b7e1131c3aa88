//! Tests of the chain's arithmetic alone: the published way to hash an entry, and what a walk finds.

use proptest::prelude::*;

use super::*;

fn link(seq: i64, body: &str, prev: &str) -> Link {
    let mut link = Link {
        seq,
        kind: EntryKind::Report,
        id: format!("id-{seq}"),
        station: "EQ-01".to_owned(),
        at_ms: seq * 1000,
        recorded_ms: seq * 1000 + 7,
        body: body.to_owned(),
        hash: String::new(),
    };
    link.hash = link.computed_hash(prev);
    link
}

fn chain(length: i64) -> (Vec<Link>, Head) {
    let mut links = Vec::new();
    let mut head = Head::empty();
    for seq in 1..=length {
        let next = link(seq, &format!("{{\"n\":{seq}}}"), &head.hash);
        head = Head { seq, hash: next.hash.clone() };
        links.push(next);
    }
    (links, head)
}

fn walked(links: &[Link], head: &Head) -> Result<(), Broken> {
    let mut walk = Walk::default();
    links.iter().try_for_each(|link| walk.step(link))?;
    walk.ends_at(head)
}

#[test]
fn another_program_reckons_the_same_hashes() {
    // Reckoned by a program of its own: Python's hashlib over the netstrings that the module's text describes.
    let first = Link {
        seq: 1,
        kind: EntryKind::Report,
        id: "019a6c1e-8f00-7000-8000-000000000001".to_owned(),
        station: "EQ-01".to_owned(),
        at_ms: 1_763_633_640_000,
        recorded_ms: 1_763_633_650_123,
        body: "{\"note\":\"Flåte, lamp works\"}".to_owned(),
        hash: String::new(),
    };
    let hash = first.computed_hash(GENESIS);
    assert_eq!(hash, "b9aa99c3758f7f3346dd8b96f13c067a1cced903cb09d806e88d37ce93f3ec77");
    let second = Link {
        seq: 2,
        kind: EntryKind::Script,
        id: "3f9a1c0b7d24e615".to_owned(),
        station: String::new(),
        at_ms: -1,
        recorded_ms: 0,
        body: String::new(),
        hash: String::new(),
    };
    assert_eq!(second.computed_hash(&hash), "e160b0a41f72aac485fd7ab4ee06fbf5f7d4d42fc6099a062ae78da0e5a9cc2d");
}

proptest! {
    #[test]
    fn an_untouched_chain_holds(length in 0i64..30) {
        let (links, head) = chain(length);
        prop_assert_eq!(walked(&links, &head), Ok(()));
    }

    #[test]
    fn a_field_changed_anywhere_is_found_there(length in 1i64..20, at in 0usize..20, field in 0u8..7) {
        let (mut links, head) = chain(length);
        let at = at % links.len();
        let one = &mut links[at];
        match field {
            0 => one.kind = EntryKind::Shown,
            1 => one.id.push('x'),
            2 => one.station.push('x'),
            3 => one.at_ms += 1,
            4 => one.recorded_ms -= 1,
            5 => one.body.push(' '),
            _ => one.hash = "f".repeat(64),
        }
        let seq = links[at].seq;
        prop_assert_eq!(walked(&links, &head), Err(Broken { seq, flaw: Flaw::Changed }));
    }

    #[test]
    fn an_entry_taken_out_is_missed(length in 1i64..20, at in 0usize..20) {
        let (mut links, head) = chain(length);
        let gone = links.remove(at % links.len());
        prop_assert_eq!(walked(&links, &head), Err(Broken { seq: gone.seq, flaw: Flaw::Missing }));
    }

    #[test]
    fn an_entry_replaced_with_its_hash_made_new_is_found(length in 1i64..20, at in 0usize..20) {
        let (mut links, head) = chain(length);
        let at = at % links.len();
        let prev = at.checked_sub(1).map_or(GENESIS.to_owned(), |before| links[before].hash.clone());
        links[at] = link(links[at].seq, "{\"forged\":true}", &prev);
        let found = walked(&links, &head);
        let seq = links[at].seq;
        if seq == length {
            prop_assert_eq!(found, Err(Broken { seq, flaw: Flaw::NotTheHead }));
        } else {
            prop_assert_eq!(found, Err(Broken { seq: seq + 1, flaw: Flaw::Changed }));
        }
    }

    #[test]
    fn two_entries_that_changed_places_are_found(length in 2i64..20, at in 0usize..20) {
        let (mut links, head) = chain(length);
        let at = at % (links.len() - 1);
        let (one, other) = (links[at].seq, links[at + 1].seq);
        links.swap(at, at + 1);
        (links[at].seq, links[at + 1].seq) = (one, other);
        prop_assert_eq!(walked(&links, &head), Err(Broken { seq: one, flaw: Flaw::Changed }));
    }

    #[test]
    fn no_two_different_entries_are_written_alike(
        (a, b, c) in ("[a-z0-9:,]{0,6}", "[a-z0-9:,]{0,6}", "[a-z0-9:,]{0,6}"),
        (d, e, f) in ("[a-z0-9:,]{0,6}", "[a-z0-9:,]{0,6}", "[a-z0-9:,]{0,6}"),
    ) {
        let make = |id: &str, station: &str, body: &str| {
            let mut link = link(1, body, GENESIS);
            link.id = id.to_owned();
            link.station = station.to_owned();
            link.computed_hash(GENESIS)
        };
        prop_assert_eq!(make(&a, &b, &c) == make(&d, &e, &f), (a, b, c) == (d, e, f));
    }
}
