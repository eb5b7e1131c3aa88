//! Numbers as people spell them, for the fix of a finding only; nothing here changes a value.

use super::numbering::{Country, E164};
use crate::finding::{in_quotes, signs};
use crate::yaml::is_shortened;

/// A number as it was written, taken apart.
struct Spelt {
    /// Digits, `+`, and letters that may stand for neither; nothing that only parts digits.
    signs: String,
    /// An extension behind the number.
    extension: Option<String>,
}

impl Spelt {
    fn new(text: &str) -> Spelt {
        let straight = signs::straight(text);
        let straight = straight.trim();
        let bare =
            straight.get(..4).filter(|head| head.eq_ignore_ascii_case("tel:")).map_or(straight, |_| &straight[4..]);
        let (number, extension) = parted(bare);
        let number =
            if number.trim_start().starts_with(['+', '0']) { number.replace("(0)", "") } else { number.into() };
        let between = |sign: &char| sign.is_whitespace() || "-().[]/_~\u{b7}".contains(*sign);
        let signs: String = number.chars().filter(|sign| !between(sign)).map(signs::digit_like).collect();
        let signs = match signs.strip_prefix("00") {
            Some(rest) if rest.starts_with(|sign: char| ('1'..='9').contains(&sign)) => format!("+{rest}"),
            Some(_) | None => signs,
        };
        Spelt { signs, extension }
    }

    fn has_letters(&self) -> bool {
        self.signs.chars().any(char::is_alphabetic)
    }

    fn digits(&self) -> Option<&str> {
        Some(&*self.signs).filter(|signs| !signs.is_empty() && signs.bytes().all(|byte| byte.is_ascii_digit()))
    }
}

/// A number and the extension behind it: `x12`, `ext. 12`, `;ext=12`, `#12`.
fn parted(text: &str) -> (&str, Option<String>) {
    for mark in [";ext=", "extension", "ext.", "ext", "x", "#"] {
        let Some(at) = text.to_ascii_lowercase().rfind(mark) else { continue };
        let (number, rest) = (&text[..at], text[at + mark.len()..].trim());
        let fits = !rest.is_empty()
            && rest.bytes().all(|b| b.is_ascii_digit())
            && number.contains(|c: char| c.is_ascii_digit());
        if fits {
            return (number.trim_end_matches([' ', ',', ';']), Some(rest.into()));
        }
    }
    (text, None)
}

fn possible(text: &str) -> Option<E164> {
    text.parse::<E164>().ok().filter(E164::is_possible)
}

/// The number without spaces, brackets and hyphens and in plain digits, if that makes it a public number.
pub fn straightened(text: &str) -> Option<E164> {
    let spelt = Spelt::new(text);
    possible(&spelt.signs).filter(|_| spelt.extension.is_none())
}

/// The public number that stands where an extension, short code or dial string belongs.
pub fn public_by_mistake(text: &str) -> Option<E164> {
    signs::straight(text).trim_start().starts_with(['+', 't', 'T']).then(|| straightened(text)).flatten()
}

/// What to write for a text that is not a public number: the instruction and, where it can be told, the exact text.
pub fn fix(text: &str) -> (String, Option<String>) {
    let spelt = Spelt::new(text);
    if let Some(extension) = &spelt.extension {
        return (
            format!(
                "A station cannot dial an extension once the call is answered. Give a number that rings through, or a \"dial\" string with \
                 pauses as this line dials it, such as \"NUMBER,,{extension}\"."
            ),
            None,
        );
    }
    if let Some(number) = possible(&spelt.signs) {
        let exact = in_quotes(&number.to_string());
        return (format!("Write {exact}."), Some(exact));
    }
    if is_shortened(text) {
        return ("A spreadsheet cut this number short. Copy it again.".into(), None);
    }
    if spelt.has_letters() {
        return (
            "Write digits: a station keys no letters, and what they stand for differs between keypads.".into(),
            None,
        );
    }
    match spelt.digits() {
        Some(short) if short.len() <= 6 => {
            let exact = in_quotes(short);
            let fix = format!(
                "Inside an exchange write extension: {exact}, for a public emergency code short: {exact}; a public \
                 number begins with + and its country's calling code."
            );
            (fix, None)
        }
        Some(_) | None => ("Write it in international form, such as \"+441632960101\".".into(), None),
    }
}

/// The public number that a text is: in international form, or as it is dialled inside the country, if that is known, and whether
/// it is so.
///
/// # Errors
/// What to write where it is none.
pub fn read_number(text: &str, country: Option<&Country>) -> Result<(E164, bool), String> {
    if let Ok(number) = text.parse() {
        return Ok((number, false));
    }
    // A letter that may stand for a digit is not guessed.
    if text.chars().any(char::is_alphabetic) {
        return Err(fix(text).0);
    }
    if let Some(number) = straightened(text) {
        return Ok((number, false));
    }
    if let Some(number) = country.and_then(|country| in_country(text, country)) {
        return Ok((number, true));
    }
    let meant = country.and_then(|country| without_plus(text, country).or_else(|| without_prefix(text, country)));
    Err(meant.map_or_else(|| fix(text).0, |number| format!("Write {}.", in_quotes(&number.to_string()))))
}

/// The public number that a text in national form is in a country, as the numbering metadata allows for.
pub fn in_country(text: &str, country: &Country) -> Option<E164> {
    let spelt = Spelt::new(text);
    let digits = spelt.digits().filter(|_| spelt.extension.is_none())?;
    let prefix = &*country.national_prefix;
    let significant = match digits.strip_prefix(prefix) {
        Some(rest) => rest,
        // Ten digits are dialled without the prefix in the North American plan, and nowhere else.
        None if country.is_north_american() => digits,
        None => return None,
    };
    possible(&format!("+{}{significant}", country.calling_code))
}

/// Whether a text is the digits of a whole number that begins neither with a plus nor with a zero: a spreadsheet keeps neither.
/// A public number has at most 15 digits (ITU-T E.164).
pub fn has_lost_its_head(text: &str) -> bool {
    (9..=15).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit()) && !text.starts_with('0')
}

/// The public number that lacks nothing but the prefix that is dialled inside its country.
pub fn without_prefix(text: &str, country: &Country) -> Option<E164> {
    let is_lost = has_lost_its_head(text) && &*country.national_prefix == "0";
    is_lost.then(|| possible(&format!("+{}{text}", country.calling_code))).flatten().filter(|number| number.is_valid())
}

/// The public number that lacks nothing but its plus sign.
pub fn without_plus(text: &str, country: &Country) -> Option<E164> {
    let spelt = Spelt::new(text);
    let digits = spelt.digits().filter(|_| spelt.extension.is_none())?;
    digits.starts_with(&*country.calling_code).then(|| possible(&format!("+{digits}"))).flatten()
}

/// Digits as a keypad would have given them, of these signs only, for a text that holds others.
pub fn keyed(text: &str, allowed: &str) -> Option<String> {
    let Spelt { signs, extension: None } = Spelt::new(text) else { return None };
    (!signs.is_empty() && signs.chars().all(|sign| allowed.contains(sign)) && signs != text).then_some(signs)
}

/// The symbols that a text may hold, for people.
pub fn symbols(allowed: &str) -> String {
    let digits = allowed.strip_prefix("0123456789").map(|rest| ("0-9".to_owned(), rest));
    let (first, rest) = digits.unwrap_or((String::new(), allowed));
    let (letters, rest) = (rest.contains("ABCD"), rest.replace("ABCD", ""));
    let signs = rest.chars().filter(|sign| *sign != ',').map(|sign| sign.to_string());
    let mut all: Vec<String> = std::iter::once(first).filter(|first| !first.is_empty()).chain(signs).collect();
    all.extend(letters.then(|| "A-D".to_owned()));
    let comma = if rest.contains(',') { " and the comma" } else { "" };
    all.join(", ") + comma
}

#[cfg(test)]
mod tests {
    use super::*;

    fn straight(text: &str) -> Option<String> {
        straightened(text).map(|number| number.to_string())
    }

    #[test]
    fn spellings_that_people_use_get_the_exact_fix() {
        for spelt in [
            "+44 1632 960101",
            "+44 (0)1632 960101",
            "+44(0) 1632-960-101",
            "0044 1632 960101",
            "00 44 (0) 1632 960101",
            "+４４1632960101",
            "＋44 1632 960101",
            "+44\u{a0}1632-960101",
            "+44\u{2009}1632\u{202f}960\u{3000}101",
            "+44\u{2011}1632\u{2013}960101",
            "+44 l632 96OlOl",
            "+44 1632 96О1О1",
            "+44.1632.960101",
            "+44/1632/960101",
            "tel:+44-1632-960101",
            "TEL:+441632960101",
            "+٤٤١٦٣٢٩٦٠١٠١",
            "+۴۴۱۶۳۲۹۶۰۱۰۱",
            "\u{202a}+441632960101\u{202c}",
            "\u{200f}+44\u{200b}1632960101",
            " +441632960101 ",
        ] {
            assert_eq!(straight(spelt).as_deref(), Some("+441632960101"), "{spelt}");
            assert_eq!(fix(spelt).1.as_deref(), Some("\"+441632960101\""), "{spelt}");
        }
    }

    #[test]
    fn what_leads_elsewhere_or_nowhere_gets_no_exact_fix() {
        for lost in [
            "01632 960101",
            "+44 1632",
            "ring me",
            "+44 1632 960101 x123",
            "+44 1632 960101 ext. 7",
            "tel:+441632960101;ext=22",
            "+44 1632 960101 #5",
            "+1 207 HARBOUR",
            "",
            "+",
            "00",
            "\u{202e}101069236144+",
        ] {
            assert_eq!(straight(lost), None, "{lost}");
            let (text, exact) = fix(lost);
            assert!(exact.is_none() && !text.is_empty(), "{lost}: {text}");
        }
        assert!(fix("+44 1632 960101 x123").0.contains("\"NUMBER,,123\""));
        assert!(fix("+1 207 HARBOUR").0.contains("letters"));
        assert!(fix("44\u{a0}10").0.contains("extension: \"4410\""));
    }

    #[test]
    fn a_national_spelling_is_read_by_the_country_of_the_line() {
        let read = |text: &str, id: &str| in_country(text, &Country::find(id).unwrap()).map(|n| n.to_string());
        for (text, country, number) in [
            ("01632 960101", "GB", Some("+441632960101")),
            ("(01632) 960101", "GB", Some("+441632960101")),
            ("O1632 96OlOl", "GB", Some("+441632960101")),
            ("1632 960101", "GB", None),
            ("207-555-0142", "US", Some("+12075550142")),
            ("1 207 555 0142", "US", Some("+12075550142")),
            ("207-555-014", "US", None),
            ("02 61 91 00 01", "FR", Some("+33261910001")),
            ("4410", "GB", None),
            ("01632 960101 x5", "GB", None),
        ] {
            assert_eq!(read(text, country).as_deref(), number, "{text} in {country}");
        }
        let gb = Country::find("GB").unwrap();
        let lost = |text: &str| without_prefix(text, &gb).map(|n| n.to_string());
        assert_eq!(lost("1632960101").as_deref(), Some("+441632960101"));
        assert_eq!((lost("01632960101"), lost("441632960101"), lost("4410")), (None, None, None));
        assert_eq!(without_plus("44 1632 960101", &gb).map(|n| n.to_string()).as_deref(), Some("+441632960101"));
    }

    #[test]
    fn what_a_text_may_hold_is_said_in_short() {
        assert_eq!(symbols("0123456789*#ABCD,"), "0-9, *, #, A-D and the comma");
        assert_eq!(symbols("0123456789*#"), "0-9, *, #");
    }

    #[test]
    fn digits_inside_an_exchange_are_straightened_too() {
        assert_eq!(keyed("44 1O", "0123456789").as_deref(), Some("4410"));
        assert_eq!(keyed("４４１０", "0123456789").as_deref(), Some("4410"));
        assert_eq!(keyed("9 , 5550", "0123456789,").as_deref(), Some("9,5550"));
        assert_eq!(keyed("44x", "0123456789"), None);
    }
}
