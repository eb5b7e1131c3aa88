//! A station's line, and what is dialled on it to reach someone.

use std::fmt;

use super::numbering::{Country, E164};
use crate::finding::Place;
use crate::setting::{Name, spoken};

/// How a line is fed; the names are those of the choices that `{from: line}` picks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LineKind {
    /// An exchange line of its own.
    Direct,
    /// An extension of a private exchange.
    Pbx,
    /// Rings one fixed place as soon as it goes off-hook, whatever is dialled.
    RingDown,
}

impl LineKind {
    /// The words of an inventory.
    pub const WORDS: [(&str, LineKind); 3] =
        [("direct", LineKind::Direct), ("pbx", LineKind::Pbx), ("ringdown", LineKind::RingDown)];

    /// The word of an inventory.
    pub fn as_str(self) -> &'static str {
        match self {
            LineKind::Direct => "direct",
            LineKind::Pbx => "pbx",
            LineKind::RingDown => "ringdown",
        }
    }
}

/// Whether a number of the line's own country is dialled in national or in international form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Form {
    /// With the country's trunk prefix, without its code.
    National,
    /// With an international prefix and the country's code.
    International,
}

/// Everything about a line that decides what is dialled.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Line {
    /// Decides what a setting of kind line type is to hold, and what is dialled first.
    pub kind: Option<LineKind>,
    /// Dialled to get from a private exchange to a public line; empty where nothing is.
    pub outside: Option<Name>,
    /// Where the line is; says how numbers at home are dialled.
    pub country: Option<Country>,
    /// For numbers of the line's own country; `None`: national.
    pub form: Option<Form>,
    /// The international prefix.
    pub international: Option<Name>,
    /// `1` where ten-digit numbers are dialled with it.
    pub trunk: Option<Name>,
    /// Whether the private exchange takes emergency codes without prefix.
    pub short_direct: Option<bool>,
    /// What a station on a ring-down line is told to dial.
    pub placeholder: Option<Name>,
    /// Whether part of it could not be read, so that what seems to be missing may only be misspelt.
    pub is_partial: bool,
}

impl Line {
    /// This line with the fields that `over` gives instead.
    pub fn overridden(&self, over: &Line) -> Line {
        let Line { kind, outside, country, form, international, trunk, short_direct, placeholder, is_partial } =
            over.clone();
        Line {
            kind: kind.or(self.kind),
            outside: outside.or_else(|| self.outside.clone()),
            country: country.or_else(|| self.country.clone()),
            form: form.or(self.form),
            international: international.or_else(|| self.international.clone()),
            trunk: trunk.or_else(|| self.trunk.clone()),
            short_direct: short_direct.or(self.short_direct),
            placeholder: placeholder.or_else(|| self.placeholder.clone()),
            is_partial: is_partial || self.is_partial,
        }
    }

    /// Where a number of the line's own country is dialled otherwise than the metadata writes it inside the country: what is
    /// dialled, without the outside prefix, and the metadata's own form. A trunk prefix that the line names is meant.
    pub fn national_otherwise(&self, number: &E164) -> Option<(String, String)> {
        let country = self.country.as_ref()?;
        number.significant(country)?;
        if self.form == Some(Form::International) || self.trunk.is_some() {
            return None;
        }
        let dialled: String = public(number, country, self).iter().map(|part| &*part.text).collect();
        let written = number.national_form()?;
        (dialled != written).then_some((dialled, written))
    }

    /// Where a number is dialled behind an international prefix that the line does not name and the metadata does not
    /// know: the prefix used, the country, and the one that the metadata prefers.
    pub fn abroad_otherwise(&self, number: &E164) -> Option<(&str, &Name, Option<String>)> {
        let country = self.country.as_ref().filter(|_| self.international.is_none())?;
        let at_home = number.significant(country).is_some() && self.form != Some(Form::International);
        let used = self.international();
        let known = at_home || country.dials_abroad_by(used);
        (!known).then(|| (used, &country.id, country.way_abroad()))
    }

    /// Whether it is not known what a private exchange takes before a public number.
    fn lacks_outside(&self) -> bool {
        self.kind == Some(LineKind::Pbx) && self.outside.is_none()
    }

    pub(super) fn outside(&self) -> &str {
        match self.kind {
            Some(LineKind::Pbx) => self.outside.as_deref().unwrap_or(""),
            Some(LineKind::Direct | LineKind::RingDown) | None => "",
        }
    }

    fn international(&self) -> &str {
        let north_american = self.country.as_ref().is_some_and(Country::is_north_american);
        self.international.as_deref().unwrap_or(if north_american { "011" } else { "00" })
    }
}

/// How a contact is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reach {
    /// A public number.
    Calls(E164),
    /// A number inside the site's exchange, dialled as it is.
    Extension(Name),
    /// A public emergency short code.
    Short(Name),
    /// A dial string, taken literally.
    Dial(Name),
}

impl fmt::Display for Reach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reach::Calls(number) => write!(f, "{number}"),
            Reach::Extension(digits) => write!(f, "extension {digits}"),
            Reach::Short(digits) => write!(f, "short code {digits}"),
            Reach::Dial(digits) => write!(f, "dial string {digits}"),
        }
    }
}

/// Someone a button calls.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contact {
    /// How it is reached.
    pub reach: Reach,
    /// What people call it, where the inventory says so; see [`Contact::title`].
    pub title: Option<Name>,
    /// The line of the file that defines it.
    pub place: Place,
}

impl Contact {
    /// What people call it: its title, or `name`, which is its own, with dots and hyphens as spaces.
    pub fn title(&self, name: &str) -> String {
        spoken(name, self.title.as_ref())
    }
}

/// What a line lacks before a contact can be dialled on it.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Lacks {
    #[error("the line has no \"kind\"")]
    Kind,
    #[error("the line has no \"country\"")]
    Country,
    #[error("the line has no \"outside\"")]
    Outside,
}

/// A piece of a dial string, and what it is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// In the notation of ITU-T V.250.
    pub text: Name,
    /// For people: "the trunk prefix".
    pub what: String,
}

impl Part {
    fn new(text: impl Into<Name>, what: impl Into<String>) -> Part {
        Part { text: text.into(), what: what.into() }
    }
}

/// What is dialled on `line` to reach a contact, in the notation of ITU-T V.250.
///
/// # Errors
/// What the line would have to say first.
pub fn dial(reach: &Reach, line: &Line) -> Result<Name, Lacks> {
    Ok(parts(reach, line)?.iter().map(|part| &*part.text).collect::<String>().into())
}

/// The same piece by piece; none of them is empty.
///
/// # Errors
/// What the line would have to say first.
pub fn parts(reach: &Reach, line: &Line) -> Result<Vec<Part>, Lacks> {
    let kind = line.kind.ok_or(Lacks::Kind)?;
    if kind == LineKind::RingDown {
        let placeholder = line.placeholder.clone().unwrap_or_else(|| "000".into());
        return Ok(vec![Part::new(
            placeholder,
            "a placeholder, since a ring-down line rings one place whatever is dialled",
        )]);
    }
    let outside = Part::new(line.outside(), "to get an outside line");
    let parts = match reach {
        Reach::Extension(digits) => vec![Part::new(digits.clone(), "the extension, as it is")],
        Reach::Dial(digits) => vec![Part::new(digits.clone(), "the contact's dial string, as it is")],
        Reach::Short(digits) if line.short_direct == Some(true) => {
            vec![Part::new(digits.clone(), "the short code, which the exchange takes directly")]
        }
        Reach::Short(_) if line.lacks_outside() => return Err(Lacks::Outside),
        Reach::Short(digits) => vec![outside, Part::new(digits.clone(), "the short code")],
        Reach::Calls(number) => {
            let country = line.country.as_ref().ok_or(Lacks::Country)?;
            if line.lacks_outside() {
                return Err(Lacks::Outside);
            }
            [outside].into_iter().chain(public(number, country, line)).collect()
        }
    };
    Ok(parts.into_iter().filter(|part| !part.text.is_empty()).collect())
}

/// A public number as dialled from a public line.
fn public(number: &E164, country: &Country, line: &Line) -> [Part; 2] {
    match (number.significant(country), line.form) {
        (Some(significant), Some(Form::National) | None) if country.is_north_american() => {
            let trunk = line.trunk.as_deref().unwrap_or("");
            [Part::new(trunk, "the trunk prefix"), Part::new(significant, "the ten digits of the number")]
        }
        (Some(significant), Some(Form::National) | None) => {
            let prefix = format!("the national prefix of {}", country.id);
            [Part::new(&*country.national_prefix, prefix), Part::new(significant, "the national number")]
        }
        (Some(_), Some(Form::International)) | (None, _) => [
            Part::new(line.international(), "the international prefix"),
            Part::new(number.digits(), "the number with its calling code"),
        ],
    }
}

/// The public numbers that a dial string may lead to on a line; used to find a station that calls a station.
pub fn leads_to(dialled: &str, line: &Line) -> Vec<E164> {
    let Some(country) = &line.country else { return Vec::new() };
    let digits = |text: &str| text.chars().filter(|c| *c != ',').collect::<String>();
    let dialled = digits(dialled);
    let dialled = match line.kind {
        Some(LineKind::Pbx) => match dialled.strip_prefix(&digits(line.outside())) {
            Some(rest) => rest,
            None => return Vec::new(),
        },
        Some(LineKind::Direct) => &dialled,
        Some(LineKind::RingDown) | None => return Vec::new(),
    };
    let national = |rest: &str| format!("+{}{rest}", country.calling_code);
    let mut readings = vec![national(dialled)];
    readings.extend(dialled.strip_prefix(line.international()).map(|rest| format!("+{rest}")));
    let prefix = &*country.national_prefix;
    readings.extend(dialled.strip_prefix(prefix).filter(|_| !prefix.is_empty()).map(national));
    readings.iter().filter_map(|text| text.parse().ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(kind: LineKind, country: &str) -> Line {
        Line { kind: Some(kind), country: Country::find(country), outside: Some("9,".into()), ..Line::default() }
    }

    fn calls(number: &str) -> Reach {
        Reach::Calls(number.parse().unwrap())
    }

    #[test]
    fn a_public_number_takes_the_form_of_its_line() {
        let gb = line(LineKind::Direct, "GB");
        let us = line(LineKind::Direct, "US");
        let jm = line(LineKind::Direct, "JM");
        let trunk = Line { trunk: Some("1".into()), ..us.clone() };
        let abroad = Line { form: Some(Form::International), ..gb.clone() };
        for (line, number, dialled) in [
            (&gb, "+441632960101", "01632960101"),
            (&gb, "+12025550142", "0012025550142"),
            (&abroad, "+441632960101", "00441632960101"),
            (&us, "+12025550142", "2025550142"),
            (&jm, "+12025550142", "2025550142"),
            (&trunk, "+12025550142", "12025550142"),
            (&us, "+441632960101", "011441632960101"),
            (&line(LineKind::Pbx, "GB"), "+441632960101", "9,01632960101"),
        ] {
            assert_eq!(&*dial(&calls(number), line).unwrap(), dialled);
        }
    }

    #[test]
    fn the_other_contacts_are_dialled_as_the_exchange_expects() {
        let pbx = line(LineKind::Pbx, "GB");
        let direct_short = Line { short_direct: Some(true), ..pbx.clone() };
        assert_eq!(&*dial(&Reach::Extension("4410".into()), &pbx).unwrap(), "4410");
        assert_eq!(&*dial(&Reach::Short("999".into()), &pbx).unwrap(), "9,999");
        assert_eq!(&*dial(&Reach::Short("999".into()), &direct_short).unwrap(), "999");
        assert_eq!(&*dial(&Reach::Dial("9,5550".into()), &pbx).unwrap(), "9,5550");
    }

    #[test]
    fn on_a_ring_down_line_every_contact_becomes_the_placeholder() {
        let ringdown = line(LineKind::RingDown, "GB");
        for reach in [calls("+441632960101"), Reach::Dial("9,5550".into()), Reach::Short("999".into())] {
            assert_eq!(&*dial(&reach, &ringdown).unwrap(), "000");
        }
        let other = Line { placeholder: Some("1".into()), ..ringdown };
        assert_eq!(&*dial(&calls("+441632960101"), &other).unwrap(), "1");
    }

    #[test]
    fn a_dial_string_is_traced_back_to_the_number_it_reaches() {
        let pbx = line(LineKind::Pbx, "GB");
        let number: E164 = "+441632960121".parse().unwrap();
        for dialled in ["9,01632960121", "901632960121", "9,00441632960121"] {
            assert!(leads_to(dialled, &pbx).contains(&number), "{dialled}");
        }
        assert!(!leads_to("01632960121", &pbx).contains(&number), "without the outside prefix it stays inside");
    }

    #[test]
    fn a_prefix_that_the_country_does_not_use_is_seen() {
        let number: E164 = "+441632960101".parse().unwrap();
        for (country, other) in [("AU", Some("0011")), ("RU", None), ("JP", None)] {
            let line = line(LineKind::Direct, country);
            let (used, id, way) = line.abroad_otherwise(&number).unwrap();
            assert_eq!((used, &**id, way.as_deref()), ("00", country, other));
            let told = Line { international: Some("0011".into()), ..line };
            assert_eq!(told.abroad_otherwise(&number), None);
        }
        for country in ["GB", "FR", "US", "JM", "IE"] {
            assert_eq!(line(LineKind::Direct, country).abroad_otherwise(&number), None, "{country}");
        }
    }

    #[test]
    fn a_line_that_does_not_say_enough_is_told_apart() {
        assert_eq!(dial(&calls("+441632960101"), &Line::default()), Err(Lacks::Kind));
        let bare = Line { kind: Some(LineKind::Direct), ..Line::default() };
        assert_eq!(dial(&calls("+441632960101"), &bare), Err(Lacks::Country));
        let pbx = Line { outside: None, ..line(LineKind::Pbx, "GB") };
        let direct_short = Line { short_direct: Some(true), ..pbx.clone() };
        assert_eq!(dial(&calls("+441632960101"), &pbx), Err(Lacks::Outside));
        assert_eq!(dial(&Reach::Short("999".into()), &pbx), Err(Lacks::Outside));
        assert_eq!(dial(&Reach::Short("999".into()), &direct_short).as_deref(), Ok("999"));
        assert_eq!(dial(&Reach::Extension("4410".into()), &pbx).as_deref(), Ok("4410"));
        let none_needed = Line { outside: Some("".into()), ..pbx };
        assert_eq!(dial(&calls("+441632960101"), &none_needed).as_deref(), Ok("01632960101"));
    }
}
