//! Who is let in from other machines, and where browsers reach this program: `access`, `address`, `listen`.
//!
//! Cards show access codes, so nothing but this machine is listened to before there are tokens, and no link leads over a
//! network in the clear.

use std::net::SocketAddr;

use super::{Reader, defaults};
use crate::finding::Code;
use crate::setting::Name;
use crate::web::{Access, Role, Token, is_loopback};
use crate::yaml::Node;

/// The most tokens, and the longest name of one in characters.
const LIMIT_TOKENS: usize = 256;
const LIMIT_NAME: usize = 64;

/// The longest address, in characters: an alert has room for it once a station.
const LIMIT_ADDRESS: usize = 120;

impl Reader<'_> {
    /// Who has a token. What cannot be read is a finding, and counts as a token for the checks of addresses.
    pub(super) fn access(&mut self, node: Option<&Node>) -> (Access, bool) {
        let mut access = Access::default();
        let Some(node) = node else { return (access, false) };
        let Some([tokens]) = self.sheet.map(node, "\"access\"", ["tokens"]) else { return (access, true) };
        let tokens = self.sheet.required(tokens, node, "\"access\"", "tokens");
        let Some(items) = tokens.and_then(|tokens| self.sheet.list(tokens, "\"access.tokens\"")) else {
            return (access, true);
        };
        if !(1..=LIMIT_TOKENS).contains(&items.len()) {
            let message = format!("\"access.tokens\" lists {} tokens.", items.len());
            let fix = format!("List 1 to {LIMIT_TOKENS}, or leave \"access\" out.");
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
        }
        for item in items {
            let Some(token) = self.token(item) else { continue };
            if access.tokens.iter().any(|other| other.name == token.name) {
                let message = format!("A second token is called \"{}\".", token.name);
                self.sheet.note(Code::NameRepeated, item.spot, message, "Give each a name of its own.");
            } else {
                access.tokens.push(token);
            }
        }
        (access, true)
    }

    fn token(&mut self, node: &Node) -> Option<Token> {
        let [name, role, sha256] = self.sheet.map(node, "A token", ["name", "role", "sha256"])?;
        let name = self.sheet.required(name, node, "The token", "name").and_then(|n| self.token_name(n));
        let words = Role::ALL.map(|role| (role.as_str(), role));
        let role = self.sheet.required(role, node, "The token", "role");
        let role = role.and_then(|n| self.sheet.word(n, "A token's \"role\"", &words));
        let sha256 = self.sheet.required(sha256, node, "The token", "sha256").and_then(|n| self.sha256(n));
        Some(Token { name: name?, role: role?, sha256: sha256? })
    }

    /// A colon would end the name where a browser sends it.
    fn token_name(&mut self, node: &Node) -> Option<Name> {
        let text = self.sheet.text(node, "The token's name")?;
        let fits = (1..=LIMIT_NAME).contains(&text.chars().count())
            && !text.chars().any(|sign| sign.is_control() || sign == ':');
        if !fits {
            let fix = format!("Write 1 to {LIMIT_NAME} characters without a colon.");
            self.sheet.note(Code::ConfigBroken, node.spot, "This cannot be a token's name.", fix);
        }
        fits.then(|| text.into())
    }

    /// It is not repeated in a finding: it may be the token itself.
    fn sha256(&mut self, node: &Node) -> Option<[u8; 32]> {
        let text = self.sheet.quoted(node, "\"sha256\"")?;
        let found = hash(text);
        if found.is_none() {
            let message = "\"sha256\" is not a SHA-256, which has 64 digits from 0-9 and a-f.";
            let fix = "Write what this prints, in quotes: printf %s \"$TOKEN\" | sha256sum. The token itself is never written here.";
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
        }
        found
    }

    /// What browsers reach this program at, without a slash at its end.
    pub(super) fn browsers(&mut self, node: Option<&Node>, has_tokens: bool) -> Option<String> {
        let node = node?;
        let text = self.sheet.text(node, "\"address\"")?;
        let is_plain = |url: &url::Url| {
            let bare = url.username().is_empty() && url.password().is_none();
            matches!(url.scheme(), "http" | "https") && url.has_host() && bare && url.query().is_none()
        };
        let url = url::Url::parse(text).ok().filter(|url| is_plain(url) && url.fragment().is_none());
        let Some(url) = url.filter(|url| url.as_str().chars().count() <= LIMIT_ADDRESS) else {
            // It may hold a password, so it is not repeated.
            let fix = format!(
                "Write what a browser opens, such as https://ops.example.org, without name, password, \"?\" and \"#\", in at most \
                 {LIMIT_ADDRESS} characters."
            );
            self.sheet.note(Code::ConfigBroken, node.spot, "\"address\" is not an address for a browser.", fix);
            return None;
        };
        if !is_loopback(&url) {
            let (message, fix) = if !has_tokens {
                (
                    "\"address\" leads other machines to cards, which show access codes, and no token is asked for.",
                    "List who may see them at access: {tokens: […]}, or write http://127.0.0.1 with the port of \"listen\".",
                )
            } else if url.scheme() == "http" {
                (
                    "\"address\" begins with http://, so access codes and tokens would cross the network in the clear.",
                    "Write https://…, and let a proxy that holds the certificate stand in front.",
                )
            } else {
                return Some(url.as_str().trim_end_matches('/').to_owned());
            };
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
        }
        Some(url.as_str().trim_end_matches('/').to_owned())
    }

    pub(super) fn listen(&mut self, node: Option<&Node>, has_tokens: bool) -> Option<SocketAddr> {
        let Some(node) = node else { return defaults::LISTEN.parse().ok() };
        let text = self.sheet.text(node, "\"listen\"")?;
        let Ok(address) = text.parse::<SocketAddr>() else {
            let port = text.rsplit_once(':').map_or(text, |(_, port)| port).parse::<u16>();
            let fix = match port {
                Ok(port) => format!("Write an address and a port: 127.0.0.1:{port}."),
                Err(_) => format!("Write an address and a port up to 65535, such as {}.", defaults::LISTEN),
            };
            let message = format!("\"listen\" is \"{text}\", which is not an address to listen on.");
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
            return None;
        };
        if !address.ip().is_loopback() && !has_tokens {
            let message =
                format!("\"listen\" is {address}, which other machines can reach, and no token is asked for.");
            let fix =
                format!("Write 127.0.0.1:{}, or list who may come in at access: {{tokens: […]}}.", address.port());
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
        }
        Some(address)
    }
}

fn hash(text: &str) -> Option<[u8; 32]> {
    let is_hex = text.len() == 64 && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'));
    let mut hash = [0; 32];
    for (at, byte) in hash.iter_mut().enumerate().filter(|_| is_hex) {
        *byte = u8::from_str_radix(text.get(2 * at..2 * at + 2)?, 16).ok()?;
    }
    is_hex.then_some(hash)
}
