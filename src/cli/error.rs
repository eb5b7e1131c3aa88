//! Printing: results to standard output, everything else to standard error, colour only on a terminal.

use std::collections::BTreeMap;
use std::io::{self, IsTerminal, Write};
use std::sync::Arc;

use serde::Serialize;

use super::exit::Exit;
use crate::daemon::with_causes;
use crate::finding::{Finding, Paint, cover_literals, plural, render};
use crate::fleet::Texts;

/// A command's unhappy end, ready to be told.
#[derive(Debug)]
pub struct CliError {
    exit: Exit,
    text: String,
}

impl CliError {
    /// The command was used wrongly, or its input cannot be used.
    pub fn usage(text: impl Into<String>) -> CliError {
        CliError { exit: Exit::Usage, text: text.into() }
    }

    /// The command failed.
    pub fn failed(text: impl Into<String>) -> CliError {
        CliError { exit: Exit::Failed, text: text.into() }
    }

    /// An error with its causes, each said once.
    pub fn error(error: &dyn std::error::Error) -> CliError {
        CliError::failed(with_causes(error))
    }

    /// What it says.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Says it on standard error.
    pub fn tell(self) -> Exit {
        if !self.text.is_empty() {
            eprintln!("stationkeep: {}", self.text);
        }
        self.exit
    }
}

impl<E: std::error::Error> From<E> for CliError {
    fn from(error: E) -> CliError {
        CliError::error(&error)
    }
}

/// Prints a result. A reader that has seen enough (`| head`) is no error.
pub fn print(text: &str) -> Result<(), CliError> {
    let mut out = io::stdout().lock();
    unless_closed(out.write_all(text.as_bytes()).and_then(|()| out.flush()))
}

/// Prints a JSON result.
pub fn print_json(json: &serde_json::Value) -> Result<(), CliError> {
    print(&format!("{json:#}\n"))
}

/// Prints a JSON result that is made while it is printed.
pub fn stream_json(json: &impl Serialize) -> Result<(), CliError> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    let written = serde_json::to_writer_pretty(&mut out, json).map_err(io::Error::from);
    unless_closed(written.and_then(|()| writeln!(out)).and_then(|()| out.flush()))
}

/// Whoever reads may have read enough.
fn unless_closed(written: io::Result<()>) -> Result<(), CliError> {
    match written {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(CliError::failed(format!("cannot write to standard output: {error}")))
        }
        Ok(()) | Err(_) => Ok(()),
    }
}

/// Whether findings on standard error may carry colour.
pub fn paint() -> Paint {
    let wanted = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    if wanted && io::stderr().is_terminal() { Paint::Colour } else { Paint::Plain }
}

/// The same for standard output.
pub fn paint_out() -> Paint {
    let wanted = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    if wanted && io::stdout().is_terminal() { Paint::Colour } else { Paint::Plain }
}

/// Lays findings out beside their source lines.
pub fn findings_text(findings: &[Finding], texts: &[&Texts], paint: Paint) -> String {
    let mut sources: BTreeMap<Arc<str>, String> = BTreeMap::new();
    let places = findings.iter().flat_map(|f| [&f.place].into_iter().chain(f.related.iter().map(|(place, _)| place)));
    for place in places {
        let text = texts.iter().find_map(|texts| texts.get(&place.file));
        if let Some(text) = text {
            let decoded = || {
                String::from_utf8_lossy(text.bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text.bytes)).into_owned()
            };
            sources.entry(place.file.clone()).or_insert_with(decoded);
        }
    }
    for (file, source) in &mut sources {
        cover_literals(source, file, findings);
    }
    render(findings, |file| sources.get(file).map(String::as_str), paint)
}

/// "2 errors and 1 warning".
pub fn counted(findings: &[Finding]) -> String {
    let errors = findings.iter().filter(|f| f.is_error()).count() as u64;
    match (errors, findings.len() as u64 - errors) {
        (0, 0) => "nothing wrong".into(),
        (0, warnings) => plural(warnings, "warning"),
        (errors, 0) => plural(errors, "error"),
        (errors, warnings) => format!("{} and {}", plural(errors, "error"), plural(warnings, "warning")),
    }
}
