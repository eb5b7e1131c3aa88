//! Whose request it is by its headers alone: of this machine, passed on by a proxy, or sent by a page of another site.

use axum::http::{HeaderMap, header};

use super::access::Access;

/// Whether a request was sent to a name of this machine: a page of elsewhere that has its own name lead here would
/// otherwise read cards through the browser of whoever sits here.
pub(super) fn is_local(headers: &HeaderMap) -> bool {
    host(headers).is_some_and(|url| is_loopback(&url))
}

/// Whether a proxy says that it passes the request on (RFC 9110 section 7.6.3, RFC 7239, and the headers in use before it):
/// then nobody knows who asks.
pub(super) fn is_passed_on(headers: &HeaderMap) -> bool {
    headers.keys().any(|name| matches!(name.as_str(), "forwarded" | "via") || name.as_str().starts_with("x-forwarded-"))
}

/// Whether an address leads to this machine only: `localhost` (RFC 6761 section 6.3), 127.0.0.0/8 or `::1`.
pub fn is_loopback(url: &url::Url) -> bool {
    match url.host() {
        Some(url::Host::Domain(name)) => name.eq_ignore_ascii_case("localhost"),
        Some(url::Host::Ipv4(address)) => address.is_loopback(),
        Some(url::Host::Ipv6(address)) => address.is_loopback(),
        None => false,
    }
}

/// Whether a request was sent to a name that is not this program's, or by a page of another site. `address`: what browsers
/// reach this program at. Where nobody has a token, this machine alone may ask.
pub(super) fn is_foreign(headers: &HeaderMap, access: &Access, address: Option<&str>) -> bool {
    let Some(host) = host(headers) else { return true };
    let address = address.and_then(|address| url::Url::parse(address).ok());
    let is_ours = match (&address, access.tokens.is_empty()) {
        (_, true) => is_loopback(&host) && !is_passed_on(headers),
        // A name that leads elsewhere today may lead here tomorrow; a number may not.
        (Some(address), false) => {
            is_loopback(&host) || !matches!(host.host(), Some(url::Host::Domain(_))) || host.host() == address.host()
        }
        (None, false) => true,
    };
    let is_of_another = |origin: &header::HeaderValue| {
        let origin = origin.to_str().ok().and_then(|origin| url::Url::parse(origin).ok());
        // A page that has no origin says "null".
        !origin.is_some_and(|origin| {
            let is_host = origin.host() == host.host() && origin.port_or_known_default() == port(&origin, &host);
            is_host || address.as_ref().is_some_and(|address| origin.origin() == address.origin())
        })
    };
    !is_ours || headers.get_all(header::ORIGIN).iter().any(is_of_another)
}

/// The port that was asked under the scheme of a page's origin, which no request tells.
fn port(origin: &url::Url, host: &url::Url) -> Option<u16> {
    let mut asked = host.clone();
    let _ = asked.set_scheme(origin.scheme());
    asked.port_or_known_default()
}

/// The `Host` that a request names, as an address.
fn host(headers: &HeaderMap) -> Option<url::Url> {
    let host = headers.get(header::HOST)?.to_str().ok()?;
    url::Url::parse(&format!("http://{host}/")).ok()
}

#[cfg(test)]
mod tests {
    use super::super::access::{Role, Token};
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let named = |(name, value): &(&'static str, &str)| (name.parse().unwrap(), value.parse().unwrap());
        pairs.iter().map(named).collect::<Vec<(header::HeaderName, header::HeaderValue)>>().into_iter().collect()
    }

    #[test]
    fn only_names_of_this_machine_are_local() {
        let local = |host: &str| is_local(&headers(&[("host", host)]));
        let passed_on = |name: &'static str| is_passed_on(&headers(&[(name, "x")]));
        assert!(["forwarded", "via", "x-forwarded-for", "x-forwarded-host"].into_iter().all(passed_on));
        assert!(!passed_on("accept"));
        for host in ["127.0.0.1:8470", "localhost:8470", "LOCALHOST", "[::1]:8470", "127.1.2.3"] {
            assert!(local(host), "{host}");
        }
        for host in
            ["evil.example", "localhost.evil.example:8470", "127.0.0.1.evil.example", "192.0.2.1:8470", "a b", ""]
        {
            assert!(!local(host), "{host}");
        }
        assert!(!is_local(&HeaderMap::new()));
    }

    #[test]
    fn a_page_of_another_site_and_another_name_are_foreign() {
        let token = Token { name: "ops".into(), role: Role::Ops, sha256: [0; 32] };
        let (open, guarded) = (Access::default(), Access { tokens: vec![token] });
        let address = Some("https://ops.example/harbour");
        let foreign = |access, address, pairs: &[_]| is_foreign(&headers(pairs), access, address);
        let mine = ("host", "127.0.0.1:8470");
        for origin in ["http://127.0.0.1:8470", "https://127.0.0.1:8470"] {
            assert!(!foreign(&open, None, &[mine, ("origin", origin)]), "{origin}");
        }
        for origin in
            ["null", "http://127.0.0.1", "http://127.0.0.1:8471", "https://ops.example", "http://evil.example", ""]
        {
            assert!(foreign(&open, None, &[mine, ("origin", origin)]), "{origin}");
        }
        assert!(!foreign(&open, None, &[mine]) && foreign(&open, None, &[mine, ("via", "1.1 proxy")]));
        assert!(foreign(&open, address, &[("host", "ops.example")]), "without tokens this machine alone");
        for host in ["ops.example", "OPS.example:443", "192.0.2.1:8470", "localhost:8470"] {
            assert!(!foreign(&guarded, address, &[("host", host), ("via", "1.1 proxy")]), "{host}");
        }
        assert!(foreign(&guarded, address, &[("host", "evil.example")]));
        assert!(!foreign(&guarded, None, &[("host", "stations.lan")]), "nobody said what it is called");
        assert!(!foreign(&guarded, address, &[mine, ("origin", "https://ops.example")]), "a proxy names itself");
        assert!(foreign(&guarded, address, &[mine, ("origin", "http://ops.example")]));
        assert!(!foreign(&guarded, None, &[("host", "stations.lan"), ("origin", "https://stations.lan")]));
        assert!(foreign(&guarded, None, &[]), "no name");
    }
}
