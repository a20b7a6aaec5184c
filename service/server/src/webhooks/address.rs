//! Addresses that no message is sent to unless the configuration names their network: those that are not for the
//! public Internet, by the IANA registries of special-purpose addresses (RFC 6890 and its updates) and RFC 4291.

use std::net::IpAddr;

use ipnet::{IpNet, Ipv4Net, Ipv6Net};

const fn v4(octets: [u8; 4], length: u8) -> IpNet {
    let [a, b, c, d] = octets;
    IpNet::V4(Ipv4Net::new_assert(std::net::Ipv4Addr::new(a, b, c, d), length))
}

const fn v6(segments: [u16; 8], length: u8) -> IpNet {
    let [a, b, c, d, e, f, g, h] = segments;
    IpNet::V6(Ipv6Net::new_assert(std::net::Ipv6Addr::new(a, b, c, d, e, f, g, h), length))
}

/// Networks with what they are for; the first that holds an address names it.
pub const CLOSED: &[(IpNet, &str)] = &[
    (v4([0, 0, 0, 0], 8), "this network"),
    (v4([10, 0, 0, 0], 8), "private"),
    (v4([100, 64, 0, 0], 10), "shared between a carrier and its customers"),
    (v4([127, 0, 0, 0], 8), "loopback"),
    (v4([169, 254, 0, 0], 16), "link-local"),
    (v4([172, 16, 0, 0], 12), "private"),
    (v4([192, 0, 0, 0], 24), "for protocols"),
    (v4([192, 0, 2, 0], 24), "for documentation"),
    (v4([192, 88, 99, 0], 24), "a relay to IPv6"),
    (v4([192, 168, 0, 0], 16), "private"),
    (v4([198, 18, 0, 0], 15), "for benchmarks"),
    (v4([198, 51, 100, 0], 24), "for documentation"),
    (v4([203, 0, 113, 0], 24), "for documentation"),
    (v4([224, 0, 0, 0], 4), "multicast"),
    (v4([240, 0, 0, 0], 4), "reserved"),
    (v6([0, 0, 0, 0, 0, 0, 0, 0], 128), "unspecified"),
    (v6([0, 0, 0, 0, 0, 0, 0, 1], 128), "loopback"),
    (v6([0, 0, 0, 0, 0, 0, 0, 0], 96), "an IPv4 address in IPv6"),
    (v6([0, 0, 0, 0, 0, 0xffff, 0, 0], 96), "an IPv4 address in IPv6"),
    (v6([0x64, 0xff9b, 0, 0, 0, 0, 0, 0], 96), "an IPv4 address in IPv6"),
    (v6([0x64, 0xff9b, 1, 0, 0, 0, 0, 0], 48), "an IPv4 address in IPv6"),
    (v6([0x100, 0, 0, 0, 0, 0, 0, 0], 64), "for discarding"),
    (v6([0x2001, 0, 0, 0, 0, 0, 0, 0], 32), "a tunnel"),
    (v6([0x2001, 2, 0, 0, 0, 0, 0, 0], 48), "for benchmarks"),
    (v6([0x2001, 0, 0, 0, 0, 0, 0, 0], 23), "for protocols"),
    (v6([0x2001, 0xdb8, 0, 0, 0, 0, 0, 0], 32), "for documentation"),
    (v6([0x2002, 0, 0, 0, 0, 0, 0, 0], 16), "a tunnel"),
    (v6([0x3fff, 0, 0, 0, 0, 0, 0, 0], 20), "for documentation"),
    (v6([0xfc00, 0, 0, 0, 0, 0, 0, 0], 7), "private"),
    (v6([0xfe80, 0, 0, 0, 0, 0, 0, 0], 10), "link-local"),
    (v6([0xfec0, 0, 0, 0, 0, 0, 0, 0], 10), "private"),
    (v6([0xff00, 0, 0, 0, 0, 0, 0, 0], 8), "multicast"),
];

/// All that is given out for the public Internet (RFC 4291 §2.4, the IANA registry of IPv6 address space).
const GLOBAL: IpNet = v6([0x2000, 0, 0, 0, 0, 0, 0, 0], 3);

/// Why an address is not for everybody; nothing where it is.
pub fn closed(address: IpAddr) -> Option<&'static str> {
    let named = CLOSED.iter().find(|(network, _)| network.contains(&address)).map(|(_, what)| *what);
    named.or_else(|| (address.is_ipv6() && !GLOBAL.contains(&address)).then_some("not given out"))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    /// First and last address of each block of the IANA IPv4 and IPv6 Special-Purpose Address Registries that is not
    /// globally reachable, of multicast (RFC 5771, RFC 4291 §2.7) and of what is embedded or tunnelled IPv4.
    #[test]
    fn both_ends_of_every_special_block_are_closed() {
        for text in [
            "0.0.0.0 0.255.255.255",
            "10.0.0.0 10.255.255.255",
            "100.64.0.0 100.127.255.255",
            "127.0.0.1 127.255.255.255",
            "169.254.0.0 169.254.169.254",
            "172.16.0.0 172.31.255.255",
            "192.0.0.8 192.0.0.171",
            "192.0.2.0 192.0.2.255",
            "192.168.0.0 192.168.255.255",
            "198.18.0.0 198.19.255.255",
            "198.51.100.0 198.51.100.255",
            "203.0.113.0 203.0.113.255",
            "224.0.0.1 239.255.255.255",
            "240.0.0.0 255.255.255.255",
            ":: ::1",
            "::ffff:127.0.0.1 ::ffff:8.8.8.8",
            "::127.0.0.1 ::8.8.8.8",
            "64:ff9b::a00:1 64:ff9b:1::7f00:1",
            "100:: 100::ffff:ffff:ffff:ffff",
            "2001::1 2001:1ff:ffff:ffff:ffff:ffff:ffff:ffff",
            "2001:2:: 2001:2:0:ffff:ffff:ffff:ffff:ffff",
            "2001:db8:: 2001:db8:ffff:ffff:ffff:ffff:ffff:ffff",
            "2002:7f00:1:: 2002:ffff::",
            "3fff:: 3fff:fff:ffff::",
            "5f00:: 4000::1",
            "fc00:: fdff:ffff::1",
            "fe80::1 febf:ffff::1",
            "fec0:: feff::1",
            "ff02::1 ffff::",
        ] {
            for address in text.split(' ') {
                assert!(closed(address.parse().unwrap()).is_some(), "{address}");
            }
        }
    }

    /// Neighbours of the blocks above, and addresses that IANA's registries give to root name servers.
    #[test]
    fn what_lies_beside_them_is_open() {
        for address in [
            "1.0.0.0",
            "9.255.255.255",
            "11.0.0.0",
            "100.63.255.255",
            "100.128.0.0",
            "126.255.255.255",
            "128.0.0.0",
            "169.253.255.255",
            "169.255.0.0",
            "172.15.255.255",
            "172.32.0.0",
            "192.0.1.0",
            "192.0.3.0",
            "192.167.255.255",
            "192.169.0.0",
            "198.17.255.255",
            "198.20.0.0",
            "223.255.255.255",
            "198.41.0.4",
            "2001:503:ba3e::2:30",
            "2001:200::1",
            "2001:db9::1",
            "2003::1",
        ] {
            assert_eq!(closed(address.parse().unwrap()), None, "{address}");
        }
    }
}
