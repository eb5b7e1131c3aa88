//! The clock of the program: the system's, or one set for a rehearsal.

use jiff::{SignedDuration, Timestamp};

const VARIABLE: &str = "STATIONKEEP_CLOCK";

/// Tells the time. Copies tell the same.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    ahead: SignedDuration,
}

impl Clock {
    /// The system's clock, or one that starts at the time given in `STATIONKEEP_CLOCK` (RFC 3339).
    ///
    /// # Errors
    /// Where the variable holds no time.
    pub fn from_env() -> Result<Clock, String> {
        let Some(text) = std::env::var_os(VARIABLE).filter(|text| !text.is_empty()) else {
            return Ok(Clock { ahead: SignedDuration::ZERO });
        };
        let time: Timestamp = text
            .to_str()
            .and_then(|text| text.parse().ok())
            .ok_or_else(|| format!("{VARIABLE} is no time: write it like 2026-11-25T12:00:00Z"))?;
        Ok(Clock { ahead: time.duration_since(Timestamp::now()) })
    }

    /// Whether it does not tell the system's time.
    pub fn is_set_by_hand(self) -> bool {
        !self.ahead.is_zero()
    }

    /// The time now.
    pub fn now(self) -> Timestamp {
        Timestamp::now().checked_add(self.ahead).unwrap_or(Timestamp::MAX)
    }
}

/// The system's clock in milliseconds since 1970.
pub fn system_ms() -> i64 {
    Timestamp::now().as_millisecond()
}
