//! Signed links: the address of one card of one station, good until a time, for someone who has no token.
//! Whoever changes a sign of it has nothing; it opens that card alone.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit, Mac};
use jiff::{SignedDuration, Timestamp};
use sha2::Sha256;

use crate::ledger::Digest;
use crate::script::card;

/// What the key of links is derived by from the ledger's key, so that neither can stand for the other.
const LABEL: &[u8] = b"stationkeep: signed links to cards, 1";

/// A report may be filed by a link for so long after it has ceased to show its card.
const FILED_LATER: SignedDuration = SignedDuration::from_hours(7 * 24);

/// The key that links are signed with.
#[derive(Clone)]
pub struct LinkKey([u8; 32]);

/// Why a signed link opens nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Closed {
    Forged,
    Expired,
}

impl LinkKey {
    /// The key that belongs to a ledger's key file.
    pub fn of(ledger: &[u8; 32]) -> LinkKey {
        LinkKey(mac(ledger, &[LABEL]).finalize().into_bytes().into())
    }

    /// A link that is good until a time (whole seconds).
    pub(super) fn link(&self, address: &str, digest: &Digest, station: &str, until: Timestamp) -> String {
        let until = until.as_second().to_string();
        let sig = URL_SAFE_NO_PAD.encode(self.sign(digest, station, &until).finalize().into_bytes());
        format!("{}&until={until}&sig={sig}", card::link(address, digest, station))
    }

    /// Whether the report of a card may be filed by its link: for longer than it shows the card, since a report may wait for a
    /// network. `until` and `sig` are as they stand in the link.
    pub(super) fn check_filing(
        &self,
        digest: &Digest,
        station: &str,
        until: &str,
        sig: &str,
        now: Timestamp,
    ) -> Result<(), Closed> {
        self.check(digest, station, until, sig, now.saturating_sub(FILED_LATER).unwrap_or(Timestamp::MIN))
    }

    /// Whether a link is whole and still good. `until` and `sig` are as they stand in it.
    pub(super) fn check(
        &self,
        digest: &Digest,
        station: &str,
        until: &str,
        sig: &str,
        now: Timestamp,
    ) -> Result<(), Closed> {
        let sig = URL_SAFE_NO_PAD.decode(sig).map_err(|_| Closed::Forged)?;
        // Compared in constant time.
        self.sign(digest, station, until).verify_slice(&sig).map_err(|_| Closed::Forged)?;
        let until: i64 = until.parse().map_err(|_| Closed::Forged)?;
        if now.as_second() < until { Ok(()) } else { Err(Closed::Expired) }
    }

    fn sign(&self, digest: &Digest, station: &str, until: &str) -> Hmac<Sha256> {
        let digest = digest.to_string();
        // The length first, so that no two of these run into each other.
        let length = (station.len() as u64).to_be_bytes();
        mac(&self.0, &[&length, station.as_bytes(), digest.as_bytes(), until.as_bytes()])
    }
}

fn mac(key: &[u8; 32], parts: &[&[u8]]) -> Hmac<Sha256> {
    let mac = Hmac::<Sha256>::new_from_slice(key);
    let mut mac = mac.unwrap_or_else(|_| unreachable!("HMAC takes a key of any length (RFC 2104)"));
    parts.iter().for_each(|part| mac.update(part));
    mac
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn digest(text: &str) -> Digest {
        text.parse().unwrap()
    }

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_second(seconds).unwrap()
    }

    /// What a browser reads out of a link, by the WHATWG's rules (crate `url`): the last part of the path and the query.
    fn parts(link: &str) -> (Digest, Vec<(String, String)>) {
        let url = url::Url::parse(link).unwrap();
        let last = url.path_segments().unwrap().next_back().unwrap();
        (digest(last), url.query_pairs().into_owned().collect())
    }

    const ONE: &str = "3f9a1c0b7d24e615";
    const OTHER: &str = "3f9a1c0b7d24e616";

    #[test]
    fn a_link_opens_its_own_card_until_its_time_and_nothing_else() {
        let key = LinkKey::of(&[7; 32]);
        let link = key.link("https://ops.example", &digest(ONE), "EQ-01", at(1_000));
        let (_, query) = parts(&link);
        let sig = query[2].1.as_str();
        let check = |digest_: &str, station: &str, until: &str, sig: &str, now: i64| {
            key.check(&digest(digest_), station, until, sig, at(now))
        };
        assert_eq!(check(ONE, "EQ-01", "1000", sig, 999), Ok(()));
        assert_eq!(check(ONE, "EQ-01", "1000", sig, 1_000), Err(Closed::Expired));
        assert_eq!(check(OTHER, "EQ-01", "1000", sig, 999), Err(Closed::Forged), "another card");
        assert_eq!(check(ONE, "EQ-02", "1000", sig, 999), Err(Closed::Forged), "another station");
        assert_eq!(check(ONE, "EQ-01", "9999", sig, 999), Err(Closed::Forged), "a longer time");
        assert_eq!(check(ONE, "EQ-01", "01000", sig, 999), Err(Closed::Forged));
        assert_eq!(check(ONE, "EQ-01", "1000", "", 999), Err(Closed::Forged));
        assert_eq!(check(ONE, "EQ-01", "1000", &sig[..42], 999), Err(Closed::Forged), "a shorter signature");
        let other = LinkKey::of(&[8; 32]);
        assert_eq!(other.check(&digest(ONE), "EQ-01", "1000", sig, at(999)), Err(Closed::Forged), "another ledger");
        let filing = |now: i64| key.check_filing(&digest(ONE), "EQ-01", "1000", sig, at(now));
        assert_eq!(filing(1_000 + 7 * 86_400 - 1), Ok(()), "seven days longer");
        assert_eq!(filing(1_000 + 7 * 86_400), Err(Closed::Expired));
        assert_ne!(key.0, [7; 32], "the ledger's key itself signs nothing");
    }

    proptest! {
        #[test]
        fn any_name_comes_back_out_of_a_link_and_any_changed_sign_closes_it(
            station in any::<String>(), seconds in 0i64..4_000_000_000, at_sign in 0usize..43, bit in 0u8..6,
        ) {
            let key = LinkKey::of(&[7; 32]);
            let link = key.link("https://ops.example/x", &digest(ONE), &station, at(seconds));
            prop_assert!(link.is_ascii());
            let (card, query) = parts(&link);
            prop_assert_eq!((&query[0].0, &query[0].1), (&"station".to_owned(), &station));
            let (until, sig) = (&query[1].1, &query[2].1);
            prop_assert_eq!(key.check(&card, &station, until, sig, at(seconds - 1)), Ok(()));
            let mut raw = URL_SAFE_NO_PAD.decode(sig).unwrap();
            raw[at_sign % 32] ^= 1 << bit;
            let changed = URL_SAFE_NO_PAD.encode(raw);
            prop_assert_eq!(key.check(&card, &station, until, &changed, at(seconds - 1)), Err(Closed::Forged));
        }
    }
}
