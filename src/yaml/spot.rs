//! Where something stands in a text.

use saphyr_parser::Span;

/// Where a node stands, in characters from 1. The length is 0 where there is no span to speak of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spot {
    /// From 1.
    pub line: u32,
    /// In characters, from 1.
    pub column: u32,
    /// In characters.
    pub length: u32,
}

impl Spot {
    pub(super) fn of(span: &Span) -> Spot {
        let narrow = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        Spot {
            line: narrow(span.start.line()).max(1),
            column: narrow(span.start.col()).saturating_add(1),
            length: narrow(span.end.index().saturating_sub(span.start.index())),
        }
    }
}
