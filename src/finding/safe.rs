//! Which exact fixes may be written without asking their author: those that write the same thing as it is to be written.
//!
//! A name that is near another, a letter that looks like a digit, a country taken from a line: there someone may have meant
//! something else, so they are left to a person however likely they are.

use super::{Code, Finding, signs};

impl Finding {
    /// Whether its exact fix keeps every character that carries meaning. `written` is what stands at its place.
    pub fn is_safe_to_write(&self, written: &str) -> bool {
        let Some(replacement) = self.replacement.as_deref().filter(|text| !text.contains('\n')) else { return false };
        if self.code == Code::TrunkKept {
            return true;
        }
        let (from, to) = (bare(written), bare(replacement));
        if self.code == Code::NotE164 {
            return is_whole(&from) && digits(&from.replace("(0)", "")) == digits(&to);
        }
        const AS_WRITTEN: [Code; 5] =
            [Code::Unquoted, Code::YamlSyntax, Code::ValueOutside, Code::WrongShape, Code::PauseUnstorable];
        let is_number = |text: &str| !text.is_empty() && text.bytes().all(|sign| sign.is_ascii_digit());
        // Zeros in front of a number count for nothing; in front of digits that are text they do.
        let same_number = is_number(replacement) && is_number(&from) && from.trim_start_matches('0') == replacement;
        AS_WRITTEN.contains(&self.code) && (from == to || same_number)
    }
}

/// A text without quotes, spaces and what does not show; the digits of every script as our own.
fn bare(text: &str) -> String {
    let is_dropped = |sign: char| sign.is_whitespace() || signs::is_unseen(sign) || "\"'“”„‟‘’‚‛«»".contains(sign);
    text.chars().filter(|sign| !is_dropped(*sign)).map(|sign| signs::digit(sign).unwrap_or(sign)).collect()
}

/// Whether a number is written with its country.
fn is_whole(text: &str) -> bool {
    let text = text.strip_prefix("tel:").unwrap_or(text);
    text.starts_with('+') && text[1..].chars().all(|sign| sign.is_ascii_digit() || "()-./".contains(sign))
}

fn digits(text: &str) -> String {
    text.chars().filter(char::is_ascii_digit).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Place;

    #[test]
    fn the_same_digits_in_the_right_form_are_safe_and_a_guess_is_not() {
        let safe = |code: Code, written: &str, instead: &str| {
            let place = Place { file: "a.yaml".into(), line: 1, column: 1, length: 1 };
            let finding = Finding::new(code, place, "It is wrong.", "Fix it.").replacing(Some(instead.into()));
            finding.is_safe_to_write(written)
        };
        use Code::{KeyUnknown, NameUnknown, NotAKey, NotE164, SettingNowhere, TrunkKept, Unquoted, ValueOutside};
        for (code, written, instead) in [
            (Unquoted, "0121", "\"0121\""),
            (Unquoted, "“+44”", "\"+44\""),
            (Unquoted, "0x1F", "\"0x1F\""),
            (Code::YamlSyntax, "to:gatehouse", "to: gatehouse"),
            (Code::YamlSyntax, "*berth", "\"*berth\""),
            (TrunkKept, "\"+4401632960101\"", "\"+441632960101\""),
            (NotE164, "\"+44 (0)1632 960101\"", "\"+441632960101\""),
            (NotE164, "\"tel:+44-1632-960101\"", "\"+441632960101\""),
            (NotE164, "\"+٤٤١٦٣٢٩٦٠١٠١\"", "\"+441632960101\""),
            (ValueOutside, "\"1 1\"", "\"11\""),
            (ValueOutside, "\"11\u{200b}\"", "\"11\""),
            (ValueOutside, "\"7\"", "7"),
            (ValueOutside, "07", "7"),
            (Code::WrongShape, "030", "30"),
        ] {
            assert!(safe(code, written, instead), "{code} {written}");
        }
        for (code, written, instead) in [
            (NameUnknown, "contorl-room", "control-room"),
            (NameUnknown, "рier", "pier"),
            (NameUnknown, "UK", "GB"),
            (KeyUnknown, "whree", "where"),
            (SettingNowhere, "gate.secnods", "gate.seconds"),
            (NotE164, "\"01632 960101\"", "\"+441632960101\""),
            (NotE164, "\"441632960101\"", "\"+441632960101\""),
            (NotE164, "\"0044 1632 960101\"", "\"+441632960101\""),
            (NotE164, "\"+44l63296O1O1\"", "\"+441632960101\""),
            (ValueOutside, "\"1l\"", "\"11\""),
            (ValueOutside, "\"007\"", "\"7\""),
            (ValueOutside, "dierct", "direct"),
            (Unquoted, "gatehouse", "{to: gatehouse}"),
            (NotAKey, "d", "D"),
            (Code::Version, "2", "1"),
            (Code::ConditionUnfit, "filed", "filled"),
        ] {
            assert!(!safe(code, written, instead), "{code} {written}");
        }
        let place = Place { file: "a.yaml".into(), line: 1, column: 1, length: 1 };
        assert!(!Finding::new(Unquoted, place, "x", "y").is_safe_to_write("1"));
    }
}
