//! Days of a sheet that are not in the form which was said for it, and are in another.

use super::{DayForm, Table};
use crate::finding::{Code, Finding};
use crate::table::day::other_form;

/// The first of them in a column: the days beside it may then be read wrongly too.
pub fn other_days(table: &Table, column: usize, form: &DayForm) -> Option<Finding> {
    let cells = table.rows().filter_map(|row| row.cells.get(column));
    let (cell, (other, day)) = cells.filter_map(|cell| Some((cell, other_form(cell.text.trim(), form)?))).next()?;
    let text = cell.text.trim();
    let message = format!("\"{text}\" is not a day in the form {form}, so other days may be read wrongly too.");
    let fix = format!("Write {day}, or name the form: --dates {other}.");
    Some(Finding::new(Code::ReportTime, table.place(cell), message, fix))
}
