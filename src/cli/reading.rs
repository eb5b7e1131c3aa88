//! A file that a command is given, read no further than what any such file may hold.

use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use super::error::CliError;

/// The name of a file for people, and what it holds: of one with more than `limit` bytes a byte more than that, by which its reader
/// sees that it is too long.
///
/// # Errors
/// Where it cannot be read.
pub fn read_file(path: &Path, limit: u64) -> Result<(Arc<str>, Vec<u8>), CliError> {
    let name = path.display().to_string();
    let mut bytes = Vec::new();
    let read = File::open(path).and_then(|file| file.take(limit.saturating_add(1)).read_to_end(&mut bytes));
    read.map_err(|error| CliError::usage(format!("cannot read {name}: {error}")))?;
    Ok((name.into(), bytes))
}
