package limits

import (
	"net/netip"
	"strings"
)

// Proxies are the networks of proxies that are believed about whom they call for.
type Proxies []netip.Prefix

// Caller is where a call comes from: the address of the connection, or, when that is a proxy of ours, the last one in its X-Forwarded-For
// that is none. What stands before it anybody may have written. An IPv6 caller is its /64 network, since one machine has all of it.
func (p Proxies) Caller(connection string, forwarded []string) string {
	address, err := netip.ParseAddrPort(connection)
	if err != nil {
		return connection
	}
	at := address.Addr().Unmap()
	hops := strings.Split(strings.Join(forwarded, ","), ",")
	for i := len(hops) - 1; i >= 0 && p.has(at); i-- {
		before, err := netip.ParseAddr(strings.TrimSpace(hops[i]))
		if err != nil {
			break
		}
		at = before.Unmap()
	}
	const network = 64
	if at.Is6() {
		if prefix, err := at.WithZone("").Prefix(network); err == nil {
			return prefix.String()
		}
	}
	return at.String()
}

// speaks says whether a connection comes from a proxy of ours.
func (p Proxies) speaks(connection string) bool {
	address, err := netip.ParseAddrPort(connection)
	return err == nil && p.has(address.Addr().Unmap())
}

func (p Proxies) has(a netip.Addr) bool {
	for _, prefix := range p {
		if prefix.Contains(a) {
			return true
		}
	}
	return false
}
