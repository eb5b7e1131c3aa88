//! Text and lists cut to a length, for messages of bounded size. What is cut always says so.

/// What a text may take inside a JSON string, in bytes.
#[derive(Debug, Clone, Copy)]
pub struct Room(pub usize);

/// Names of stations, sites, settings, models, people.
pub const NAME: Room = Room(80);
/// Values.
pub const VALUE: Room = Room(120);
/// Places in files and in the world.
pub const PLACE: Room = Room(160);
/// Sentences.
pub const SENTENCE: Room = Room(800);
/// The first sentences of a message about stations.
pub const SUMMARY: Room = Room(1_800);

const CUT: &str = "…";

/// What a text takes inside a JSON string, in bytes.
pub fn length(text: &str) -> usize {
    text.chars().map(escaped).sum()
}

/// The text, or as many whole sentences of it as fit, and an ellipsis: for a text with a command or a link in it, half of
/// which leads nowhere.
pub fn clip_sentences(text: &str, room: Room) -> String {
    if length(text) <= room.0 {
        return text.to_owned();
    }
    let ends = text.match_indices(". ").map(|(at, _)| at + 1);
    let fitting = ends.filter(|end| text.get(..*end).is_some_and(|part| length(part) + 1 + CUT.len() <= room.0)).last();
    match fitting {
        Some(end) => format!("{} {CUT}", text.get(..end).unwrap_or("")),
        None => CUT.into(),
    }
}

/// The text, or its beginning and an ellipsis.
pub fn clip(text: &str, room: Room) -> String {
    let mut used = 0;
    // Where the text would be cut if it turned out too long.
    let mut cut = 0;
    for (at, sign) in text.char_indices() {
        if used + CUT.len() <= room.0 {
            cut = at;
        }
        used += escaped(sign);
        if used > room.0 {
            return format!("{}{CUT}", text.get(..cut).unwrap_or(""));
        }
    }
    text.to_owned()
}

/// What a sign takes inside a JSON string as serde_json writes it (RFC 8259 section 7).
fn escaped(sign: char) -> usize {
    match sign {
        '"' | '\\' | '\n' | '\r' | '\t' | '\u{8}' | '\u{c}' => 2,
        '\u{0}'..='\u{1f}' => 6,
        _ => sign.len_utf8(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_text_that_fits_is_left_alone_and_a_longer_one_says_that_it_was_cut() {
        assert_eq!(clip("12345678", Room(8)), "12345678");
        assert_eq!(clip("123456789", Room(8)), "12345…");
        assert_eq!(clip("", Room(8)), "");
    }

    #[test]
    fn of_sentences_as_many_as_fit_are_left_whole_and_the_last_room_is_used() {
        let text = "One. Two. Three.";
        for (room, clipped) in [
            (16, "One. Two. Three."),
            (15, "One. Two. …"),
            (13, "One. Two. …"),
            (12, "One. …"),
            (8, "One. …"),
            (7, "…"),
            (3, "…"),
        ] {
            assert_eq!(clip_sentences(text, Room(room)), clipped, "{room}");
        }
        assert_eq!(clip_sentences("No end, and 1.5 of it", Room(9)), "…", "a point inside a word ends no sentence");
        assert_eq!(clip_sentences("\"A.\" \"B.\" C. D.", Room(12)), "…", "a quote takes two bytes in JSON");
    }

    proptest! {
        #[test]
        fn no_text_takes_more_than_its_room(text in any::<String>(), room in 3usize..60) {
            let clipped = clip(&text, Room(room));
            prop_assert!(serde_json::to_string(&clipped).unwrap().len() - 2 <= room);
            let whole = clipped == text;
            prop_assert!(whole || text.starts_with(clipped.strip_suffix(CUT).unwrap()));
            if serde_json::to_string(&text).unwrap().len() - 2 <= room {
                prop_assert!(whole);
            }
        }
    }
}
