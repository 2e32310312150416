package webhooks

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"syscall"

	"coldsection.example/services/platform/fault"
)

// special are the networks that are not the public internet, from IANA's IPv4 and IPv6 special-purpose address registries
// (RFC 6890 and its updates): this host, private use, shared, loopback, link-local (the metadata services of clouds are
// there), documentation, benchmarks, multicast, reserved, and the forms of IPv6 that carry an IPv4 address. Of IPv6 only
// 2000::/3 is given to the public (RFC 4291 section 2.4, IANA's registry of the IPv6 address space), so all else is shut.
var special = prefixes(
	"0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24", "192.0.2.0/24",
	"192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4",
	"::/3", "2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20", "4000::/2", "8000::/1",
)

func prefixes(texts ...string) []netip.Prefix {
	var out []netip.Prefix
	for _, text := range texts {
		out = append(out, netip.MustParsePrefix(text))
	}
	return out
}

// ParseNetworks reads networks such as "10.2.0.0/16" or single addresses.
func ParseNetworks(texts []string) ([]netip.Prefix, error) {
	var out []netip.Prefix
	for _, text := range texts {
		if a, err := netip.ParseAddr(text); err == nil {
			out = append(out, netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen()))
			continue
		}
		p, err := netip.ParsePrefix(text)
		if err != nil {
			return nil, fmt.Errorf("%q is no network; write one as 10.2.0.0/16, or one address", text)
		}
		out = append(out, p.Masked())
	}
	return out, nil
}

// Guard says where messages may be sent: to the public internet over https, and to the networks that an administrator listed,
// over http too.
type Guard struct{ Allowed []netip.Prefix }

func within(list []netip.Prefix, a netip.Addr) bool {
	return slices.ContainsFunc(list, func(p netip.Prefix) bool { return p.Contains(a) })
}

// check refuses an address that a message may not be sent to. Reason: WEBHOOK_TARGET_FORBIDDEN.
func (g Guard) check(a netip.Addr, plain bool) error {
	a = a.Unmap().WithZone("")
	switch {
	case within(g.Allowed, a):
		return nil
	case within(special, a):
		return fault.Invalid("webhook_endpoint.url", "WEBHOOK_TARGET_FORBIDDEN",
			"%s is no public address. Use a public one, or ask the operator to list its network in the setting webhook-allow.", a)
	case plain:
		return fault.Invalid("webhook_endpoint.url", "WEBHOOK_TARGET_FORBIDDEN",
			"%s would get messages in clear text. Use https, or ask the operator to list its network in the setting webhook-allow.", a)
	default:
		return nil
	}
}

// CheckURL refuses what can't be a target. What a name leads to is looked at when it is connected to, every time. Reasons:
// WEBHOOK_URL_INVALID, WEBHOOK_TARGET_FORBIDDEN.
func (g Guard) CheckURL(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.User != nil || u.Fragment != "" {
		return fault.Invalid("webhook_endpoint.url", "WEBHOOK_URL_INVALID",
			"The address is no https URL of a host without a user name and a fragment. Write it as https://erp.example.com/facts.")
	}
	if u.Scheme == "http" && len(g.Allowed) == 0 {
		return fault.Invalid("webhook_endpoint.url", "WEBHOOK_TARGET_FORBIDDEN",
			"The address is http, so anybody on the way could read the messages. Use https.")
	}
	if a, err := netip.ParseAddr(u.Hostname()); err == nil {
		return g.check(a, u.Scheme == "http")
	}
	return nil
}

// control refuses a connection by the address that a name led to; no other look-up happens after it.
func (g Guard) control(plain bool) func(network, address string, _ syscall.RawConn) error {
	return func(_, address string, _ syscall.RawConn) error {
		host, _, err := net.SplitHostPort(address)
		if err != nil {
			return err
		}
		a, err := netip.ParseAddr(host)
		if err != nil {
			return err
		}
		return g.check(a, plain)
	}
}
