//! How much of a sheet is read. It is counted before anything is laid out: a small file may hold a large sheet.

use std::sync::Arc;

use crate::finding::{Code, Finding, Place};

/// The largest file that is read, in bytes.
pub const SHEET_LIMIT_BYTES: u64 = 8 << 20;
/// The most bytes of a workbook once it is unpacked.
pub(super) const UNPACKED_BYTES: u64 = 64 << 20;
/// The most columns of a sheet.
pub(super) const COLUMNS: usize = 1 << 10;
/// The longest header, in bytes: each row that is rejected is kept with it.
pub(super) const HEADER_BYTES: usize = 64 << 10;
/// The most rows of a sheet.
pub(super) const ROWS: usize = 1 << 16;
/// The most cells of a sheet, blank ones too.
pub(super) const CELLS: usize = 1 << 20;

const DIVIDE: &str = "Delete what is not part of the table, or divide it into several sheets, each with the header.";

/// How large a sheet is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Extent {
    /// Cells of its header.
    pub columns: usize,
    /// Bytes of its header, where that is not laid out yet none.
    pub header_bytes: usize,
    /// Lines that hold anything.
    pub rows: usize,
    /// Cells, blank ones too.
    pub cells: usize,
}

impl Extent {
    /// Whether so much is read.
    pub fn is_read(self, file: &Arc<str>) -> Result<(), Finding> {
        let Extent { columns, header_bytes, rows, cells } = self;
        let (message, fix) = if columns > COLUMNS {
            let fix = "Delete the columns that are not part of the table.";
            (format!("The sheet has {columns} columns, and at most {COLUMNS} are read."), fix)
        } else if header_bytes > HEADER_BYTES {
            let message = format!("The header has {header_bytes} bytes, and at most {HEADER_BYTES} are read.");
            (message, "Shorten the names of its columns.")
        } else if rows > ROWS {
            (format!("The sheet has {rows} rows, and at most {ROWS} are read."), DIVIDE)
        } else if cells > CELLS {
            (format!("The sheet has {cells} cells, and at most {CELLS} are read."), DIVIDE)
        } else {
            return Ok(());
        };
        Err(Finding::new(Code::FileTooLarge, Place::start_of(file), message, fix))
    }
}

/// The finding for a file of more bytes than are read.
pub(super) fn too_long(file: &Arc<str>) -> Finding {
    let message = format!("The sheet has more than {SHEET_LIMIT_BYTES} bytes.");
    Finding::new(Code::FileTooLarge, Place::start_of(file), message, "Divide it into several, each with the header.")
}

/// The finding for a workbook of more bytes than are unpacked.
pub(super) fn too_large_unpacked(file: &Arc<str>) -> Finding {
    let message = format!("The workbook has more than {} MiB once it is unpacked.", UNPACKED_BYTES >> 20);
    let fix = "Delete sheets and pictures that are not needed, or save the sheet as CSV in UTF-8.";
    Finding::new(Code::FileTooLarge, Place::start_of(file), message, fix)
}
