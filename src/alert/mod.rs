//! What to tell of a fleet's drift, and to whom: what was told before and what is so now make one message a webhook.
//!
//! [`decide()`] is a pure function. It compares levels, not events: a doubled or lost event changes nothing, a second pass
//! over the same has nothing to say, and a restart speaks of what changed since the last telling only. Nothing here
//! reads a clock, sends anything or keeps anything; codes never get here.
//!
//! # The machine and its topics
//!
//! A *topic* is something people are alerted about (`topic`, a file each): stations, the files, rejected reports, a held
//! change, what is set aside, stopped webhooks, the daemon's own address. It says what its *subjects* are and how each is now:
//! a [`Condition`] with a severity, a mark that is equal where there is nothing new to say, and facts; what makes it worse or
//! better; and what a message says of it. The *machine* keeps a case a subject: what was said of it, and which webhook heard
//! that when. It alone decides who is told what (`step`), who is reminded, and what the ids of messages are. A new topic is a
//! file in `topic` and a line in [`decide()`].
//!
//! # The table
//!
//! For each subject and each webhook; the first row that fits counts. The fine points (gone, there again, no longer managed,
//! managed again) are those of stations.
//!
//! | the webhook heard | the subject now is | the webhook is told |
//! |---|---|---|
//! | anything | gone from the inventory | `withdrawn` |
//! | its case | gone from the inventory, which was told | `withdrawn` |
//! | anything | gone from the inventory, which was told | nothing |
//! | nothing | there again, after its absence was told | `returned` |
//! | anything | a part that concerns it is no longer managed | `unwatched` |
//! | nothing, or what cannot be read | wrong, and it takes that severity | `opened` |
//! | what cannot be read | right | `closed` |
//! | its case | better | `eased` |
//! | its case | worse, or changed more often than it heard | `grown` |
//! | its case | right; a part is not managed | `unwatched` |
//! | its case | right | `closed` |
//! | anything | a part is managed again that it heard was not | `watched` |
//! | its case | as it heard, and a reminder is due | `still_open` |
//! | anything | anything else | nothing |
//!
//! For a station, *wrong* is: it drifts, by a weight that the webhook takes. *As it heard* is also what changed only in parts
//! that the webhook does not take, and what someone took since the case opened is not reminded of until the take is over.
//! What is wrong and too light for a webhook is on record, and told to nobody.
//!
//! *Better* is: no heavier, no worse in standing, every drifting setting drifted before, with the same wanted value, and is no
//! worse (strayed > differs > in-doubt > unproven > overdue; one equally wrong but held otherwise is worse), every failing
//! lifeline failed before and is no worse. One exception: a lifeline that becomes `untested` while a lifeline setting stops
//! drifting is the fix under way, and not worse. For every other topic what is new is worse.
//!
//! A visit of which nothing was heard for 24 hours is news of a case, and worse; its beginning and its end are shown with it.
//!
//! *What is said first* (`buttons`) is what a person meets who presses a button that calls nobody: how many of them there are
//! among the stations of a message, and the first, whatever else it tells.
//!
//! Who heard of a case hears of it to its end, whatever its weight becomes; so each webhook's telling of a station always
//! reads opened, (grown, eased, still open)…, closed or withdrawn. A webhook added to the configuration hears of the
//! cases that are open. In `unwatched`, `watched` and `returned` the standing says whether a case is open: it is over where
//! that is `aligned` or missing. A case that was open when its station went goes on from when it was opened.
//!
//! *No longer managed* (`scope`): a setting that no layer manages any more, or a lifeline whose test calls do not count any
//! more, is neither right nor wrong for this program, and nobody will hear of it. So nothing is told as aligned of which a
//! part is lost, until that is looked at again or the keybook has it no more. What is remembered for it, of every station,
//! is small: where it is, its managed lifeline settings, what is lost. An aside is no loss.
//!
//! *Flapping*: every settled change is told; what opens and closes within the settle time is never seen here.
//!
//! *A fix that did not stick*: a setting that drifted, came right by a report (not by an edit), and within
//! [`REMEMBERED`] differs or strays from the same wanted value again; or a lifeline that called nobody (dead by the record,
//! or its test call failed), was put right, and calls nobody again. Its entry says `did_not_stick`, the part when its fix was confirmed.
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
//! *A held change* (`change`): the brake's hold is in every message while it lasts. Every webhook is told when it begins, becomes
//! another change, is released (by whom and why) or is over, each once, whether a station has news or not; and is reminded
//! at its interval for lifelines while nothing else is told. Where it is over without a release, how its stations came out of
//! it is said.
//!
//! *A script to call back* (`call_back`): where a message tells of a station for which a script was handed out to what is wanted
//! no longer, and nobody reported of it, it says so with its digest: above all where an edit makes all seem well again.
//!
//! *A message that its receiver will not take* (`refused`): the others are alerted once, with the most urgent that was not heard,
//! until it takes a whole message again. Where neither it nor its shortest body was taken, no alert arrived there: what is open comes again with its reminder, complete, and that a case is
//! over is told once more when a reminder would be due.
//!
//! *A rejected report that says that a button does not work* (`unrecorded`) is a case until it is on record, or a report that is
//! no older says how the button is, or someone says that it need not be sent again.
//!
//! *A webhook in trouble* (`trouble`): one whose receiver answered that it wants no more (410, `receivers`), or that has had
//! something to deliver for too long and delivered nothing (`silent`). The others are told of it as of a case: once when it
//! begins, again when a reminder is due, once when it is over. It is told nothing itself.

pub mod body;
mod brief;
mod buttons;
mod case;
mod cases;
mod cause;
mod clip;
mod count;
mod decide;
mod entry;
mod event;
mod gist;
mod grouped;
mod handed_out;
mod heartbeat;
mod json;
mod kept;
mod key;
mod ledger;
mod machine;
mod mark;
mod message;
mod pass;
mod refresh;
mod singly;
mod step;
mod subject;
mod summary;
mod terms;
mod topic;
mod visits;
mod work;

#[cfg(test)]
mod tests;

pub use brief::id as brief_id;
pub use case::{Condition, REMEMBERED, Severity};
pub use cases::{Cases, Noted, Writes};
pub use decide::{Verdict, decide};
pub use event::{CONTENT_TYPE, LONGEST_BODY, Message, source_of};
pub use heartbeat::{heartbeat, trial};
pub use ledger::{LedgerTrouble, ledger_message};
pub use pass::{
    Brake, Cause, FailedTest, FilesRead, NewCommit, Next, Over, Pages, Pass, Refused, Refusing, RejectedReport,
    RejectedReports, ReportTaken, Says, ScriptToCallBack, Silent, Stopped, ToCallBack, Unreachable, Work,
};
pub use refresh::LIST;
pub use step::Reason;
pub use terms::{AlertTerms, Subscription};
pub use topic::files::are_told as are_files_told;
pub use topic::pages::is_told as is_unreachable_told;
pub use topic::refused::last_told as last_refused_told;
pub use topic::reports::last_told as last_rejected_told;
pub use topic::unrecorded::{Facts as Unrecorded, ended_by as settles, open as open_unrecorded};
