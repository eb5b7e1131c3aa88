//! Days as people write them. Which of two numbers is the month is never guessed: somebody says the form.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;

/// A part of a form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Day,
    Month,
    Year,
    Between(char),
}

/// How days are written, such as `DD.MM.YYYY`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DayForm {
    written: String,
    parts: Vec<Part>,
}

/// The forms that a day without a form is tried in, for the fix alone.
const USUAL: [&str; 6] = ["DD.MM.YYYY", "DD/MM/YYYY", "MM/DD/YYYY", "DD-MM-YYYY", "MM-DD-YYYY", "YYYY/MM/DD"];

impl FromStr for DayForm {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<DayForm, &'static str> {
        let how = "write day, month and year once each, like DD.MM.YYYY or MM/DD/YYYY";
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(sign) = rest.chars().next() {
            let run = rest.len() - rest.trim_start_matches(sign).len();
            parts.push(match (sign, run) {
                ('D', 1 | 2) => Part::Day,
                ('M', 1 | 2) => Part::Month,
                ('Y', 4) => Part::Year,
                ('.' | '/' | '-' | ' ', 1) => Part::Between(sign),
                _ => return Err(how),
            });
            rest = &rest[run..];
        }
        let once = |part: Part| parts.iter().filter(|one| **one == part).count() == 1;
        let is_apart = parts.windows(2).all(|two| two.iter().any(|part| matches!(part, Part::Between(_))));
        if !([Part::Day, Part::Month, Part::Year].into_iter().all(once) && is_apart) {
            return Err(how);
        }
        // ISO 8601 is always read: with this form beside it one day would be read in either way.
        if parts == [Part::Year, Part::Between('-'), Part::Day, Part::Between('-'), Part::Month] {
            return Err("a day such as 2026-11-20 is always read as YYYY-MM-DD. Write the days in that form");
        }
        Ok(DayForm { written: text.into(), parts })
    }
}

impl fmt::Display for DayForm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.written)
    }
}

impl DayForm {
    /// The day that a text is in this form; a day or a month may go without its zero.
    pub fn read(&self, text: &str) -> Option<Date> {
        let (mut day, mut month, mut year, mut rest) = (0, 0, 0, text);
        for part in &self.parts {
            let most = match part {
                Part::Between(sign) => {
                    rest = rest.strip_prefix(*sign)?;
                    continue;
                }
                Part::Day | Part::Month => 2,
                Part::Year => 4,
            };
            let digits = rest.bytes().take(most).take_while(u8::is_ascii_digit).count();
            let (number, after) = rest.split_at(digits);
            rest = after;
            let number: i16 = number.parse().ok()?;
            match part {
                Part::Day => day = number,
                Part::Month => month = number,
                Part::Year if digits == 4 => year = number,
                Part::Year | Part::Between(_) => return None,
            }
        }
        let is_whole = rest.is_empty();
        Date::new(year, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok().filter(|_| is_whole)
    }
}

/// A day in ISO 8601, or in a form that was said.
///
/// # Errors
/// What is wrong with the text, and the fix.
pub fn day(text: &str, form: Option<&DayForm>) -> Result<Date, (String, String)> {
    if let Some(day) = iso(text).or_else(|| form.and_then(|form| form.read(text))) {
        return Ok(day);
    }
    if let Ok(time) = text.parse::<jiff::civil::DateTime>() {
        let message = format!("\"{text}\" does not say its offset.");
        return Err((message, format!("Add the offset, such as {time}Z, or write the day alone: {}.", time.date())));
    }
    let usual = USUAL.iter().filter_map(|form| Some((*form, form.parse::<DayForm>().ok()?.read(text)?)));
    let usual: Vec<(&str, Date)> = usual.collect();
    Err(match (form, &usual[..]) {
        (Some(form), [(_, day)]) => {
            (format!("\"{text}\" is not a day in the form {form}."), format!("Write it in that form, or as {day}."))
        }
        (Some(form), _) => {
            (format!("\"{text}\" is not a day in the form {form}."), "Write it in that form, or as 2026-11-20.".into())
        }
        (None, [(form, day)]) => {
            (format!("\"{text}\" is not a time."), format!("Write {day}, or name the form: --dates {form}."))
        }
        (None, [(one, first), (other, second), ..]) => {
            let fix = match first == second {
                true => format!("Write {first}, or name the form: --dates {one} or --dates {other}."),
                false => format!("Write {first} ({one}) or {second} ({other}), or name the form with --dates."),
            };
            (format!("\"{text}\" can be read as two days."), fix)
        }
        (None, []) => (
            format!("\"{text}\" is not a time."),
            "Write the day, such as 2026-11-20, or the time with its offset (RFC 3339), such as 2026-11-20T10:14:00Z."
                .into(),
        ),
    })
}

fn iso(text: &str) -> Option<Date> {
    let shape: String = text.chars().map(|sign| if sign.is_ascii_digit() { '9' } else { sign }).collect();
    (shape == "9999-99-99").then(|| text.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form(text: &str) -> DayForm {
        text.parse().unwrap()
    }

    #[test]
    fn a_form_names_day_month_and_year_once_each_with_something_between() {
        for fine in [
            "DD.MM.YYYY",
            "D.M.YYYY",
            "MM/DD/YYYY",
            "YYYY/MM/DD",
            "YYYY-MM-DD",
            "YYYY/DD/MM",
            "DD MM YYYY",
            "D. M. YYYY",
        ] {
            assert_eq!(fine.parse::<DayForm>().map(|form| form.to_string()).as_deref(), Ok(fine));
        }
        for odd in [
            "",
            "DD.MM",
            "DD.MM.YY",
            "DDMMYYYY",
            "DD.DD.YYYY",
            "dd.mm.yyyy",
            "%d.%m.%Y",
            "DD.MM.YYYY hh:mm",
            "YYYY-DD-MM",
            "YYYY-D-M",
        ] {
            assert!(odd.parse::<DayForm>().is_err(), "{odd}");
        }
    }

    #[test]
    fn a_day_is_read_as_its_form_says_and_in_no_other_way() {
        let read = |text: &str, by: &str| form(by).read(text).map(|day| day.to_string());
        assert_eq!(read("03.04.2026", "DD.MM.YYYY").as_deref(), Some("2026-04-03"));
        assert_eq!(read("3.4.2026", "DD.MM.YYYY").as_deref(), Some("2026-04-03"));
        assert_eq!(read("03/04/2026", "MM/DD/YYYY").as_deref(), Some("2026-03-04"));
        for odd in
            ["31.02.2026", "3.13.2026", "03.04.26", "03/04/2026", "03.04.2026 ", "03.04.20260", "003.4.2026", "..2026"]
        {
            assert_eq!(read(odd, "DD.MM.YYYY"), None, "{odd}");
        }
    }

    #[test]
    fn what_can_be_read_as_two_days_is_not_read_and_the_fix_names_both() {
        let said = |text: &str, by: Option<&str>| day(text, by.map(form).as_ref()).unwrap_err();
        assert_eq!(day("2026-11-20", None).unwrap().to_string(), "2026-11-20");
        let (message, fix) = said("03/04/2026", None);
        assert_eq!(message, "\"03/04/2026\" can be read as two days.");
        assert_eq!(fix, "Write 2026-04-03 (DD/MM/YYYY) or 2026-03-04 (MM/DD/YYYY), or name the form with --dates.");
        assert_eq!(said("20/11/2026", None).1, "Write 2026-11-20, or name the form: --dates DD/MM/YYYY.");
        assert_eq!(said("11/20/2026", Some("DD.MM.YYYY")).1, "Write it in that form, or as 2026-11-20.");
        assert_eq!(
            said("2026-11-20T10:14:00", None).1,
            "Add the offset, such as 2026-11-20T10:14:00Z, or write the day alone: 2026-11-20."
        );
        assert!(said("20 Nov", None).1.contains("2026-11-20T10:14:00Z"));
    }
}
