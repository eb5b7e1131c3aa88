//! Delivers messages from the outbox to webhooks over HTTP, signed as the Standard Webhooks specification says.
//! It never decides what is told, and never shows a signing secret or more of an address than scheme, host and port.

mod pump;
mod retry;
mod said;
mod send;
mod sign;
mod target;

pub use pump::{Ended, Pump, PumpState, PumpStatus};
pub use retry::{FIRST_WAIT_MS, LONGEST_WAIT_MS, MOST_ASKED_MS, http_date_ms, retry_after_ms, wait_ms};
pub use said::Said;
pub use send::{Attempt, Limits, Message, SendError, Sender, shown_address};
pub use sign::{Secret, SignError, signature};
pub use target::{Expect, PAGER, Target};
