//! Ways around the brake, made of edits, reports and the clock alone.
