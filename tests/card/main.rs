//! The page of a card: it says what the text says, to whom it may, of the script that is the present one.
//!
//! Outside: pages are parsed by html5lib, the WHATWG's parsing rules in Python (`check_pages.py`); addresses are read back
//! by the crate `url`, the WHATWG's rules for those; the credentials are built as RFC 7617 says, whose own examples are
//! checked beside the code.

mod http;
mod errands;
mod filed;
mod asked;
mod start;
mod house;
mod page;
mod shown;
