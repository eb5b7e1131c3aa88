//! The closed list of what can be wrong in a file, each with a name that stays and a longer explanation.

use std::fmt;
use std::str::FromStr;

/// An error keeps a file from being used; a warning is only told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// The file is not used.
    Error,
    /// The file is used.
    Warning,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Severity::Error => "error",
            Severity::Warning => "warning",
        })
    }
}

macro_rules! codes {
    ($($name:ident, $text:literal, $severity:ident, $explanation:literal;)*) => {
        /// The stable name of a kind of finding.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Code { $(#[doc = $text] $name),* }

        impl Code {
            /// Every code there is, in the order of the list.
            pub const ALL: &'static [Code] = &[$(Code::$name),*];

            /// The name as printed and as `explain` takes it.
            pub fn as_str(self) -> &'static str {
                match self { $(Code::$name => $text),* }
            }

            /// Whether it keeps the files from being used.
            pub fn severity(self) -> Severity {
                match self { $(Code::$name => Severity::$severity),* }
            }

            /// What is behind it and how to live with it, in a few messages.
            pub fn explanation(self) -> &'static str {
                match self { $(Code::$name => $explanation),* }
            }
        }
    };
}

codes! {
    FileUnreadable, "file-unreadable", Error, "The file or folder could not be read at all. Nothing is taken from a folder that cannot be read whole, so that half an inventory never counts as an inventory.";
    FileTooLarge, "file-too-large", Error, "A file is read whole, so its size is bounded (32 MiB, four million entries). Split a large inventory by site: all files under the folder are read as one.";
    FindingsMany, "findings-many", Error, "So much is wrong with one file that telling all of it would help nobody: a thousand findings a file are told. Fix those, then check again.";
    NotText, "not-text", Error, "Files are UTF-8 text without NUL characters. Save the file as UTF-8 in the editor.";
    YamlSyntax, "yaml-syntax", Error, "The file is not well-formed YAML from this place on. Common causes: a tab used for indentation, a value that begins with * & ! % @ or ` and is not quoted, a colon inside an unquoted value.";
    YamlTooDeep, "yaml-too-deep", Error, "No file of ours nests deeper than a handful of levels; 32 is the limit.";
    YamlExtra, "yaml-extra", Error, "Tags, anchors, aliases and merge keys make a value mean something other than what stands in its line. Every value is written where it applies; use profiles to share settings.";
    YamlDocuments, "yaml-documents", Error, "One document a file: whatever stands after a second `---` would be easy to overlook. Put it into a file of its own.";
    KeyRepeated, "key-repeated", Error, "The same key stands twice in one mapping. YAML readers differ in which one they take, so neither is taken.";
    KeyUnknown, "key-unknown", Error, "A key that means nothing here is rejected, because a misspelt key would otherwise silently do nothing.";
    KeyMissing, "key-missing", Error, "A part that cannot be guessed is missing.";
    WrongShape, "wrong-shape", Error, "A value of another shape is expected here: a mapping, a list or a single value.";
    Unquoted, "unquoted", Error, "Numbers, codes and identities are text. Unquoted, YAML readers turn 0121 into 81 or 121, lose the + of +44, and take # for a comment. Put them in double quotes.";
    Version, "version", Error, "The first key says the kind of the file and its format version, so that a later format is never misread.";
    ValueOutside, "value-outside", Error, "The value cannot be held by that setting of that station model. The keybook lists what each setting takes.";
    NameRepeated, "name-repeated", Error, "A name is given to one thing only. With two definitions nobody can say which one reaches the station.";
    NameUnknown, "name-unknown", Error, "The name is used here but defined nowhere.";
    NameUnfit, "name-unfit", Error, "Names of stations, sites, contacts and profiles stand in reports, messages, addresses and other people's systems: 1 to 64 characters, none of which moves or hides text.";
    LookAlike, "look-alike", Warning, "The name holds a sign that looks like another one, or like nothing at all: a letter of another alphabet, a digit of another script, a space that is none. It is taken as it is written, so whoever types the name as it looks will not find it.";
    SecretLiteral, "secret-literal", Error, "Access codes never stand in the inventory, which many people read. Write a reference: {secret: \"file:PATH\"} or {secret: \"env:NAME\"}.";
    SecretUnfit, "secret-unfit", Error, "What the reference leads to is no code that this setting can hold.";
    SecretUnread, "secret-unread", Warning, "The code cannot be read on this machine. Scripts made here will show a placeholder that the technician fills in.";
    NotE164, "not-e164", Error, "A `calls` number is in international form: a plus sign, the country's calling code and the number, up to 15 digits, no spaces (ITU-T E.164).";
    NumberImpossible, "number-impossible", Warning, "The public numbering metadata knows no number of this length in that country. Very new ranges can be affected; otherwise look for a lost or doubled digit.";
    NumberUnknown, "number-unknown", Warning, "The public numbering metadata knows no such number: its country has given out no range that it falls into. Very new ranges can be affected; otherwise look for a wrong digit. Numbers reserved for fiction are not warned of.";
    NationalOtherwise, "national-otherwise", Warning, "A number of the line's own country is dialled with the national prefix before it, where the country has one. The public numbering metadata writes this number otherwise inside its country: toll-free numbers often go without the prefix, and some networks need more. So the call may not get through.";
    TrunkKept, "trunk-kept", Error, "In international form a number follows its country's calling code at once. The prefix that is dialled inside the country (0 in most) is left out: with it the number is none, or leads to somebody else.";
    NumberShared, "number-shared", Error, "Two stations with one line number cannot both be rung.";
    LocatingShared, "locating-shared", Error, "Two stations that speak the same identity send responders to the wrong place.";
    FormerName, "former-name", Error, "Reports, scripts and visits under a former name count as those of the station that had it. So no other station may be called so, or say that it was.";
    CallsStation, "calls-station", Error, "The button would ring an emergency station instead of somebody who can help.";
    PauseUnstorable, "pause-unstorable", Error, "The dial string holds a sign that this model has no key for (see `dial_keys` in its keybook).";
    LineIncomplete, "line-incomplete", Error, "How a number is dialled depends on the line; this line does not say enough.";
    ModelMissing, "model-missing", Error, "Without a model nobody knows which keys store what.";
    FleetTwice, "fleet-twice", Error, "What holds for the whole fleet is given in one place only.";
    InventoryEmpty, "inventory-empty", Error, "No station is defined. An empty inventory is taken for a mistake, never for the wish to give up every station.";
    ShortPrefixed, "short-prefixed", Warning, "From behind a private exchange this emergency code is dialled with the outside prefix. Direct-dialling rules may ask that it works without any prefix (for instance 47 CFR 9.16 in the United States). Give `short_direct: true` where the exchange takes it directly.";
    ExtensionOutside, "extension-outside", Warning, "An extension exists inside an exchange only; a station on a direct line cannot reach it.";
    ExtensionPublic, "extension-public", Warning, "An extension is dialled as it is, inside the exchange and without the outside prefix. This one reads like a public number in full.";
    AbroadOtherwise, "abroad-otherwise", Warning, "Numbers of another country are dialled behind an international prefix, 00 where the line says nothing (011 in North America). The public numbering metadata names another one for this line's country.";
    SettingNowhere, "setting-nowhere", Warning, "What is said of a setting or a lifeline for a whole fleet or site applies only where the model has it, and no keybook has this one. Look for a slip in its name.";
    LifelineDead, "lifeline-dead", Error, "With what is wanted here a press of the button calls nobody, whatever the other settings hold: its keybook says with which values it works. Where a station has no such button, `lifelines: {NAME: none}` says so, on fleet, site, profile or station.";
    LifelineUnmanaged, "lifeline-unmanaged", Warning, "Settings of a lifeline must be right together. One that is not managed is never checked, so the button may fail unnoticed.";
    CodeFactory, "code-factory", Warning, "The access code is the one every unit of this model leaves the factory with: anybody can reprogram the station.";
    LineOverruled, "line-overruled", Warning, "Fleet, site, profiles and station are read in this order, and the last one that names a setting counts. This line counts nowhere: every station that it could reach takes the setting from a later layer.";
    WhereMissing, "where-missing", Warning, "`where` is what a technician goes by to the station, and what tells on-call where a caller is.";
    ContactUnused, "contact-unused", Warning, "No button calls this contact.";
    KeySign, "key-sign", Error, "A telephone keypad has the keys 0-9, *, # and A-D, in capitals.";
    TemplateBroken, "template-broken", Error, "In `keys`, {x} keys and stores a new value of setting x, {=x} keys the value x holds now; everything else is pressed as it stands.";
    FieldOpen, "field-open", Error, "A field of variable length needs a key after it that its own values cannot contain, or the station cannot tell where it ends.";
    CommandsConfused, "commands-confused", Error, "The station obeys as soon as it holds a whole command. If one command begins like another, the wrong one is obeyed.";
    CodesConfused, "codes-confused", Error, "Two choices that are keyed alike, or one beginning like the other, cannot be told apart.";
    CallTooShort, "call-too-short", Error, "The longest form of this command does not fit into one call: the station would hang up in the middle of it.";
    KeybookTooLarge, "keybook-too-large", Error, "The best script is searched for among everything that a keybook allows. So that the search always ends, lifelines, the values that commands ask for, and the length of a command are bounded.";
    LifelineMissing, "lifeline-missing", Error, "A setting of weight lifeline can leave a caller without help. Only the test call of a lifeline proves that it does not, so each such setting belongs to one.";
    LifelineUnlisted, "lifeline-unlisted", Warning, "Without `settings`, a lifeline consists of the settings that `works` names. At a station where none of them is wanted or known nobody watches this button.";
    ConditionUnfit, "condition-unfit", Error, "A condition of `works` says with which values of a setting the button works. This one does not go with the kind of its setting, or no value meets it, so the button would never work.";
    BacksFallback, "backs-fallback", Error, "`backs` names the lifeline that is tried first. That one backs nothing itself: each fallback names the button it serves, not another fallback.";
    SettingUnwritten, "setting-unwritten", Warning, "No command stores this setting, so nothing wanted for it can ever be keyed.";
    Unkeyable, "unkeyable", Warning, "No order of the keybook's commands brings a new unit to this value beside the others that are wanted: a command is missing, needs what cannot be, or undoes it. Committed so, the station would be adrift and no script could fix it.";
    ReportTime, "report-time", Error, "The time of a report is when the work was done, as RFC 3339, and not in the future.";
    ReportId, "report-id", Error, "A report carries a UUID chosen by its sender, so that sending it again is harmless.";
    ReportConflict, "report-conflict", Error, "This id belongs to a report with other content. A correction is a new report with a new id.";
    ReportFile, "report-file", Error, "Whatever lies in the reports folder or a folder below it is accounted for, so that no report is lost to a slip in its name. Reports end in .yaml, .yml, .json or .jsonl. Symbolic links are not followed: they could make the program read what their owner may not. Hidden files and folders, names that end in ~, and names that end in .part while they are being written are not looked at.";
    ReportScript, "report-script", Error, "Steps refer to a script by its digest; what each step did is known from the script as it was issued.";
    RepositoryUnread, "repository-unread", Error, "The inventory is read from one commit of a git repository, by the git program. Where that gives no answer (the repository or the ref is gone, an object is broken, git is missing, or refuses a repository that belongs to another user) nothing is taken from it, and the last good inventory stays in force. A commit is taken whole or not at all.";
    ConfigBroken, "config-broken", Error, "The configuration cannot be used as it stands.";
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// No such code.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("no finding is called `{0}`")]
pub struct UnknownCode(String);

impl FromStr for Code {
    type Err = UnknownCode;

    fn from_str(text: &str) -> Result<Code, UnknownCode> {
        Code::ALL.iter().copied().find(|c| c.as_str() == text).ok_or_else(|| UnknownCode(text.into()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_code_has_a_name_of_its_own_that_reads_back() {
        let names: BTreeSet<_> = Code::ALL.iter().map(|c| c.as_str()).collect();
        assert_eq!(names.len(), Code::ALL.len());
        for code in Code::ALL {
            assert_eq!(code.as_str().parse::<Code>().as_ref(), Ok(code));
            assert!(!code.explanation().is_empty());
        }
    }
}
