//! Where a request comes from, as far as it can be told.

use std::net::{IpAddr, Ipv6Addr, SocketAddr};

use axum::http::{Extensions, HeaderMap, HeaderName};

use crate::routes::negotiate::list;

const FORWARDED: HeaderName = HeaderName::from_static("forwarded");

/// The other end of the connection; among a request's extensions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer(pub SocketAddr);

/// The caller's address; with `forwarded`, what the nearest proxy says about it in `Forwarded` (RFC 7239).
pub(super) fn of(extensions: &Extensions, headers: &HeaderMap, forwarded: bool) -> Option<IpAddr> {
    let near = extensions.get::<Peer>().map(|peer| peer.0.ip());
    let told = if forwarded { last_for(&list(headers, &FORWARDED)) } else { None };
    told.or(near).map(|address| address.to_canonical())
}

/// The key that guesses are counted under: of IPv6 the network, for whoever has one address there has them all.
pub(super) fn key(address: Option<IpAddr>) -> String {
    match address {
        None => "unknown".to_owned(),
        Some(IpAddr::V4(address)) => address.to_string(),
        Some(IpAddr::V6(address)) => {
            let [a, b, c, d, ..] = address.segments();
            format!("{}/64", Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
    }
}

/// The node of the last `for`, which the nearest proxy wrote.
fn last_for(header: &str) -> Option<IpAddr> {
    let last = header.rsplit(',').next()?;
    let node = last.split(';').find_map(|pair| {
        let (name, value) = pair.split_once('=')?;
        name.trim().eq_ignore_ascii_case("for").then(|| value.trim().trim_matches('"'))
    })?;
    if let Some(rest) = node.strip_prefix('[') {
        return rest.split(']').next()?.parse().ok();
    }
    node.split(':').next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first four are the examples of RFC 7239 §4.
    #[test]
    fn the_nearest_proxys_word_counts() {
        let told = |header: &str| last_for(header).map(|address| address.to_string());
        assert_eq!(told("for=\"_gazonk\""), None);
        assert_eq!(told("For=\"[2001:db8:cafe::17]:4711\"").as_deref(), Some("2001:db8:cafe::17"));
        assert_eq!(told("for=192.0.2.60;proto=http;by=203.0.113.43").as_deref(), Some("192.0.2.60"));
        assert_eq!(told("for=192.0.2.43, for=198.51.100.17").as_deref(), Some("198.51.100.17"));
        assert_eq!(told("for=\"192.0.2.43:47011\"").as_deref(), Some("192.0.2.43"));
        assert_eq!(told(""), None);
    }

    #[test]
    fn one_network_is_one_key() {
        let key = |text: &str| key(text.parse().ok());
        assert_eq!(key("2001:db8:1:2:3:4:5:6"), key("2001:db8:1:2::9"));
        assert_ne!(key("2001:db8:1:2::9"), key("2001:db8:1:3::9"));
        assert_eq!(key("192.0.2.60"), "192.0.2.60");
    }
}
