//! Who may see what: tokens by name and role, as HTTP Basic brings them (RFC 7617). A token itself is kept nowhere; what is
//! compared is its SHA-256, in a time that tells nothing. It never says which half of a name and token was wrong.

use std::fmt;

use axum::http::{HeaderMap, header};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

use super::problem::{Kind, Problem};
use crate::setting::Name;

/// How a name and a token are asked for (RFC 7617 section 2).
pub(super) const CHALLENGE: &str = "Basic realm=\"stationkeep\", charset=\"UTF-8\"";

/// Asks for a name and a token.
pub(super) fn token_needed() -> Problem {
    let detail = "Give the name and the token that the configuration lists at \"access\".";
    Problem::new(Kind::Token, detail).with_header(header::WWW_AUTHENTICATE, CHALLENGE)
}

/// What the bearer of a token does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Sees how the fleet stands, and no access code.
    Reader,
    /// Keys: opens cards.
    Technician,
    /// Opens cards, and hands them on by signed links.
    Ops,
}

impl Role {
    /// All of them.
    pub const ALL: [Role; 3] = [Role::Reader, Role::Technician, Role::Ops];

    /// The word in the configuration.
    pub fn as_str(self) -> &'static str {
        match self {
            Role::Reader => "reader",
            Role::Technician => "technician",
            Role::Ops => "ops",
        }
    }
}

/// One access token of the configuration.
#[derive(Clone, PartialEq, Eq)]
pub struct Token {
    /// Whose it is; holds no colon, which ends a name in RFC 7617.
    pub name: Name,
    /// What its bearer may see.
    pub role: Role,
    /// Of the token's UTF-8.
    pub sha256: [u8; 32],
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Token({}, {})", self.name, self.role.as_str())
    }
}

/// Everybody who has a token; without any, only this machine is listened to, and nobody is asked.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Access {
    /// Those who may come in.
    pub tokens: Vec<Token>,
}

/// Who asks, as far as a request says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Caller {
    /// Nobody is asked.
    ThisMachine,
    Known(Role),
    /// No token, or none that is known under that name.
    Unknown,
}

impl Access {
    /// Who asks with these headers.
    pub(super) fn caller(&self, headers: &HeaderMap) -> Caller {
        if self.tokens.is_empty() {
            return Caller::ThisMachine;
        }
        match headers.get(header::AUTHORIZATION).and_then(|value| credentials(value.as_bytes())) {
            Some((name, token)) => self.role(&name, &token).map_or(Caller::Unknown, Caller::Known),
            None => Caller::Unknown,
        }
    }

    /// All tokens are looked at, whichever fits.
    fn role(&self, name: &str, token: &str) -> Option<Role> {
        let hash: [u8; 32] = Sha256::digest(token).into();
        let mut found = None;
        for known in &self.tokens {
            let fits = known.sha256.ct_eq(&hash) & known.name.as_bytes().ct_eq(name.as_bytes());
            if bool::from(fits) {
                found = Some(known.role);
            }
        }
        found
    }
}

/// Name and token of an `Authorization` header (RFC 7617 section 2): the scheme in any case, base64 of `name:token` in
/// UTF-8.
fn credentials(value: &[u8]) -> Option<(String, String)> {
    let (scheme, coded) = std::str::from_utf8(value).ok()?.split_once(' ')?;
    if !scheme.eq_ignore_ascii_case("basic") {
        return None;
    }
    let text = String::from_utf8(STANDARD.decode(coded.trim()).ok()?).ok()?;
    let (name, token) = text.split_once(':')?;
    Some((name.to_owned(), token.to_owned()))
}

/// Who sees a card.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Holder {
    ThisMachine,
    Technician,
    Ops,
    /// The bearer of a signed link: for this card alone.
    Link,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn headers(value: &str) -> HeaderMap {
        [(header::AUTHORIZATION, value.parse().unwrap())].into_iter().collect()
    }

    fn access() -> Access {
        let token = |name: &str, role, token: &str| Token {
            name: name.into(),
            role,
            sha256: Sha256::digest(token.as_bytes()).into(),
        };
        Access {
            tokens: vec![
                token("Aladdin", Role::Ops, "open sesame"),
                token("test", Role::Technician, "123£"),
                token("intake", Role::Reader, "open sesame"),
            ],
        }
    }

    /// The examples of RFC 7617, sections 2 and 2.1.
    #[test]
    fn the_published_examples_are_who_they_say() {
        let caller = |value: &str| access().caller(&headers(value));
        assert_eq!(caller("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="), Caller::Known(Role::Ops));
        assert_eq!(caller("Basic dGVzdDoxMjPCow=="), Caller::Known(Role::Technician));
        assert_eq!(caller("bAsIc dGVzdDoxMjPCow=="), Caller::Known(Role::Technician), "a scheme has no case");
    }

    #[test]
    fn a_token_counts_under_its_own_name_only() {
        let caller = |pair: &str| access().caller(&headers(&format!("Basic {}", STANDARD.encode(pair))));
        assert_eq!(caller("intake:open sesame"), Caller::Known(Role::Reader));
        for wrong in ["test:open sesame", "Aladdin:open sesam", "Aladdin:", ":open sesame", "aladdin:open sesame", ""] {
            assert_eq!(caller(wrong), Caller::Unknown, "{wrong}");
        }
        assert_eq!(access().caller(&HeaderMap::new()), Caller::Unknown);
        assert_eq!(access().caller(&headers("Bearer open sesame")), Caller::Unknown);
        assert_eq!(Access::default().caller(&headers("Basic !")), Caller::ThisMachine);
        let shown = format!("{:?}", access());
        assert!(!shown.contains("sesame") && !shown.contains("sha256"), "{shown}");
    }

    proptest! {
        #[test]
        fn any_name_and_token_come_through_and_any_header_is_survived(
            name in "[^:]{0,20}", token in any::<String>(), odd in "[ -~]{0,60}",
        ) {
            let coded = STANDARD.encode(format!("{name}:{token}"));
            prop_assert_eq!(credentials(format!("Basic {coded}").as_bytes()), Some((name, token)));
            let _ = access().caller(&headers(odd.trim()));
        }
    }
}
