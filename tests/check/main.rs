//! The front door: what `check` says of every kind of mistake, in every form, of files as hostile as they come.
//!
//! `base/` is a small sound fleet, `cases.yaml` one mistake a case. SARIF is held against its published schema by an
//! outside validator (`formats.rs`), digits of other scripts against the Unicode Character Database (`signs.py`).

mod cases;
mod commits;
mod fixes;
mod formats;
mod hostile;
mod keybooks;
mod mutations;
mod program;
mod recipes;
mod shared;
