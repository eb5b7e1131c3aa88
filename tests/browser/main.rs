//! The visit page in Debian's Chromium, against the real daemon and simulated stations: whoever keys reads the keys off the
//! page, and the station answers as its keybook says.
//!
//! Outside: the browser; axe-core judges the pages.

mod browser;
mod fleet;
mod links;
mod lossy;
mod pages;
mod screens;
mod technician;
mod visits;
