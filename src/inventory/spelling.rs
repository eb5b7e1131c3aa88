//! Numbers as people spell them, for the mend of a finding only; nothing here changes a value.

use super::numbering::E164;

/// The number without spaces, brackets and hyphens and in plain digits, if that makes it a public number.
pub fn straightened(text: &str) -> Option<String> {
    let plain: String = text.replace("(0)", "").chars().filter_map(plain_sign).collect();
    let plain = plain.strip_prefix("00").map(|rest| format!("+{rest}")).unwrap_or(plain);
    let number: E164 = plain.parse().ok()?;
    number.is_possible().then_some(plain)
}

/// The public number that stands where an extension, short code or dial string belongs.
pub fn public_by_mistake(text: &str) -> Option<String> {
    text.trim_start().starts_with(['+', '＋']).then(|| straightened(text)).flatten()
}

/// The sign a keyboard would have given; nothing for what people put between digits.
fn plain_sign(sign: char) -> Option<char> {
    match sign {
        ' ' | '\u{a0}' | '\u{202f}' | '\u{2009}' | '-' | '\u{2010}'..='\u{2014}' | '(' | ')' | '.' | '/' => None,
        '０'..='９' => char::from_digit(sign as u32 - '０' as u32, 10),
        '＋' => Some('+'),
        'O' | 'o' | 'О' | 'о' => Some('0'),
        'l' | 'I' | '|' => Some('1'),
        other => Some(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_that_people_use_get_the_exact_mend() {
        for spelt in [
            "+44 1632 960101",
            "+44 (0)1632 960101",
            "0044 1632 960101",
            "+４４1632960101",
            "+44\u{a0}1632-960101",
            "+44 l632 96OlOl",
        ] {
            assert_eq!(straightened(spelt).as_deref(), Some("+441632960101"), "{spelt}");
        }
        for lost in ["01632 960101", "+44 1632", "ring me"] {
            assert_eq!(straightened(lost), None, "{lost}");
        }
    }
}
