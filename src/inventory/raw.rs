//! One inventory file taken apart: everything in it with its place, nothing put together yet.

use std::sync::Arc;

use super::line::{Contact, Form, Line, LineKind, Reach};
use super::names::{SharedNames, exact, unfit_name};
use super::numbering::{Country, E164};
use super::spelling;
use crate::finding::{Code, Finding, Place, as_name, in_quotes, signs};
use crate::setting::{Name, Reference, Written};
use crate::yaml::{self, Data, Key, Node, Sheet};

/// What one file says.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RawFile {
    pub(super) fleet: Option<(Name, Place)>,
    pub(super) settings: Option<(Vec<RawSetting>, Place)>,
    pub(super) lifelines: Option<(Vec<RawLifeline>, Place)>,
    pub(super) test_days: Option<(u32, Place)>,
    pub(super) contacts: Vec<(Name, Contact)>,
    /// Contacts whose definition is wrong: a finding of their own, and no reason for more.
    pub(super) broken_contacts: Vec<Name>,
    /// Whether something in the file was wrong, so that what seems to be missing may only be misspelt.
    pub is_broken: bool,
    /// Whether nothing of the file could be read, so that whatever it defines is missing elsewhere.
    pub(super) is_unread: bool,
    /// Numbers in a spelling that only a line's country could make sense of.
    pub(super) spelt: Vec<SpeltNumber>,
    pub(super) profiles: Vec<(Name, Arc<RawProfile>)>,
    pub(super) sites: Vec<(Name, Arc<RawSite>)>,
    pub(super) stations: Vec<RawStation>,
}

impl RawFile {
    /// The names of the profiles that it defines.
    pub fn profile_names(&self) -> impl Iterator<Item = &Name> {
        self.profiles.iter().map(|(name, _)| name)
    }
}

/// A text that is not a public number, but may be one in the national form of some country.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpeltNumber {
    pub text: Name,
    pub place: Place,
    /// What its finding says.
    pub message: String,
}

/// One setting in one layer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawSetting {
    pub(super) name: Name,
    pub(super) name_place: Place,
    pub(super) wish: Wish,
    pub(super) place: Place,
    /// Where the name of the contact stands that it wants to call.
    pub(super) contact_place: Option<Place>,
}

impl RawSetting {
    /// The line, where it takes the setting out of management.
    pub(super) fn let_go(&self) -> Option<Place> {
        matches!(self.wish, Wish::Unmanaged).then(|| self.place.clone())
    }
}

/// What one layer says of a lifeline: that there is no such button, or that there is one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawLifeline {
    pub(super) name: Name,
    pub(super) name_place: Place,
    pub(super) is_there: bool,
    pub(super) place: Place,
}

/// What a layer wants of a setting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wish {
    /// To hold this.
    Value(Written),
    /// To call this contact.
    To(Name),
    /// The kind of the station's line.
    FromLine,
    /// To be left alone.
    Unmanaged,
}

/// Settings that stations share by name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawProfile {
    pub name: Name,
    pub place: Place,
    pub model: Option<(Name, Place)>,
    pub settings: Vec<RawSetting>,
    pub lifelines: Vec<RawLifeline>,
}

/// A place with stations.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawSite {
    pub name: Name,
    pub place: Place,
    pub line: Line,
    pub line_said: Vec<LineEntry>,
    pub settings: Vec<RawSetting>,
    pub lifelines: Vec<RawLifeline>,
    pub test_days: Option<u32>,
}

/// A station as its author wrote it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawStation {
    pub name: Name,
    pub place: Place,
    pub site: (Name, Place),
    pub number: Option<(E164, Place)>,
    /// What the same unit was called before.
    pub formerly: Vec<(Name, Place)>,
    pub location: Name,
    pub model: Option<(Name, Place)>,
    pub profiles: Vec<(Name, Place)>,
    /// What it says of its line; `None` where that is nothing.
    pub line: Option<Box<Line>>,
    pub line_said: Vec<LineEntry>,
    pub settings: Vec<RawSetting>,
    pub lifelines: Vec<RawLifeline>,
    pub test_days: Option<u32>,
    /// Whether part of it could not be read, so that what seems to be missing may only be misspelt.
    pub is_partial: bool,
}

/// One field of a line as its author wrote it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineEntry {
    /// The key in the file, such as `country`.
    pub field: Name,
    /// Its value as written.
    pub text: Name,
    /// The line of the file.
    pub place: Place,
}

impl RawFile {
    /// The secrets this file refers to.
    pub fn references(&self) -> impl Iterator<Item = &Reference> {
        self.references_at().map(|(reference, _)| reference)
    }

    /// The same, each with its place.
    pub fn references_at(&self) -> impl Iterator<Item = (&Reference, &Place)> {
        let layers =
            self.settings.iter().map(|(entries, _)| entries).chain(self.profiles.iter().map(|(_, p)| &p.settings));
        let layers =
            layers.chain(self.sites.iter().map(|(_, s)| &s.settings)).chain(self.stations.iter().map(|s| &s.settings));
        layers.flatten().filter_map(|entry| match &entry.wish {
            Wish::Value(Written::Secret(reference)) => Some((reference, &entry.place)),
            Wish::Value(_) | Wish::To(_) | Wish::FromLine | Wish::Unmanaged => None,
        })
    }
}

/// Takes one inventory file apart. What could be read comes back even beside findings.
pub fn read(file: &Arc<str>, bytes: &[u8]) -> (RawFile, Vec<Finding>) {
    let root = match yaml::read(file, bytes) {
        Ok(root) => root,
        Err(findings) => return (RawFile { is_broken: true, is_unread: true, ..RawFile::default() }, findings),
    };
    let text = String::from_utf8_lossy(bytes);
    let mut reader = Reader { sheet: Sheet::new(file, &text), spelt: Vec::new(), names: SharedNames::default() };
    let mut raw = reader.file(&root).unwrap_or_default();
    raw.spelt = reader.spelt;
    raw.is_broken = reader.sheet.findings.iter().any(Finding::is_error);
    (raw, reader.sheet.findings)
}

struct Reader<'t> {
    sheet: Sheet<'t>,
    spelt: Vec<SpeltNumber>,
    /// Names that stations have in common, so that each is once in memory.
    names: SharedNames,
}

impl Reader<'_> {
    fn file(&mut self, root: &Node) -> Option<RawFile> {
        let known =
            ["inventory", "fleet", "contacts", "settings", "lifelines", "profiles", "sites", "stations", "test_days"];
        let [version, fleet, contacts, settings, lifelines, profiles, sites, stations, test_days] =
            self.sheet.map(root, "An inventory file", known)?;
        self.sheet.version(version, root, "inventory");
        let mut raw = RawFile {
            fleet: fleet.and_then(|n| Some((self.sheet.text(n, "The fleet's name")?.into(), self.sheet.place(n.spot)))),
            settings: settings.map(|n| (self.entries(n), self.sheet.place(n.spot))),
            lifelines: lifelines.map(|n| (self.lifelines(n), self.sheet.place(n.spot))),
            test_days: test_days.and_then(|n| Some((self.days(n)?, self.sheet.place(n.spot)))),
            ..RawFile::default()
        };
        for (key, node) in self.named(contacts, "contact") {
            match self.contact(key, node) {
                Some(contact) => raw.contacts.push(contact),
                None => raw.broken_contacts.push((&*key.text).into()),
            }
        }
        for (key, node) in self.named(profiles, "profile") {
            raw.profiles.extend(self.profile(key, node).map(|profile| (profile.name.clone(), Arc::new(profile))));
        }
        for (key, node) in self.named(sites, "site") {
            self.site(key, node, &mut raw);
        }
        for (key, node) in self.named(stations, "station") {
            raw.stations.extend(self.station(key, node, None));
        }
        raw.stations.shrink_to_fit();
        Some(raw)
    }

    /// Things by name; `what` is one of them.
    fn named<'n>(&mut self, node: Option<&'n Node>, what: &str) -> Vec<&'n (Key, Node)> {
        let entries = node.and_then(|n| self.sheet.entries(n, &format!("\"{what}s\""))).unwrap_or(&[]);
        self.names(what, entries);
        let mut owner: Option<&str> = None;
        let mut own = Vec::new();
        let is_line = |node: &Node| ["kind", "country", "outside"].iter().any(|field| node.get(field).is_some());
        for entry @ (key, node) in entries {
            let is_own = match &*key.text {
                "settings" | "lifelines" => false,
                "line" => !is_line(node),
                _ => true,
            };
            if is_own {
                own.push(entry);
                owner = Some(&key.text);
                continue;
            }
            let message = format!("\"{}\" is one level too high: here it is the name of a {what}.", key.text);
            let fix = match owner {
                Some(owner) => format!("Put it under {}, two spaces further in.", as_name(owner)),
                None => format!("Put it under the {what} that it belongs to, two spaces further in."),
            };
            self.sheet.note(Code::KeyUnknown, key.spot, message, fix);
        }
        own
    }

    fn days(&mut self, node: &Node) -> Option<u32> {
        self.sheet.number(node, "\"test_days\"", 1..=36_500)
    }

    fn entries(&mut self, node: &Node) -> Vec<RawSetting> {
        let Some(all) = self.sheet.entries(node, "\"settings\"") else { return Vec::new() };
        exact(all.iter().filter_map(|(key, node)| self.entry(key, node)))
    }

    fn entry(&mut self, key: &Key, node: &Node) -> Option<RawSetting> {
        let wish = self.wish(&key.text, node)?;
        let (name_place, place) = (self.sheet.place(key.spot), self.sheet.place(node.spot));
        let place = if matches!(node.data, Data::Scalar { .. }) { place } else { Place { length: 1, ..place } };
        let contact_place = node.get("to").map(|to| self.sheet.place(to.spot));
        Some(RawSetting { name: self.names.shared(&key.text), name_place, wish, place, contact_place })
    }

    /// `lifelines`: each `none`, or `null` where there is one after all.
    fn lifelines(&mut self, node: &Node) -> Vec<RawLifeline> {
        let Some(all) = self.sheet.entries(node, "\"lifelines\"") else { return Vec::new() };
        all.iter().filter_map(|(key, node)| self.lifeline(key, node)).collect()
    }

    fn lifeline(&mut self, key: &Key, node: &Node) -> Option<RawLifeline> {
        let what = format!("\"{}\"", key.text);
        let is_there = match &node.data {
            Data::Scalar { .. } if node.is_null() => self.sheet.is_meant(node, &what).then_some(true)?,
            Data::Scalar { text, .. } if &**text == "none" => false,
            Data::Scalar { .. } | Data::List(_) | Data::Map(_) => {
                let fix = "Write \"none\" where there is no such button, or \"null\" where there is one after all.";
                self.sheet.note(
                    Code::WrongShape,
                    node.spot,
                    format!("{what} should be \"none\" or \"null\" here."),
                    fix,
                );
                return None;
            }
        };
        let (name_place, place) = (self.sheet.place(key.spot), self.sheet.place(node.spot));
        Some(RawLifeline { name: (&*key.text).into(), name_place, is_there, place })
    }

    fn wish(&mut self, name: &str, node: &Node) -> Option<Wish> {
        if node.is_null() {
            return self.sheet.is_meant(node, &format!("\"{name}\"")).then_some(Wish::Unmanaged);
        }
        if let (Some(_), _) | (_, Some(_)) = (node.get("to"), node.get("from")) {
            let [to, from] = self.sheet.map(node, &format!("\"{name}\""), ["to", "from"])?;
            return match (to, from) {
                (Some(to), None) => {
                    let name = self.sheet.text(to, "The contact's name")?;
                    Some(Wish::To(self.names.shared(name)))
                }
                (None, Some(from)) => self.sheet.word(from, "\"from\"", &[("line", ())]).map(|()| Wish::FromLine),
                (Some(_), Some(_)) | (None, None) => {
                    let fix = "Keep \"to\" or \"from\", not both.";
                    self.sheet.note(Code::WrongShape, node.spot, format!("\"{name}\" says two things."), fix);
                    None
                }
            };
        }
        self.sheet.written(node, &format!("\"{name}\"")).map(Wish::Value)
    }

    fn contact(&mut self, key: &Key, node: &Node) -> Option<(Name, Contact)> {
        let what = format!("The contact \"{}\"", key.text);
        let known = ["calls", "extension", "short", "dial", "title"];
        let [calls, extension, short, dial, title] = self.sheet.map(node, &what, known)?;
        let title = title.and_then(|node| self.title(node));
        let given = [calls, extension, short, dial].into_iter().flatten().count();
        if given != 1 {
            let message =
                format!("{what} says {} how it is reached.", if given == 0 { "nothing about" } else { "several ways" });
            let fix = "Give exactly one of \"calls\", \"extension\", \"short\", \"dial\".";
            self.sheet.note(Code::WrongShape, key.spot, message, fix);
            return None;
        }
        let reach = if let Some(calls) = calls {
            Reach::Calls(self.number(calls, "The number")?)
        } else if let Some(extension) = extension {
            Reach::Extension(self.digits(extension, "The extension", "0123456789*#ABCD")?)
        } else if let Some(short) = short {
            Reach::Short(self.digits(short, "The short code", "0123456789*#")?)
        } else {
            Reach::Dial(self.digits(dial?, "The dial string", "0123456789*#ABCD,")?)
        };
        Some(((&*key.text).into(), Contact { reach, title, place: self.sheet.place(key.spot) }))
    }

    /// What people call a contact.
    fn title(&mut self, node: &Node) -> Option<Name> {
        let text = self.sheet.text(node, "The title")?;
        if text.trim().is_empty() {
            let fix = "Write what people call it, or remove the line.";
            self.sheet.note(Code::WrongShape, node.spot, "The title is empty.", fix);
            return None;
        }
        Some(text.into())
    }

    /// A public number; spellings that people use get the exact fix.
    fn number(&mut self, node: &Node, what: &str) -> Option<E164> {
        let text = match &node.data {
            // What no quotes would make right: the whole fleet tells which characters are lost.
            Data::Scalar { text, plain: true } if spelling::has_lost_its_head(text) => text,
            Data::Scalar { .. } | Data::List(_) | Data::Map(_) => self.sheet.quoted(node, what)?,
        };
        match text.parse::<E164>() {
            Ok(number) => {
                if let Some((meant, prefix)) = number.without_trunk() {
                    let message =
                        format!("{what} {number} keeps the prefix {prefix}, which is dialled inside its country only.");
                    let exact = in_quotes(&meant.to_string());
                    self.sheet.note_exact(Code::TrunkKept, node.spot, message, format!("Write {exact}."), Some(exact));
                } else if !number.is_possible() {
                    let message = format!("{what} {number} is of a length that its country does not use.");
                    let fix = "Compare it with the list it comes from: a digit may be lost or doubled.";
                    self.sheet.note(Code::NumberImpossible, node.spot, message, fix);
                } else if !number.is_valid() {
                    let message = format!("{what} {number} is in no range that its country has assigned.");
                    let fix = "Compare it with the list it comes from: a digit may be wrong.";
                    self.sheet.note(Code::NumberUnknown, node.spot, message, fix);
                }
                Some(number)
            }
            Err(error) => {
                let (fix, exact) = spelling::fix(text);
                let message = match spelling::has_lost_its_head(text) {
                    true => format!("{what} \"{text}\" has lost its + or 0, as in a spreadsheet."),
                    false => format!("{what} \"{text}\" is not a public number: {error}."),
                };
                let place = self.sheet.place(node.spot);
                self.spelt.push(SpeltNumber { text: text.into(), place, message: message.clone() });
                self.sheet.note_exact(Code::NotE164, node.spot, message, fix, exact);
                None
            }
        }
    }

    fn digits(&mut self, node: &Node, what: &str, allowed: &str) -> Option<Name> {
        let text = self.sheet.quoted(node, what)?;
        let odd = text.chars().find(|c| !allowed.contains(*c));
        if text.is_empty() || odd.is_some() {
            let why = odd.map_or("is empty".to_owned(), |c| format!("holds {}", signs::named(c)));
            let exact = spelling::keyed(text, allowed).map(|keyed| in_quotes(&keyed));
            let (fix, exact) = match (spelling::public_by_mistake(text), exact) {
                (Some(number), _) => (format!("That is a public number. Write calls: \"{number}\"."), None),
                (None, Some(exact)) => (format!("Write {exact}."), Some(exact)),
                (None, None) => (format!("Use {} only.", spelling::symbols(allowed)), None),
            };
            self.sheet.note_exact(Code::ValueOutside, node.spot, format!("{what} {why}."), fix, exact);
            return None;
        }
        Some(text.into())
    }

    /// Names go into reports, messages and other systems: one that is empty, long or does not show whole is wrong. One that is
    /// not what it looks like will not be found by whoever types it.
    fn names(&mut self, what: &str, entries: &[(Key, Node)]) {
        for (key, _) in entries {
            if let Some((why, fix)) = unfit_name(&key.text) {
                self.sheet.note(Code::NameUnfit, key.spot, format!("The name of this {what} {why}."), fix);
                continue;
            }
            let is_latin = key.text.chars().any(|sign| sign.is_ascii_alphabetic());
            let Some(odd) = signs::deceptive(&key.text).filter(|odd| is_latin || !odd.is_alphabetic()) else {
                continue;
            };
            let straight = signs::straight(&key.text);
            let message = format!("The name of this {what} holds {}.", signs::named(odd));
            let fix = format!("If it should be \"{straight}\", type it again, here and wherever it is used.");
            self.sheet.note(Code::LookAlike, key.spot, message, fix);
        }
    }

    fn profile(&mut self, key: &Key, node: &Node) -> Option<RawProfile> {
        let what = format!("The profile \"{}\"", key.text);
        let [model, settings, lifelines] = self.sheet.map(node, &what, ["model", "settings", "lifelines"])?;
        Some(RawProfile {
            name: (&*key.text).into(),
            place: self.sheet.place(key.spot),
            model: model.and_then(|n| self.mention(n, "The model's name")),
            settings: settings.map(|n| self.entries(n)).unwrap_or_default(),
            lifelines: lifelines.map(|n| self.lifelines(n)).unwrap_or_default(),
        })
    }

    fn mention(&mut self, node: &Node, what: &str) -> Option<(Name, Place)> {
        let name = self.sheet.text(node, what)?;
        Some((self.names.shared(name), self.sheet.place(node.spot)))
    }

    fn site(&mut self, key: &Key, node: &Node, raw: &mut RawFile) {
        let what = format!("The site \"{}\"", key.text);
        let known = ["line", "settings", "lifelines", "stations", "test_days"];
        let Some([line, settings, lifelines, stations, test_days]) = self.sheet.map(node, &what, known) else {
            return;
        };
        let site: Name = (&*key.text).into();
        let place = self.sheet.place(key.spot);
        let read = RawSite {
            name: site.clone(),
            place: place.clone(),
            line: line.map(|n| self.line(n)).unwrap_or_default(),
            line_said: self.line_said(line),
            settings: settings.map(|n| self.entries(n)).unwrap_or_default(),
            lifelines: lifelines.map(|n| self.lifelines(n)).unwrap_or_default(),
            test_days: test_days.and_then(|n| self.days(n)),
        };
        raw.sites.push((site.clone(), Arc::new(read)));
        for (key, node) in self.named(stations, "station") {
            raw.stations.extend(self.station(key, node, Some((site.clone(), place.clone()))));
        }
    }

    fn station(&mut self, key: &Key, node: &Node, within: Option<(Name, Place)>) -> Option<RawStation> {
        let what = format!("The station \"{}\"", key.text);
        let known = ["number", "where", "model", "profiles", "line", "settings", "lifelines", "test_days", "formerly"];
        let before = self.sheet.findings.len();
        let (fields, site) = match within {
            Some(site) => (self.sheet.map(node, &what, known)?, Some(site)),
            None => {
                let [n, w, m, p, l, s, b, t, f] = known;
                let [n, w, m, p, l, s, b, t, f, site] =
                    self.sheet.map(node, &what, [n, w, m, p, l, s, b, t, f, "site"])?;
                let site = self.sheet.required(site, node, &what, "site");
                ([n, w, m, p, l, s, b, t, f], site.and_then(|n| self.mention(n, "The site's name")))
            }
        };
        let [number, location, model, profiles, line, settings, lifelines, test_days, formerly] = fields;
        let number = self.sheet.required(number, node, &what, "number");
        let number = number.and_then(|n| Some((self.number(n, "The number")?, self.sheet.place(n.spot))));
        let profiles = profiles.and_then(|n| self.sheet.list(n, "\"profiles\"")).unwrap_or(&[]);
        Some(RawStation {
            name: (&*key.text).into(),
            place: self.sheet.place(key.spot),
            number,
            formerly: formerly.map(|n| self.formerly(n)).unwrap_or_default(),
            location: location.and_then(|n| self.sheet.text(n, "\"where\"")).unwrap_or("").into(),
            model: model.and_then(|n| self.mention(n, "The model's name")),
            profiles: exact(profiles.iter().filter_map(|n| self.mention(n, "A profile's name"))),
            line: line.map(|n| Box::new(self.line(n))),
            line_said: self.line_said(line),
            settings: settings.map(|n| self.entries(n)).unwrap_or_default(),
            lifelines: lifelines.map(|n| self.lifelines(n)).unwrap_or_default(),
            test_days: test_days.and_then(|n| self.days(n)),
            site: site?,
            is_partial: self.sheet.findings.len() > before,
        })
    }

    /// One name, or a list of them.
    fn formerly(&mut self, node: &Node) -> Vec<(Name, Place)> {
        let names = match &node.data {
            Data::List(names) => names.as_slice(),
            Data::Scalar { .. } | Data::Map(_) => std::slice::from_ref(node),
        };
        let mut formerly: Vec<(Name, Place)> = Vec::new();
        for node in names {
            let Some((name, place)) = self.mention(node, "A former name") else { continue };
            let problem = if name.trim().is_empty() {
                Some("A former name is empty.".to_owned())
            } else {
                let is_second = formerly.iter().any(|(known, _)| *known == name);
                is_second.then(|| format!("\"formerly\" names {name} twice."))
            };
            match problem {
                Some(message) => self.sheet.note(Code::FormerName, node.spot, message, "Remove it."),
                None => formerly.push((name, place)),
            }
        }
        formerly
    }

    fn line(&mut self, node: &Node) -> Line {
        let before = self.sheet.findings.len();
        let line = self.line_of(node);
        Line { is_partial: line.is_partial || self.sheet.findings.len() > before, ..line }
    }

    fn line_of(&mut self, node: &Node) -> Line {
        let known = ["kind", "outside", "country", "form", "international", "trunk", "short_direct", "placeholder"];
        let Some([kind, outside, country, form, international, trunk, short_direct, placeholder]) =
            self.sheet.map(node, "A line", known)
        else {
            return Line { is_partial: true, ..Line::default() };
        };
        let forms = [("national", Form::National), ("international", Form::International)];
        Line {
            kind: kind.and_then(|n| self.sheet.word(n, "The kind of a line", &LineKind::WORDS)),
            outside: outside.and_then(|n| self.outside(n)),
            country: country.and_then(|n| self.country(n)),
            form: form.and_then(|n| self.sheet.word(n, "The form", &forms)),
            international: international.and_then(|n| self.digits(n, "The international prefix", "0123456789*#,")),
            trunk: trunk.and_then(|n| self.trunk(n)),
            short_direct: short_direct.and_then(|n| self.sheet.truth(n, "\"short_direct\"")),
            placeholder: placeholder.and_then(|n| self.digits(n, "The placeholder", "0123456789*#ABCD,")),
            is_partial: false,
        }
    }

    /// What is dialled for an outside line: empty where nothing is.
    fn outside(&mut self, node: &Node) -> Option<Name> {
        let what = "The outside prefix";
        if self.sheet.quoted(node, what)?.is_empty() {
            return Some("".into());
        }
        self.digits(node, what, "0123456789*#ABCD,")
    }

    /// The fields of a line with their places.
    fn line_said(&self, node: Option<&Node>) -> Vec<LineEntry> {
        let Some(Node { data: Data::Map(fields), .. }) = node else { return Vec::new() };
        let said = fields.iter().filter_map(|(key, value)| match &value.data {
            Data::Scalar { text, .. } => Some(LineEntry {
                field: (&*key.text).into(),
                text: (&**text).into(),
                place: self.sheet.place(value.spot),
            }),
            Data::List(_) | Data::Map(_) => None,
        });
        said.collect()
    }

    fn trunk(&mut self, node: &Node) -> Option<Name> {
        let text = self.sheet.quoted(node, "The trunk prefix")?;
        if text != "1" {
            let fix = "Write \"1\", or leave it out: it is for lines that dial 1 before ten digits.";
            self.sheet.note(Code::ValueOutside, node.spot, format!("The trunk prefix cannot be \"{text}\"."), fix);
            return None;
        }
        Some(text.into())
    }

    fn country(&mut self, node: &Node) -> Option<Country> {
        let id = self.sheet.text(node, "The country")?;
        let country = Country::find(id);
        if country.is_none() {
            let upper = signs::straight(id).trim().to_uppercase();
            let near = Country::find(if upper == "UK" { "GB" } else { &upper }).map(|near| near.id.to_string());
            let fix = match &near {
                Some(near) => format!("Write {near}."),
                None => "Write its two-letter code (ISO 3166), such as GB or US.".into(),
            };
            let message = format!("No numbering plan is known for \"{id}\".");
            self.sheet.note_exact(Code::NameUnknown, node.spot, message, fix, near);
        }
        country
    }
}
