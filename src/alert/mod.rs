//! What to tell of a fleet's drift, and to whom: what was told before and what is so now make one message a webhook.
//!
//! [`decide()`] is a pure function. It compares levels, not events: a doubled or lost event changes nothing, a second pass
//! over the same has nothing to say, and a restart speaks of what changed since the last telling only. Nothing here
//! reads a clock, sends anything or keeps anything; codes never get here.
//!
//! # The table
//!
//! For each station and each webhook. *Heard* is what this webhook last heard of the station's open case; *lost* is what was
//! looked at there and is no longer.
//!
//! | the webhook heard   | the station now                     | the webhook is told |
//! |---------------------|-------------------------------------|---------------------|
//! | nothing             | aligned                             | nothing |
//! | nothing             | drifts, by a weight it takes        | `opened` |
//! | nothing             | drifts, by a weight it does not take| nothing (the case is on record) |
//! | of a case           | drifts just so                      | nothing, or `still_open` when a reminder is due |
//! | of a case           | drifts just so, and somebody took it since it opened | nothing, until the take is over |
//! | of a case           | drifts otherwise, only in parts it does not take | as where it drifts just so |
//! | of a case           | drifts otherwise, better in what it takes and no worse in that or heavier | `eased` |
//! | of a case           | drifts otherwise                    | `grown` |
//! | of a case, but not its last change (it was away) | drifts otherwise | `grown`: what it knows is not known here |
//! | of a case           | aligned, or all that drifted is set aside | `closed` |
//! | of a case           | the same, but something is lost, now or before | `unwatched` |
//! | of a case, in which something was that is lost now | drifts or not | `unwatched` |
//! | anything or nothing | lost a lifeline setting, and it takes lifelines | `unwatched`, once |
//! | that something is lost | that is looked at again, and there is no other news | `watched` |
//! | anything or nothing | gone from the inventory             | `withdrawn`, once, by every webhook |
//! | that it is gone     | there again, aligned or not         | `returned`, once, by every webhook |
//! | what cannot be read (another version's record) | drifts   | `opened`, by every webhook |
//! | what cannot be read | aligned                             | `closed`, by every webhook |
//!
//! *Only better* is: no heavier, no worse in standing, every drifting setting drifted before, with the same wanted
//! value, and is no worse (strayed > differs > in-doubt > unproven > overdue; one equally wrong but held otherwise is
//! worse), every failing lifeline failed before and is no worse. One exception: a lifeline that becomes `untested` while
//! a lifeline setting stops drifting is the mend under way, and no growth.
//!
//! Who heard of a case hears of it to its end, whatever its weight becomes; so each webhook's telling of a station always
//! reads opened, (grown, eased, still open)…, closed or withdrawn. A webhook added to the configuration hears of the
//! cases that are open. In `unwatched`, `watched` and `returned` the standing says whether a case is open: it is over where
//! that is `aligned` or missing. A case that was open when its station went goes on from when it was opened.
//!
//! *No longer looked at* (`lost`): a setting that no layer manages any more, or a lifeline whose test calls do not count any
//! more, is neither right nor wrong for this program, and nobody will hear of it. So nothing is told as aligned of which a
//! part is lost, until that is looked at again or the keybook has it no more. What is remembered for it, of every station,
//! is small: where it is, its managed lifeline settings, what is lost. An aside is no loss.
//!
//! *Flapping*: every settled change is told; what opens and closes within the settle time is never seen here.
//!
//! *A fix that did not stick*: a setting that drifted, came right by a report (not by an edit), and within
//! [`REMEMBERED`] differs or strays from the same wanted value again; or a lifeline that failed, was tested, and
//! failed again. Its entry says `did_not_stick`, the part when its fix was confirmed.
//!
//! *Set aside*: what people set aside is in no drift, so a case of it alone closes, and opens anew when the time is over. Each
//! thing set aside is told to every webhook in `set_aside` (`begun`, `over`), once, whether a station drifts or not. A station
//! that is set aside as out of service is never said to be aligned again; its standing is missing where a case of it closes.
//!
//! *Taken*: whoever takes a station quiets the reminders of the case that is open then, for all webhooks, until the take is
//! over; growing and closing are told, and so is the next case.
//!
//! *Reminders* go to webhooks that take the weight the case has now. When one case of a weight is due, all open cases
//! of that weight are in the message, so that they fall due together from then on. Nobody is reminded of anything who has not
//! got the last telling yet: what waits is told in order, and reminders would only stand before the next news.
//!
//! *A held change* (`hold`): the brake's hold is in every message while it lasts. Every webhook is told when it begins, becomes
//! another change, is released (by whom and why) or is over, each once, whether a station has news or not; and is reminded
//! at its interval for lifelines while nothing else is told. Where it is over without a release, how its stations came out of
//! it is said.
//!
//! *A script to call back* (`call_back`): where a message tells of a station for which a script was handed out to what is wanted
//! no longer, and nobody reported of it, it says so with its digest: above all where an edit makes all seem well again.
//!
//! *A stopped webhook* ([`stopped()`]): one whose receiver answered that it wants no more (410). The others are told of it as of
//! a case: once when it stops, again when a reminder is due, once when messages go to it again. It is told nothing itself.

mod asides;
mod call_back;
mod cause;
mod clip;
mod compare;
mod decide;
mod entry;
mod event;
mod heartbeat;
mod hold;
mod lost;
mod mark;
mod message;
mod next;
mod pass;
mod refused;
mod reports;
mod seen;
mod stopped;
mod summary;
mod told;
mod wire;

#[cfg(test)]
mod asides_tests;
#[cfg(test)]
mod bounds_tests;
#[cfg(test)]
mod decide_tests;
#[cfg(test)]
mod fix_tests;
#[cfg(test)]
mod fixture;
#[cfg(test)]
mod hold_tests;
#[cfg(test)]
mod lost_tests;
#[cfg(test)]
mod message_tests;
#[cfg(test)]
mod refused_tests;
#[cfg(test)]
mod reminder_tests;
#[cfg(test)]
mod stream_tests;
#[cfg(test)]
mod wire_tests;

pub use asides::AsideNews;
pub use call_back::Outs;
pub use decide::{Verdict, decide, next_reminder};
pub use event::{CONTENT_TYPE, LONGEST_BODY, Message, source_of};
pub use heartbeat::heartbeat;
pub use hold::{HeldSince, Hold, HoldTold};
pub use mark::{Mark, Thread};
pub use next::{Foresight, Next};
pub use pass::{Cause, NewCommit, Pass, ReportTaken};
pub use refused::{FilesRead, FilesRefused, FilesVerdict, What, files};
pub use reports::{RefusedNews, RefusedReport, reports_refused};
pub use seen::{Seen, SeenLifeline, SeenSetting, Shown};
pub use stopped::{Gone, StoppedTold, StoppedVerdict, Stops, WebhookStopped, stopped};
pub use told::{Case, Heard, Over, REMEMBERED, Told};
pub use wire::{hold_from_json, hold_to_json, stopped_from_json, stopped_to_json};

use std::collections::{BTreeMap, BTreeSet};

use crate::setting::{Name, Weight};

/// A webhook, and what it wants to hear.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subscription {
    pub name: Name,
    pub weights: BTreeSet<Weight>,
    /// Minutes between reminders of an open case, by its weight. Without an entry, or with 0, there is none.
    pub remind_minutes: BTreeMap<Weight, u32>,
}

/// What the configuration says about alerts.
#[derive(Debug, Clone, PartialEq)]
pub struct Terms {
    /// Where the events come from, a URI reference such as [`source_of`] makes.
    pub source: String,
    /// The webhooks that are on; names are unique.
    pub webhooks: Vec<Subscription>,
    /// What browsers reach this program at, without a slash at its end; without it messages carry no links.
    pub address: Option<String>,
    /// A pass with more news than this share of the fleet (0 to 1) is a surge.
    pub surge_share: f64,
    /// Whether an untested lifeline is a standing of its own.
    pub require_tests: bool,
}

/// Why a webhook is told of a station; the order of a message's lists and of its sentence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    Opened,
    Grown,
    /// Something there is no longer looked at.
    Unwatched,
    Withdrawn,
    StillOpen,
    Eased,
    /// Withdrawn before, and there again.
    Returned,
    /// Looked at again.
    Watched,
    Closed,
}

impl Reason {
    /// All of them, in order.
    pub const ALL: [Reason; 9] = [
        Reason::Opened,
        Reason::Grown,
        Reason::Unwatched,
        Reason::Withdrawn,
        Reason::StillOpen,
        Reason::Eased,
        Reason::Returned,
        Reason::Watched,
        Reason::Closed,
    ];

    /// The name of its list in a message.
    pub fn as_str(self) -> &'static str {
        match self {
            Reason::Opened => "opened",
            Reason::Grown => "grown",
            Reason::Unwatched => "unwatched",
            Reason::Withdrawn => "withdrawn",
            Reason::StillOpen => "still_open",
            Reason::Eased => "eased",
            Reason::Returned => "returned",
            Reason::Watched => "watched",
            Reason::Closed => "closed",
        }
    }
}
