package webhooks

import (
	"net/netip"
	"strings"
	"testing"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

// notPublic are the networks that IANA's registries of special-purpose addresses name, with the documents that say so there, those of multicast, and what
// of IPv6 is given to nobody or was once a form of IPv4.
var notPublic = map[string]string{
	"0.0.0.0/8": "RFC 791", "10.0.0.0/8": "RFC 1918", "100.64.0.0/10": "RFC 6598", "127.0.0.0/8": "RFC 1122", "169.254.0.0/16": "RFC 3927",
	"172.16.0.0/12": "RFC 1918", "192.0.0.0/24": "RFC 6890", "192.0.2.0/24": "RFC 5737", "192.88.99.0/24": "RFC 7526", "192.168.0.0/16": "RFC 1918",
	"198.18.0.0/15": "RFC 2544", "198.51.100.0/24": "RFC 5737", "203.0.113.0/24": "RFC 5737", "224.0.0.0/4": "RFC 5771", "240.0.0.0/4": "RFC 1112",
	"::1/128": "RFC 4291", "::/128": "RFC 4291", "::/96": "RFC 4291 section 2.5.5.1", "::ffff:0:0:0/96": "RFC 2765 section 2.1", "64:ff9b::/96": "RFC 6052",
	"64:ff9b:1::/48": "RFC 8215", "100::/64": "RFC 6666", "100:0:0:1::/64": "RFC 9780", "2001::/23": "RFC 2928", "2001:db8::/32": "RFC 3849", "2002::/16": "RFC 3056",
	"3fff::/20": "RFC 9637", "5f00::/16": "RFC 9602", "fc00::/7": "RFC 4193", "fe80::/10": "RFC 4291", "fec0::/10": "RFC 3879", "ff00::/8": "RFC 4291",
	"4000::/3": "RFC 4291 section 2.4", "8000::/2": "RFC 4291 section 2.4", "c000::/3": "RFC 4291 section 2.4",
}

// last is the highest address of a network.
func last(p netip.Prefix) netip.Addr {
	bytes := p.Masked().Addr().AsSlice()
	for bit := p.Bits(); bit < len(bytes)*8; bit++ {
		bytes[bit/8] |= 0x80 >> (bit % 8)
	}
	a, _ := netip.AddrFromSlice(bytes)
	return a
}

// No network that is not public is forgotten: from its first address to its last it is shut, and what stands beside it and is public is open.
func TestEveryNetworkThatIsNotPublicIsShut(t *testing.T) {
	var all []netip.Prefix
	for text := range notPublic {
		all = append(all, netip.MustParsePrefix(text))
	}
	for _, p := range all {
		for _, a := range []netip.Addr{p.Addr(), last(p)} {
			if err := (Guard{}).check(a, false); !fault.HasReason(err, "WEBHOOK_TARGET_FORBIDDEN") {
				t.Errorf("%s of %s (%s): %v", a, p, notPublic[p.String()], err)
			}
		}
		for _, a := range []netip.Addr{p.Addr().Prev(), last(p).Next()} {
			public := a.IsValid() && (a.Is4() || netip.MustParsePrefix("2000::/3").Contains(a)) && !within(all, a)
			if err := (Guard{}).check(a, false); public && err != nil {
				t.Errorf("%s beside %s: %v", a, p, err)
			}
		}
	}
	for _, text := range []string{"2000::", "2001:200::", "2a00:1450:4001::1", "3ffe:ffff::1", "1.1.1.1", "::ffff:1.1.1.1", "223.255.255.255"} {
		if err := (Guard{}).check(netip.MustParseAddr(text), false); err != nil {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// Where http is allowed for a network of the house, a name that leads to the public internet is not sent messages in clear text. Nothing is sent in
// this test either: the address is refused before it is connected to.
func TestNothingGoesOutInClearText(t *testing.T) {
	s := newSender(clock.NewFake(start), Guard{[]netip.Prefix{netip.MustParsePrefix("10.2.0.0/16")}})
	if o := s.send(t.Context(), message{id: "f1", url: "http://8.8.8.8:9/facts"}); !strings.Contains(o.problem, "in clear text") || o.status != 0 {
		t.Errorf("%+v", o)
	}
}
