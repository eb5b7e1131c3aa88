//! Signs that look like others, or like nothing at all: what a keyboard would have given in their place, and what to call
//! them in a message. For fixes only; nothing here changes a value.
//!
//! Digits of other scripts are those of the Unicode Character Database (`Nd`; `tests/check/signs.py` compares). The letters
//! that look like Latin ones are a choice from Unicode Technical Standard 39, written down from memory.

/// The zeros of scripts whose ten digits follow each other.
const ZEROS: [char; 43] = [
    '\u{0660}',
    '\u{06f0}',
    '\u{07c0}',
    '\u{0966}',
    '\u{09e6}',
    '\u{0a66}',
    '\u{0ae6}',
    '\u{0b66}',
    '\u{0be6}',
    '\u{0c66}',
    '\u{0ce6}',
    '\u{0d66}',
    '\u{0de6}',
    '\u{0e50}',
    '\u{0ed0}',
    '\u{0f20}',
    '\u{1040}',
    '\u{1090}',
    '\u{17e0}',
    '\u{1810}',
    '\u{1946}',
    '\u{19d0}',
    '\u{1a80}',
    '\u{1a90}',
    '\u{1b50}',
    '\u{1bb0}',
    '\u{1c40}',
    '\u{1c50}',
    '\u{a620}',
    '\u{a8d0}',
    '\u{a900}',
    '\u{a9d0}',
    '\u{a9f0}',
    '\u{aa50}',
    '\u{abf0}',
    '\u{ff10}',
    '\u{104a0}',
    '\u{10d30}',
    '\u{1d7ce}',
    '\u{1d7d8}',
    '\u{1d7e2}',
    '\u{1d7ec}',
    '\u{1d7f6}',
];

/// Cyrillic and Greek letters with the Latin one that each looks like.
const TWINS: [(&str, &str); 2] =
    [("АВЕЅІЈКМНОРСТУХаеіјорсухѕԁһ", "ABESIJKMHOPCTYXaeijopcyxsdh"), ("ΑΒΕΖΗΙΚΜΝΟΡΤΥΧοινα", "ABEZHIKMNOPTYXoiva")];

/// The decimal digit that a sign of any script stands for.
pub fn digit(sign: char) -> Option<char> {
    if sign.is_ascii_digit() {
        return Some(sign);
    }
    let zero = ZEROS.iter().find(|zero| (0..10).contains(&(sign as i64 - **zero as i64)))?;
    char::from_digit(sign as u32 - *zero as u32, 10)
}

/// A letter that is easily typed or read for a digit, as that digit; every other sign as it is.
pub fn digit_like(sign: char) -> char {
    match sign {
        'O' | 'o' => '0',
        'l' | 'I' | 'i' | '|' => '1',
        other => other,
    }
}

/// Whether a sign shows as nothing: zero-width signs, marks of direction, soft hyphens, a byte order mark.
pub fn is_unseen(sign: char) -> bool {
    matches!(
        sign,
        '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}'
            | '\u{2060}'..='\u{2064}' | '\u{2066}'..='\u{2069}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}'
    )
}

/// Whether a character does something to text instead of standing in it: control and format characters, and those that
/// separate lines and paragraphs (Unicode 16, general categories Cc, Cf, Zl, Zp).
pub fn moves_or_hides(sign: char) -> bool {
    sign.is_control()
        || matches!(
            sign,
            '\u{ad}' | '\u{600}'..='\u{605}' | '\u{61c}' | '\u{6dd}' | '\u{70f}' | '\u{890}'..='\u{891}' | '\u{8e2}'
                | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2064}'
                | '\u{2066}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{110bd}' | '\u{110cd}'
                | '\u{13430}'..='\u{1343f}' | '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}' | '\u{e0001}'
                | '\u{e0020}'..='\u{e007f}'
        )
}

/// The sign of an English keyboard that this one stands for or looks like; nothing where it is one itself or a stranger.
pub fn plain(sign: char) -> Option<char> {
    if sign.is_ascii() {
        return None;
    }
    if sign.is_whitespace() {
        return Some(' ');
    }
    let full_width = u32::from(sign).checked_sub(0xfee0).filter(|code| (0x21..0x7f).contains(code));
    let twin = || {
        let pairs = TWINS.iter().flat_map(|(odd, latin)| odd.chars().zip(latin.chars()));
        pairs.into_iter().find(|(odd, _)| *odd == sign).map(|(_, latin)| latin)
    };
    match sign {
        '\u{2010}'..='\u{2015}' | '\u{2212}' | '\u{fe58}' | '\u{fe63}' => Some('-'),
        '\u{2217}' | '\u{2731}' | '\u{204e}' => Some('*'),
        '\u{266f}' => Some('#'),
        '\u{3001}' | '\u{60c}' => Some(','),
        '\u{fe62}' => Some('+'),
        _ => digit(sign).or_else(|| char::from_u32(full_width?)).or_else(twin),
    }
}

/// A word with every sign as a keyboard would have given it, and nothing unseen.
pub fn straight(word: &str) -> String {
    word.chars().filter(|sign| !is_unseen(*sign)).map(|sign| plain(sign).unwrap_or(sign)).collect()
}

/// The first sign of a word that is not what it looks like.
pub fn deceptive(word: &str) -> Option<char> {
    word.chars().find(|sign| is_unseen(*sign) || plain(*sign).is_some())
}

/// A sign as it is called in a message, so that it can be told from the one it looks like.
pub fn named(sign: char) -> String {
    let code = u32::from(sign);
    let kind = match sign {
        '\u{20}'..='\u{7e}' => return format!("\"{sign}\""),
        '\u{200b}' => "zero-width space",
        '\u{200e}' | '\u{200f}' | '\u{61c}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => "mark of direction",
        '\u{ad}' => "soft hyphen",
        '\u{a0}' | '\u{202f}' => "no-break space",
        _ if sign.is_control() => "control character",
        _ if is_unseen(sign) => "character that does not show",
        _ if sign.is_whitespace() => "space of another width",
        _ => {
            let family = match code {
                0x370..=0x3ff => "Greek",
                0x400..=0x52f => "Cyrillic",
                0xff01..=0xff5e => "full-width",
                _ if digit(sign).is_some() => "a digit of another script",
                _ => return format!("\"{sign}\" (U+{code:04X})"),
            };
            return format!("\"{sign}\" (U+{code:04X}, {family})");
        }
    };
    format!("a {kind} (U+{code:04X})")
}

/// The text between curly quotes, which YAML takes for letters.
pub fn in_curly_quotes(text: &str) -> Option<&str> {
    let inside =
        text.trim_matches(|sign| "\u{201c}\u{201d}\u{201e}\u{201f}\u{2018}\u{2019}\u{ab}\u{bb}".contains(sign));
    (inside.len() < text.len()).then_some(inside)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_looks_like_a_sign_of_the_keyboard_is_told_apart_from_it() {
        for (odd, meant) in [
            ("４１", "41"),
            ("٤١", "41"),
            ("۴۱", "41"),
            ("𝟒𝟏", "41"),
            ("ЕQ‑01", "EQ-01"),
            ("ΕQ-01", "EQ-01"),
            ("E\u{200b}Q\u{a0}1\u{200f}", "EQ 1"),
            ("＊＃＋", "*#+"),
        ] {
            assert_eq!(straight(odd), meant);
            assert!(deceptive(odd).is_some(), "{odd}");
        }
        for honest in ["EQ-01", "Brücke", "Причал", "岸壁", "a b"] {
            assert_eq!(straight(honest).len() == honest.len(), honest != "Причал", "{honest}");
        }
        assert_eq!(deceptive("Brücke 岸壁"), None);
    }

    #[test]
    fn a_sign_is_called_so_that_one_can_find_it() {
        assert_eq!(named('О'), "\"О\" (U+041E, Cyrillic)");
        assert_eq!(named('\u{200b}'), "a zero-width space (U+200B)");
        assert_eq!(named('４'), "\"４\" (U+FF14, full-width)");
        assert_eq!(named('٤'), "\"٤\" (U+0664, a digit of another script)");
        assert_eq!(named('\u{a0}'), "a no-break space (U+00A0)");
        assert_eq!(named('x'), "\"x\"");
        assert_eq!(named('\n'), "a control character (U+000A)");
    }

    #[test]
    fn every_twin_has_its_letter() {
        assert!(TWINS.iter().all(|(odd, latin)| odd.chars().count() == latin.len()));
    }
}
