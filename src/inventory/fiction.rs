//! Numbers that their authorities keep for fiction: valid by nobody's metadata, and nobody's telephone rings.

/// By calling code, the numbers after it; `x` is any digit, `n` any from 2 to 9.
const RESERVED: [(&str, &[&str]); 5] = [
    // NANPA: 555-0100 to 555-0199 of every area.
    ("1", &["nxx55501xx"]),
    // ARCEP, decision 2018-0881.
    ("33", &["19900xxxx", "26191xxxx", "35301xxxx", "46571xxxx", "53649xxxx", "63998xxxx"]),
    // Ofcom: telephone numbers for drama use.
    (
        "44",
        &[
            "1134960xxx",
            "1144960xxx",
            "1154960xxx",
            "1164960xxx",
            "1174960xxx",
            "1184960xxx",
            "1214960xxx",
            "1314960xxx",
            "1414960xxx",
            "1514960xxx",
            "1614960xxx",
            "1632960xxx",
            "1914980xxx",
            "2079460xxx",
            "2896496xxx",
            "2920180xxx",
            "3069990xxx",
            "7700900xxx",
            "8081570xxx",
        ],
    ),
    // BNetzA, notice 148/2021.
    ("49", &["3023125xxx", "17139200xx"]),
    // ACMA: numbers for use in radio, books, film and television.
    ("61", &["255501xxx", "4915701xx"]),
];

/// Whether the digits after a calling code are a number reserved for fiction, in full.
pub(super) fn is_fiction(code: &str, digits: &str) -> bool {
    let ranges = RESERVED.iter().filter(|(known, _)| *known == code).flat_map(|(_, ranges)| *ranges);
    ranges.into_iter().any(|range| {
        let fits = |(range, digit): (char, char)| match range {
            'x' => digit.is_ascii_digit(),
            'n' => ('2'..='9').contains(&digit),
            exact => exact == digit,
        };
        range.len() == digits.len() && range.chars().zip(digits.chars()).all(fits)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_for_fiction_in_full_or_not_at_all() {
        assert!(is_fiction("44", "1632960101") && is_fiction("1", "2025550142"));
        for (code, digits) in [("44", "163296010"), ("44", "16329601010"), ("1", "1025550142"), ("33", "1632960101")] {
            assert!(!is_fiction(code, digits), "{code} {digits}");
        }
    }
}
