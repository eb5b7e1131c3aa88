//! The address of a card, as alerts and pages write it. It holds no secret.

use std::fmt::Write as _;

use crate::ledger::Digest;

/// Where the card of a script is, behind the address that this program is reached at (without a slash at its end).
pub fn link(address: &str, digest: &Digest, station: &str) -> String {
    format!("{address}/card/{}", beside(digest, station))
}

/// The same as a reference from another card. The name is percent-encoded UTF-8 (RFC 3986 section 2.1), all but the
/// unreserved signs.
pub fn beside(digest: &Digest, station: &str) -> String {
    let mut link = format!("{digest}?station=");
    for byte in station.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => link.push(char::from(byte)),
            _ => {
                let _ = write!(link, "%{byte:02X}");
            }
        }
    }
    link
}
