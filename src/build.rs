//! Writes what the public numbering metadata says of each region as a table in Rust. The library that ships it compiles
//! every pattern of every region before it answers; a program that asks for few regions, or none, should not wait for that.

use std::error::Error;
use std::fmt::Write;
use std::path::Path;

use phonenumber::metadata::{DATABASE, Descriptor, Format, Metadata};

fn main() -> Result<(), Box<dyn Error>> {
    println!("cargo::rerun-if-changed=src/build.rs");
    let mut table = String::from("&[\n");
    // Of one calling code, the main country first.
    for region in (1..=999_u16).flat_map(|code| DATABASE.by_code(&code).unwrap_or_default()) {
        put(&mut table, region)?;
    }
    table.push_str("]\n");
    let folder = std::env::var_os("OUT_DIR").ok_or("no OUT_DIR")?;
    std::fs::write(Path::new(&folder).join("regions.rs"), table)?;
    Ok(())
}

fn put(table: &mut String, region: &Metadata) -> Result<(), Box<dyn Error>> {
    writeln!(table, "Region {{ id: {:?}, calling_code: {},", region.id(), region.country_code())?;
    writeln!(table, "national_prefix: {:?},", region.national_prefix())?;
    let abroad = region.international_prefix().map(|prefix| pattern("", prefix.as_str(), ""));
    writeln!(table, "international_prefix: {},", optional(abroad))?;
    writeln!(table, "preferred_international_prefix: {:?},", region.preferred_international_prefix())?;
    writeln!(table, "general: {}, kinds: &[", kind(region.descriptors().general()))?;
    kinds(region).try_for_each(|own| writeln!(table, "{},", kind(own)))?;
    writeln!(table, "], forms: &[")?;
    region
        .formats()
        .iter()
        .filter_map(|format| form(region, format))
        .try_for_each(|form| writeln!(table, "{form},"))?;
    writeln!(table, "] }},")?;
    Ok(())
}

/// What a region says of its kinds of lines.
fn kinds(region: &Metadata) -> impl Iterator<Item = &Descriptor> {
    let kinds = region.descriptors();
    let all = [
        kinds.fixed_line(),
        kinds.mobile(),
        kinds.toll_free(),
        kinds.premium_rate(),
        kinds.shared_cost(),
        kinds.personal_number(),
        kinds.voip(),
        kinds.pager(),
        kinds.uan(),
        kinds.voicemail(),
    ];
    all.into_iter().flatten()
}

fn kind(kind: &Descriptor) -> String {
    let whole = pattern("^(?:", kind.national_number().as_str(), ")$");
    format!("Kind {{ lengths: &{:?}, whole: {whole} }}", kind.possible_length())
}

/// A way to write numbers inside the country; nothing where the national prefix has no place in it.
fn form(region: &Metadata, format: &Format) -> Option<String> {
    let groups = braced(format.format());
    let written = match format.national_prefix() {
        // `$NP` is the prefix, `$FG` the first group, whichever that is.
        Some(rule) => {
            let (before, rest) = groups.split_once("${")?;
            let (first, after) = rest.split_once('}')?;
            let prefix = region.national_prefix().unwrap_or("");
            let rule = rule.replace("$NP", prefix).replace("$FG", &format!("${{{first}}}"));
            format!("{before}{}{after}", braced(&rule))
        }
        None => groups.clone(),
    };
    let leading = optional(format.leading_digits().last().map(|leading| pattern("^(?:", leading.as_str(), ")")));
    let whole = pattern("^(?:", format.pattern().as_str(), ")$");
    Some(format!("Form {{ leading: {leading}, whole: {whole}, groups: {groups:?}, written: {written:?} }}"))
}

/// `$1` as `${1}`, so that no digit after it belongs to it.
fn braced(groups: &str) -> String {
    let mut braced = String::new();
    let mut signs = groups.chars().peekable();
    while let Some(sign) = signs.next() {
        braced.push(sign);
        if let Some(digit) = signs.next_if(|next| sign == '$' && next.is_ascii_digit()) {
            braced.push_str(&format!("{{{digit}}}"));
        }
    }
    braced
}

fn pattern(before: &str, pattern: &str, after: &str) -> String {
    format!("Pattern({:?})", format!("{before}{pattern}{after}"))
}

fn optional(pattern: Option<String>) -> String {
    pattern.map_or_else(|| "None".into(), |pattern| format!("Some({pattern})"))
}
