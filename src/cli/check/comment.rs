//! `check --format markdown`: what a forge shows beside a proposed change.
//!
//! The most urgent comes first: what keeps the files from being used, what a person pressing a button would meet, what technicians
//! will have to key, what the brake would hold. The rest is folded. Texts of files stand in code spans and fences alone.

use std::fmt::Write as _;

use super::Checked;
use crate::cli::against::{Against, NAMED};
use crate::cli::error::counted;
use crate::config::KeyChange;
use crate::drift::Standing;
use crate::finding::{Finding, Paint, plural};
use crate::preview::{fenced, headline, literal, tables};

/// The most findings laid out of each kind.
const MOST: usize = 30;
/// A forge takes about 65,000 characters of a comment; past this the folded parts are left out.
const LONGEST: usize = 60_000;

impl Checked {
    /// The comment.
    pub(super) fn markdown(&self) -> String {
        let (errors, warnings): (Vec<Finding>, Vec<Finding>) =
            self.findings.iter().cloned().partition(Finding::is_error);
        let mut head = format!("### stationkeep: {}\n", self.title(&errors));
        let mut out = String::new();
        if !errors.is_empty() {
            head += "\nUntil this is fixed, none of the change is used.\n\n";
            head += &fenced("text", &self.laid_out(&errors));
        }
        if !self.unnoticed.is_empty() {
            head += "\nNobody would notice if this is wrong. Fix it, or the check fails.\n\n";
            head += &fenced("text", &self.laid_out(&self.unnoticed));
        }
        if let Some(against) = &self.against {
            head += &against.first();
            let brake = ours(against.foretold("the files before").trim_end());
            out += &format!("\n{}", tables(&against.change, &against.what, &brake));
            out += &against.configuration_table();
            out += &against.abandoned(literal);
            out += &against.later();
        }
        if !warnings.is_empty() {
            let text = fenced("text", &self.laid_out(&warnings));
            let count = plural(warnings.len() as u64, "warning");
            let _ = write!(out, "\n<details><summary>{count}</summary>\n\n{text}\n</details>\n");
        }
        if head.len() + out.len() > LONGEST {
            out.truncate(out.find("\n<details>").filter(|at| head.len() + at < LONGEST).unwrap_or(0));
            out += "\nThe rest is too long to be shown here: `--format json` has all of it.\n";
        }
        head + &out
    }

    fn title(&self, errors: &[Finding]) -> String {
        if !errors.is_empty() {
            return counted(errors);
        }
        let Some(against) = &self.against else { return counted(&self.findings) };
        let broken = against.standings.iter().filter(|(_, _, after)| *after == Standing::OutOfService).count();
        match headline(&against.change) {
            _ if !self.unnoticed.is_empty() => plural(self.unnoticed.len() as u64, "warning that must be fixed"),
            _ if broken > 0 => format!("{} would be out of service", plural(broken as u64, "station")),
            Some(headline) => headline,
            None if !against.configuration.is_empty() => "the configuration changes".into(),
            None => "the same is wanted at every station".into(),
        }
    }

    fn laid_out(&self, findings: &[Finding]) -> String {
        let shown = &findings[..findings.len().min(MOST)];
        let rest = match findings.len() - shown.len() {
            0 => String::new(),
            rest => format!("{rest} more are not shown here.\n"),
        };
        self.findings_text(shown, Paint::Plain) + &rest
    }
}

impl Against {
    /// What is said before all tables.
    fn first(&self) -> String {
        let commit = self.commit.as_ref().map(|commit| format!(" ({})", literal(&commit.briefly())));
        let broken = self.broken().map(|broken| format!(" {}", broken.trim_end_matches(':')));
        format!(
            "\nCompared with {}{}.{}\n",
            literal(&self.what),
            commit.unwrap_or_default(),
            broken.map(|broken| broken + ".").unwrap_or_default()
        )
    }

    /// The keys of the configuration that say something else.
    fn configuration_table(&self) -> String {
        let row = |KeyChange { key, from, to }: &KeyChange| {
            format!("| {} | {} | {} |\n", literal(key), literal(from), literal(to))
        };
        let rows: String = self.configuration.iter().take(MOST).map(row).collect();
        if rows.is_empty() {
            return rows;
        }
        let more = match self.configuration.len().saturating_sub(MOST) {
            0 => String::new(),
            more => format!("\n{more} more are not shown here; `--format json` has all.\n"),
        };
        format!("\n**The configuration changes**\n\n| key | was | becomes |\n|---|---|---|\n{rows}{more}")
    }

    /// What is said after them.
    fn later(&self) -> String {
        let mut out = String::new();
        for (after, before, names) in self.standing_groups() {
            let shown: Vec<String> = names.iter().take(NAMED).map(|name| literal(name)).collect();
            let rest = names.len() - shown.len();
            let more = if rest == 0 { String::new() } else { format!(" and {rest} more") };
            let _ = writeln!(out, "| {before} | {after} | {}: {}{more} |", names.len(), shown.join(", "));
        }
        if out.is_empty() {
            return out;
        }
        format!(
            "\n**Standings that change at once, by the ledger**\n\n| is | becomes | stations |\n|---|---|---|\n{out}"
        )
    }
}

/// A sentence of ours; the path of the configuration in it is text all the same.
fn ours(text: &str) -> String {
    let special = |sign: char| "\\`*_[]<>#|~!@&$".contains(sign);
    text.chars().map(|sign| if special(sign) { format!("&#{};", sign as u32) } else { sign.into() }).collect()
}
