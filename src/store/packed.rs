//! The bodies of entries in a compact form: what a body shares with other bodies and with its own row is written once.
//! Pure: whatever is packed comes back byte for byte, and bytes that nobody packed are told, not believed.
//!
//! A packed body is one byte, the number of the phrase book that it was packed with; the length of the text (four bytes, the
//! lowest first); and an LZ4 block whose dictionary is that book, the entry's id, its station and its time in RFC 3339. The
//! byte 255 stands before a body as it is.

use jiff::Timestamp;

/// Text that bodies share. The first book, number 0, is empty.
pub(super) type Book = std::sync::Arc<[u8]>;

/// A book holds no more: the longer it is, the longer it takes to pack.
const BOOK_BYTES: usize = 8 << 10;
/// No body is longer, whatever a row claims.
const MOST_BYTES: usize = 64 << 20;
const AS_IS: u8 = u8::MAX;

/// What a row holds beside its body, which the body repeats.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beside<'e> {
    pub id: &'e str,
    pub station: &'e str,
    pub at_ms: i64,
}

impl Beside<'_> {
    fn dictionary(self, book: &[u8]) -> Vec<u8> {
        let Beside { id, station, at_ms } = self;
        let at = Timestamp::from_millisecond(at_ms).unwrap_or_default().to_string();
        [book, id.as_bytes(), station.as_bytes(), at.as_bytes()].concat()
    }
}

/// A body in its compact form.
pub(super) fn pack(body: &str, beside: Beside<'_>, number: u8, book: &[u8]) -> Vec<u8> {
    let packed = lz4_flex::block::compress_with_dict(body.as_bytes(), &beside.dictionary(book));
    match u32::try_from(body.len()) {
        Ok(length) if packed.len() + 4 < body.len() && number != AS_IS => {
            [&[number], &length.to_le_bytes()[..], &packed].concat()
        }
        Ok(_) | Err(_) => [&[AS_IS], body.as_bytes()].concat(),
    }
}

/// The number of the book that a body was packed with; nothing where none was used.
pub(super) fn book_of(packed: &[u8]) -> Option<u8> {
    packed.first().copied().filter(|number| *number != AS_IS)
}

/// The body; nothing where no body was packed so with this book.
pub(super) fn unpack(packed: &[u8], beside: Beside<'_>, book: &[u8]) -> Option<String> {
    let (number, rest) = packed.split_first()?;
    if *number == AS_IS {
        return String::from_utf8(rest.to_vec()).ok();
    }
    let (length, block) = rest.split_first_chunk::<4>()?;
    let length = usize::try_from(u32::from_le_bytes(*length)).ok().filter(|length| *length <= MOST_BYTES)?;
    let text = lz4_flex::block::decompress_with_dict(block, length, &beside.dictionary(book)).ok()?;
    String::from_utf8(text).ok().filter(|text| text.len() == length)
}

/// A book of what these bodies share: each that the ones before it do not tell already, until it is full.
pub(super) fn book_from<'b>(bodies: impl IntoIterator<Item = &'b str>) -> Vec<u8> {
    let mut book = Vec::new();
    for body in bodies {
        let packed = lz4_flex::block::compress_with_dict(body.as_bytes(), &book);
        if packed.len() * 3 > body.len() && book.len() + body.len() <= BOOK_BYTES {
            book.extend_from_slice(body.as_bytes());
        }
    }
    book
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const BESIDE: Beside<'_> =
        Beside { id: "019a6c1e-8f00-7000-8000-000000000001", station: "EQ-01", at_ms: 1_763_633_640_000 };

    fn report(n: u32) -> String {
        format!(
            r#"{{"report":1,"id":"{}","station":"EQ-01","at":"2025-11-20T10:14:00Z","by":"tech-0{}","unit":"new","left":{{"access":{{"secret":"file:secrets/access-2026"}},"emergency.primary":"9,01632960{n:03}","line.kind":"pbx"}},"tests":[{{"lifeline":"emergency","outcome":"reached","contact":"control-room"}}],"number":"+441632960121"}}"#,
            BESIDE.id,
            n % 10
        )
    }

    proptest! {
        #[test]
        fn whatever_is_packed_comes_back(body in "(\\PC|report|EQ-01){0,200}", book in prop::collection::vec(any::<u8>(), 0..100)) {
            let packed = pack(&body, BESIDE, 3, &book);
            prop_assert!(packed.len() <= body.len() + 1);
            prop_assert_eq!(unpack(&packed, BESIDE, &book), Some(body));
        }

        #[test]
        fn bytes_that_nobody_packed_break_nothing(
            packed in prop::collection::vec(any::<u8>(), 0..200),
            length in 0u32..400,
        ) {
            let claimed = [&[1][..], &length.to_le_bytes(), &packed].concat();
            for bytes in [&packed, &claimed] {
                if let Some(body) = unpack(bytes, BESIDE, b"a book of nothing") {
                    prop_assert!(body.len() <= 400.max(bytes.len()));
                }
            }
        }

        #[test]
        fn a_packed_body_with_a_byte_changed_is_another_or_none(at in any::<prop::sample::Index>(), to in any::<u8>()) {
            let book = book_from([&*report(1)]);
            let mut packed = pack(&report(2), BESIDE, 1, &book);
            let at = at.index(packed.len());
            let was = std::mem::replace(&mut packed[at], to);
            let back = unpack(&packed, BESIDE, &book);
            prop_assert!(was == to || at == 0 || back.is_none_or(|body| body.len() == report(2).len()));
        }
    }

    #[test]
    fn a_report_like_others_takes_a_small_part_of_itself() {
        let bodies: Vec<String> = (0..40).map(report).collect();
        let book = book_from(bodies.iter().map(String::as_str));
        assert!(book.len() < 2 * report(0).len(), "equal shapes are written once: {}", book.len());
        let packed = pack(&report(777), BESIDE, 1, &book);
        assert!(packed.len() * 8 < report(777).len(), "{} of {}", packed.len(), report(777).len());
        let alone = pack(&report(777), BESIDE, 0, &[]);
        assert!(alone.len() < report(777).len());
    }
}
