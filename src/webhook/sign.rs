//! Standard Webhooks signatures with a shared secret (HMAC-SHA256, version `v1`).
//! It never shows a secret, not even in errors or debug output, and makes no asymmetric signatures.

use base64::Engine;
use base64::alphabet;
use base64::engine::DecodePaddingMode;
use base64::engine::general_purpose::{GeneralPurpose, GeneralPurposeConfig, STANDARD};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use thiserror::Error;

/// How a symmetric secret begins (Standard Webhooks, "Signature scheme").
const PREFIX: &str = "whsec_";

/// Bytes a key may have (the same place).
const KEY_BYTES: std::ops::RangeInclusive<usize> = 24..=64;

/// Secrets are often copied without the `=` at their end; the reference libraries take them so, too.
const LENIENT: GeneralPurpose = GeneralPurpose::new(
    &alphabet::STANDARD,
    GeneralPurposeConfig::new().with_decode_padding_mode(DecodePaddingMode::Indifferent),
);

/// Why a secret or an id cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum SignError {
    #[error("the signing secret does not begin with \"whsec_\"; make one with: echo whsec_$(openssl rand -base64 32)")]
    Prefix,
    #[error("the signing secret is an asymmetric key; give a shared one, which begins with \"whsec_\"")]
    Asymmetric,
    #[error("what follows \"whsec_\" in the signing secret is not base64; copy it again, whole")]
    Base64,
    #[error("the signing secret has {bytes} bytes; 24 to 64 are needed")]
    Length { bytes: usize },
    #[error("the message id {id:?} cannot be sent: it must be 1 to 256 letters, digits, \"-\", \"_\" or \":\"")]
    Id { id: String },
}

/// A webhook's signing key.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(Vec<u8>);

impl Secret {
    /// Reads `whsec_` and base64 (white space around it, such as a file's last newline, is no part of it).
    pub fn parse(text: &str) -> Result<Self, SignError> {
        let text = text.trim();
        if text.starts_with("whsk_") || text.starts_with("whpk_") {
            return Err(SignError::Asymmetric);
        }
        let coded = text.strip_prefix(PREFIX).ok_or(SignError::Prefix)?;
        let key = LENIENT.decode(coded).map_err(|_| SignError::Base64)?;
        if !KEY_BYTES.contains(&key.len()) {
            return Err(SignError::Length { bytes: key.len() });
        }
        Ok(Self(key))
    }

    fn sign(&self, id: &str, timestamp_s: i64, body: &str) -> String {
        // HMAC takes a key of any length (RFC 2104), so this cannot fail; no panic if it ever did.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(&self.0) else {
            return String::new();
        };
        mac.update(format!("{id}.{timestamp_s}.").as_bytes());
        mac.update(body.as_bytes());
        format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(not shown)")
    }
}

/// The value of `webhook-signature`: one signature a secret, in their order, separated by spaces. `timestamp_s` is
/// the time of this try in seconds since 1970; the body is signed as it is sent. Empty without secrets.
pub fn signature(secrets: &[Secret], id: &str, timestamp_s: i64, body: &str) -> Result<String, SignError> {
    check_id(id)?;
    let all: Vec<String> = secrets.iter().map(|secret| secret.sign(id, timestamp_s, body)).collect();
    Ok(all.join(" "))
}

/// A `.` in an id would make the signed text ambiguous; a control character would break the header.
fn check_id(id: &str) -> Result<(), SignError> {
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | ':');
    if id.is_empty() || id.len() > 256 || !id.chars().all(fits) {
        return Err(SignError::Id { id: id.to_owned() });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Published test vectors of the Standard Webhooks reference libraries (the project's STANDARDS.md, 6).
    const VECTORS: [(&str, &str, i64, &str, &str); 2] = [
        (
            "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD",
            "msg_27UH4WbU6Z5A5EzD8u03UvzRbpk",
            1_649_367_553,
            r#"{"email":"test@example.com","username":"test_user"}"#,
            "v1,tZ1I4/hDygAJgO5TYxiSd6Sd0kDW6hPenDe+bTa3Kkw=",
        ),
        (
            "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
            "msg_p5jXN8AQM9LWM0D4loKWxJek",
            1_614_265_330,
            r#"{"test": 2432232314}"#,
            "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
        ),
    ];

    #[test]
    fn the_published_vectors_come_out() {
        for (secret, id, at, body, expected) in VECTORS {
            let secret = Secret::parse(secret).expect("published secret");
            assert_eq!(signature(&[secret], id, at, body).as_deref(), Ok(expected), "{id}");
        }
    }

    #[test]
    fn while_a_secret_is_replaced_both_sign() {
        let secrets: Vec<Secret> =
            VECTORS.iter().map(|vector| Secret::parse(vector.0).expect("published secret")).collect();
        let (_, id, at, body, expected) = VECTORS[0];
        let both = signature(&secrets, id, at, body).expect("a good id");
        let parts: Vec<&str> = both.split(' ').collect();
        assert_eq!(parts.len(), 2);
        assert_eq!(parts[0], expected);
        assert_ne!(parts[1], expected);
    }

    #[test]
    fn a_secret_that_cannot_be_used_says_why_without_showing_it() {
        let cases = [
            ("C2FVsBQIhrscChlQIMV+b5sSYspob7oD", SignError::Prefix),
            ("whsk_C2FVsBQIhrscChlQIMV+b5sSYspob7oD", SignError::Asymmetric),
            ("whsec_C2FVsBQIhr!cChlQIMV+b5sSYspob7oD", SignError::Base64),
            ("whsec_C2FVsBQIhrscChlQ", SignError::Length { bytes: 12 }),
            ("whsec_", SignError::Length { bytes: 0 }),
        ];
        for (text, expected) in cases {
            let error = Secret::parse(text).expect_err("no usable secret");
            assert_eq!(error, expected);
            assert!(!format!("{error} {error:?}").contains("C2FVsBQ"));
        }
    }

    #[test]
    fn a_newline_at_the_end_of_a_secret_file_does_no_harm() {
        let (text, id, at, body, expected) = VECTORS[0];
        let secret = Secret::parse(&format!("{text}\n")).expect("published secret");
        assert!(!format!("{secret:?}").contains("C2FV"));
        assert_eq!(signature(&[secret], id, at, body).as_deref(), Ok(expected));
    }

    #[test]
    fn a_secret_copied_without_its_padding_is_the_same() {
        let padded = Secret::parse("whsec_MDEyMzQ1Njc4OWFiY2RlZmdoaWprbG1ub3A=").expect("26 bytes");
        let bare = Secret::parse("whsec_MDEyMzQ1Njc4OWFiY2RlZmdoaWprbG1ub3A").expect("26 bytes");
        assert_eq!(padded, bare);
    }

    #[test]
    fn an_id_that_would_blur_the_signed_text_is_rejected() {
        for id in ["", "a.b", "a b", "a\nb", "ä", &"x".repeat(257)] {
            assert!(matches!(signature(&[], id, 0, ""), Err(SignError::Id { .. })), "{id:?}");
        }
    }

    proptest! {
        #[test]
        fn another_id_time_or_body_is_another_signature(
            (id, at, body) in ("[a-z0-9_]{1,12}", 0i64..99_999, "[ -~]{0,12}"),
            (id2, at2, body2) in ("[a-z0-9_]{1,12}", 0i64..99_999, "[ -~]{0,12}"),
        ) {
            let secrets = [Secret::parse(VECTORS[0].0).expect("published secret")];
            let one = signature(&secrets, &id, at, &body).expect("a good id");
            let other = signature(&secrets, &id2, at2, &body2).expect("a good id");
            prop_assert_eq!(one == other, (id, at, body) == (id2, at2, body2));
        }

        #[test]
        fn no_text_makes_the_reader_of_secrets_panic(text in "(whsec_)?.{0,100}") {
            let _ = Secret::parse(&text);
        }
    }
}
