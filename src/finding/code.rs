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
    FileUnreadable, "file-unreadable", Error, "The file or folder could not be read. A folder is read whole or not at all, so that half an inventory never counts as an inventory.";
    FileTooLarge, "file-too-large", Error, "A file is read whole, so its size is bounded: 32 MiB, four million entries. Split a large inventory by site; all files in the folder are read as one.";
    FindingsMany, "findings-many", Error, "A thousand findings are shown for each file. Fix those, then check again.";
    NotText, "not-text", Error, "Files are UTF-8 text without NUL characters. Save the file as UTF-8.";
    YamlSyntax, "yaml-syntax", Error, "From this place on the file is not valid YAML. Common causes: a tab in the indentation; a missing quote or bracket; a colon inside an unquoted value; an unquoted value that begins with * & ! % @ or `.";
    YamlTooDeep, "yaml-too-deep", Error, "At most 32 levels may be nested. No file of ours needs more than a handful.";
    YamlExtra, "yaml-extra", Error, "Tags, anchors, aliases and merge keys make a value mean something other than what its line says. Write every value where it applies, and share settings through profiles.";
    YamlDocuments, "yaml-documents", Error, "A file is one document. What follows a second \"---\" would be easy to overlook, so it belongs in a file of its own.";
    KeyRepeated, "key-repeated", Error, "The same key is written twice in one mapping. YAML readers differ in which one they use, so neither is used.";
    KeyUnknown, "key-unknown", Error, "This key means nothing here. It is an error, because a misspelt key would otherwise do nothing without a word.";
    KeyMissing, "key-missing", Error, "A required key is missing.";
    WrongShape, "wrong-shape", Error, "Something else is expected here: a mapping, a list or a single value.";
    Unquoted, "unquoted", Error, "Numbers, codes and identities are text. Without quotes, YAML turns 0121 into 81 or 121, loses the + of +44, and takes # for a comment. Put them in double quotes.";
    Version, "version", Error, "The first key says what kind of file this is and in which format version, so that a later format is never misread.";
    ValueOutside, "value-outside", Error, "This setting of this model cannot hold the value. The keybook says what each setting takes.";
    NameRepeated, "name-repeated", Error, "A name belongs to one thing only. With two definitions nobody knows which one reaches the station.";
    NameUnknown, "name-unknown", Error, "The name is used here and defined nowhere.";
    NameUnfit, "name-unfit", Error, "Names of stations, sites, contacts and profiles appear in reports, messages and addresses. They have 1 to 64 characters, all of them visible.";
    LookAlike, "look-alike", Warning, "The name holds a character that looks like another one, or like nothing: a letter of another alphabet, a digit of another script, an unusual space. It counts as written, so whoever types the name as it looks will not find it.";
    SecretLiteral, "secret-literal", Error, "Many people read the inventory, so it never holds an access code. Write a reference: {secret: \"file:PATH\"} or {secret: \"env:NAME\"}.";
    SecretUnfit, "secret-unfit", Error, "This setting cannot hold the code that the reference leads to.";
    CodeTracked, "code-tracked", Error, "An access code opens every station that has it, and what git has once been given stays in its history. This is looked for by \"check --staged\", \"--committed\" and \"--strict\".";
    SecretUnread, "secret-unread", Warning, "The code cannot be read on this machine. Scripts made here show a placeholder that the technician fills in.";
    NotE164, "not-e164", Error, "Numbers for \"calls\" and \"number\" are in international form: a plus sign, the country's calling code and the number, at most 15 digits, no spaces (ITU-T E.164).";
    NumberImpossible, "number-impossible", Warning, "The public numbering metadata has no number of this length in that country. Look for a lost or doubled digit. Very new ranges may be missing there.";
    NumberUnknown, "number-unknown", Warning, "The public numbering metadata has no such number: it is in no range that its country has assigned. Look for a wrong digit. Very new ranges may be missing there. Numbers reserved for fiction pass.";
    NationalOtherwise, "national-otherwise", Warning, "A number of the line's own country is dialled with the national prefix, where the country has one. The public numbering metadata writes this number in another way inside its country, so the call may not get through. Toll-free numbers often go without the prefix.";
    TrunkKept, "trunk-kept", Error, "In international form a number follows its country's calling code at once. The prefix that is dialled inside the country (0 in most) is left out. With it, the number does not exist or belongs to someone else.";
    NumberShared, "number-shared", Error, "Two stations have the same line number, so one of them cannot be rung.";
    LocatingShared, "locating-shared", Error, "Two stations that speak the same identity send responders to the wrong place.";
    FormerName, "former-name", Error, "Reports, scripts and visits under a former name count as those of the station that had it. No other station may have that name, or have had it.";
    CallsStation, "calls-station", Error, "The button would ring an emergency station instead of someone who can help.";
    PauseUnstorable, "pause-unstorable", Error, "The dial string holds a character for which this model has no key (see \"dial_keys\" in its keybook).";
    LineIncomplete, "line-incomplete", Error, "How a number is dialled depends on the line. This line does not say enough.";
    ModelMissing, "model-missing", Error, "Without a model it is unknown which keys store what.";
    FleetTwice, "fleet-twice", Error, "What holds for the whole fleet is written in one place only.";
    InventoryEmpty, "inventory-empty", Error, "No station is defined. An empty inventory counts as a mistake, never as the wish to give up every station.";
    ShortPrefixed, "short-prefixed", Warning, "On this private exchange the emergency code is dialled with the outside prefix. Direct-dialling rules may require that it works without one (in the United States, 47 CFR 9.16). Write short_direct: true where the exchange takes it directly.";
    ExtensionOutside, "extension-outside", Warning, "An extension exists inside an exchange only. A station on a direct line cannot reach it.";
    ExtensionPublic, "extension-public", Warning, "An extension is dialled as written, inside the exchange and without the outside prefix. This one reads like a whole public number.";
    AbroadOtherwise, "abroad-otherwise", Warning, "Numbers of other countries are dialled with an international prefix: 00, or 011 in North America, unless the line says otherwise. The public numbering metadata has another prefix for this line's country.";
    SettingNowhere, "setting-nowhere", Warning, "A setting or a lifeline of a whole fleet or site applies only where the model has it, and no keybook has this one. Look for a slip in its name.";
    LifelineDead, "lifeline-dead", Error, "With what is wanted here, a press of the button calls nobody, whatever the other settings hold. The keybook says with which values the button works. Where a station has no such button, write lifelines: {NAME: none} for the fleet, site, profile or station.";
    FallbackOff, "fallback-off", Warning, "A number is wanted for this fallback, and with the other values wanted it is never tried. It then counts as not in use: it is not watched and no card asks for its test. Either a value is wrong, or \"works\" in the keybook is. Where a station has no such fallback, write lifelines: {NAME: none}.";
    ButtonNone, "button-none", Warning, "\"none\" says that a station has no such button, so nothing about it is watched or tested. Here that leaves the station without a single button to call for help.";
    LifelineUnmanaged, "lifeline-unmanaged", Warning, "The settings of a lifeline must be right together. One that is not managed is never checked, so the button may fail unnoticed.";
    CodeFactory, "code-factory", Warning, "Every unit of this model leaves the factory with this access code, so anyone can reprogram the station.";
    LineOverruled, "line-overruled", Warning, "Fleet, site, profiles and station are read in this order, and the last one that names a setting counts. This line has no effect: every station that it could reach takes the setting from a later layer.";
    WhereMissing, "where-missing", Warning, "\"where\" brings the technician to the station, and tells on-call where a caller is.";
    ContactUnused, "contact-unused", Warning, "No button calls this contact.";
    NotAKey, "not-a-key", Error, "A telephone keypad has the keys 0-9, *, # and A-D, in capitals.";
    TemplateBroken, "template-broken", Error, "In \"keys\", {x} keys a new value of setting x and stores it. {=x} keys the value that x holds now. Everything else is pressed as written.";
    FieldOpen, "field-open", Error, "A field of variable length must be followed by a key that its values cannot contain. Otherwise the station cannot tell where it ends.";
    CommandsConfused, "commands-confused", Error, "The station obeys as soon as it holds a whole command. If one command begins like another, it obeys the wrong one.";
    CodesConfused, "codes-confused", Error, "Two choices that are keyed alike, or of which one begins like the other, cannot be told apart.";
    CallTooShort, "call-too-short", Error, "The longest form of this command does not fit into one call. The station would hang up in the middle of it.";
    TonesAlike, "tones-alike", Error, "A technician and the program tell by its beeps whether a station has accepted or refused a command. Two answers with the same beeps prove nothing.";
    IdleShort, "idle-short", Error, "A station hangs up after a silence of \"idle_ms\". A person needs \"press_ms\" for each key, so a shorter silence ends every call before a command is complete.";
    KeybookTooLarge, "keybook-too-large", Error, "The search for the best script covers everything that a keybook allows. To make sure that it ends, the number of lifelines, of values that commands ask for, and of keys in a command is limited.";
    LifelineMissing, "lifeline-missing", Error, "A wrong setting of weight lifeline can leave a caller without help. Only a test call of its lifeline proves that it is right, so each such setting belongs to one.";
    LifelineWeight, "lifeline-weight", Warning, "A button calls only with the right value in this setting, and a wrong one is told as less urgent than that. The weight decides how urgently a wrong value is told, and to which webhooks. With another weight than lifeline, a button that calls nobody may not wake on-call. Add weight: lifeline to the setting in the keybook.";
    LifelineUnlisted, "lifeline-unlisted", Warning, "Without \"settings\", a lifeline consists of the settings that \"works\" names. At a station where none of them is wanted or known, this button is not watched.";
    ConditionUnfit, "condition-unfit", Error, "A condition of \"works\" says with which values of a setting the button works. This one does not suit the kind of its setting, or no value meets it, so the button would never work.";
    BacksFallback, "backs-fallback", Error, "\"backs\" names the button that is tried first. A fallback cannot back another fallback.";
    SettingUnwritten, "setting-unwritten", Warning, "No command stores this setting, so no wanted value of it can ever be keyed.";
    TalkDiffers, "talk-differs", Error, "A talk is a call transcribed from the maker's manual or from a real one. Replayed on a simulated station of this keybook it goes otherwise, so one of the two is wrong. Hold both against the manual. A keybook that is wrong programs every station of its model wrongly.";
    Unkeyable, "unkeyable", Warning, "No order of the keybook's commands brings a new unit to this value together with the others that are wanted. A command is missing, has needs that cannot be met, or undoes another. The station would be adrift, and no script could fix it.";
    KeybookExample, "keybook-example", Warning, "A new installation begins with an invented keybook to fill in. What is keyed by it opens no station, or does something else there. While its keys are in a keybook, no script is issued for the stations of that model.";
    ReportTime, "report-time", Error, "The time of a report is when the work was done, as RFC 3339, and not in the future.";
    ReportId, "report-id", Error, "A report has a UUID that its sender chose, so that sending it again is harmless.";
    ReportConflict, "report-conflict", Error, "A report with this id and other content is on record. To correct it, send a new report with a new id and \"corrects\".";
    ReportFile, "report-file", Error, "Everything in the reports folder is accounted for, so that no report is lost to a slip in its name. Reports end in .yaml, .yml or .json; ledger lines in .jsonl; sheets in .csv. Symbolic links are not followed, because they could make the program read what their owner may not. Hidden files and folders, names that end in ~, and names that end in .part are skipped.";
    ReportScript, "report-script", Error, "Steps refer to a script by its digest. What each step did is known from the script as it was issued.";
    RepositoryUnread, "repository-unread", Error, "The inventory is read from one commit of a git repository, by the git program. Where that fails, the last good inventory stays in use. Causes: the repository or the ref is gone, an object is broken, git is missing, or git rejects a repository that belongs to another user.";
    FilePassed, "file-passed-over", Warning, "The file is not read, so nobody watches the stations in it. When one of their buttons stops working, no alert is sent. In the folders of the inventory and of keybooks only files that end in .yaml or .yml are read. Rename the file, or move it out of the folder. Hidden files, names that end in ~, Markdown and files called README are meant to be left out.";
    NumberAbroad, "number-abroad", Warning, "The station's own number is of another country than its line, so its buttons may dial numbers that do not exist. Numbers are dialled as they are from the country of the line. Correct the country of the line. If the number is the wrong one, correct that, or a technician rings someone else.";
    LineOtherwise, "line-otherwise", Warning, "The station is told another kind of line than its contacts are dialled by, so a press of the button may reach nobody. Contacts are dialled as the line is described in the inventory. Find out how the station is wired. Write that kind in the line, and let the setting follow it: {from: line}.";
    FallbackSame, "fallback-same", Warning, "The second number is the first one again, so nobody else is called when it does not answer. The caller hears the same unanswered phone twice. Let the second number call someone else. If there is nobody else, write \"\" for it.";
    OutsideMissing, "outside-missing", Warning, "A public number is dialled from a private exchange without the outside prefix, so a press of the button may reach nobody, or an extension of that number. A number that is written out is dialled as it is. Write {to: CONTACT}: then each station dials it as its line needs.";
    AlertsNowhere, "alerts-nowhere", Warning, "No webhook carries alerts about buttons that may not call for help. Such alerts have the weight lifeline. Without them a button can stay broken until someone looks at drift. Add a webhook with that weight, then send it a trial alert: stationkeep deliveries try NAME.";
    ConfigBroken, "config-broken", Error, "The configuration has an error.";
}

impl Code {
    /// Warnings after which nobody would notice that a button fails.
    pub const UNNOTICED: [Code; 6] = [
        Code::AlertsNowhere,
        Code::ButtonNone,
        Code::FilePassed,
        Code::LifelineUnmanaged,
        Code::LookAlike,
        Code::NumberImpossible,
    ];
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// No such code.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("no finding is called \"{0}\"")]
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
