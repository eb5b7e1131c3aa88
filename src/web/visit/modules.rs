//! The scripts of the visit page, under an address that changes with them, so that a phone keeps those that belong to a page;
//! and the worker, which answers for the card's address where there is no network.

use std::sync::LazyLock;

use axum::http::header;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use crate::setting::hex;

/// By name.
pub(super) const MODULES: [(&str, &str); 10] = [
    ("clocks.js", include_str!("clocks.js")),
    ("finished.js", include_str!("finished.js")),
    ("keep.js", include_str!("keep.js")),
    ("parts.js", include_str!("parts.js")),
    ("qr.js", include_str!("qr.js")),
    ("send.js", include_str!("send.js")),
    ("sound.js", include_str!("sound.js")),
    ("visit.js", include_str!("visit.js")),
    ("waiting.js", include_str!("waiting.js")),
    ("walk.js", include_str!("walk.js")),
];

/// 16 hexadecimal digits over all of them.
static VERSION: LazyLock<String> = LazyLock::new(|| {
    let mut hash = Sha256::new();
    MODULES.iter().for_each(|(name, text)| hash.update(format!("{name}\0{text}\0")));
    hex(&hash.finalize()[..8])
});

/// A script, by its address beside the card's.
pub(super) fn address(name: &str) -> String {
    format!("{}/{name}", *VERSION)
}

/// A script; nothing where there is none of this name. Whoever asks under another version gets this one, and does not keep it.
pub(in super::super) fn module(version: &str, name: &str) -> Option<Response> {
    let (_, text) = MODULES.iter().find(|(known, _)| *known == name)?;
    let cache = if version == *VERSION { "public, max-age=31536000, immutable" } else { "no-store" };
    Some(script(text, cache))
}

/// The worker. A worker of one file runs in every browser, so the modules that it imports stand in it.
pub(in super::super) fn worker() -> Response {
    static WORKER: LazyLock<String> = LazyLock::new(|| {
        let keep = include_str!("keep.js").replace("export ", "");
        let worker = include_str!("worker.js").lines().filter(|line| !line.starts_with("import "));
        keep + "\n" + &worker.collect::<Vec<_>>().join("\n") + "\n"
    });
    script(&WORKER, "no-cache")
}

fn script(text: &'static str, cache: &'static str) -> Response {
    let headers = [
        (header::CONTENT_TYPE, "text/javascript; charset=utf-8"),
        (header::CACHE_CONTROL, cache),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // A worker may fetch what its own answer allows.
        (header::CONTENT_SECURITY_POLICY, "default-src 'none'; connect-src 'self'"),
    ];
    (headers, text).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scripts_import_nothing_from_elsewhere_and_nothing_that_is_not_there() {
        for (name, text) in MODULES.iter().chain(&[("worker.js", include_str!("worker.js"))]) {
            assert!(text.starts_with("// "), "{name} says what it is");
            for line in text.lines().filter(|line| line.starts_with("import ")) {
                let from = line.split('"').nth(1).and_then(|from| from.strip_prefix("./")).expect("a neighbour");
                assert!(MODULES.iter().any(|(known, _)| *known == from), "{name}: {line}");
            }
            // A namespace is a name, and nothing is fetched from there.
            let without = text.replace("http://www.w3.org/2000/svg", "").replace("(http)", "");
            assert!(!without.contains("http:") && !without.contains("https:"), "{name}");
            for dangerous in ["innerHTML", "eval(", "insertAdjacentHTML", "document.write"] {
                assert!(!text.contains(dangerous), "{name}: {dangerous}");
            }
        }
    }

    #[test]
    fn an_address_of_the_scripts_is_one_of_no_card_by_chance_and_changes_with_them() {
        assert_eq!(VERSION.len(), 16);
        assert!(VERSION.bytes().all(|byte| byte.is_ascii_hexdigit()));
        assert!(module(&VERSION, "visit.js").is_some() && module("x", "visit.js").is_some());
        assert!(module(&VERSION, "worker.js").is_none() && module(&VERSION, "../visit.js").is_none());
    }
}
