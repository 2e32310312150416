package suite

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/peers"
)

// callers say which parts may call each part over the network; the wiring of the parts is checked against it.
var callers = map[string][]string{
	Compliance:  {Consumables, Performance, WorkOrders, Gateway},
	Consumables: {Compliance, WorkOrders, Gateway},
	Performance: {WorkOrders, Gateway},
	WorkOrders:  {Compliance, Gateway},
}

// checkTLS refuses half a certificate, and addresses that other machines reach in the clear.
func (c *Config) checkTLS() error {
	if given := []bool{c.PeerCA != "", c.PeerCert != "", c.PeerKey != ""}; slices.Contains(given, true) && slices.Contains(given, false) {
		return errors.New("TLS between processes needs peer-ca, peer-cert and peer-key; give all three or none")
	}
	if (c.TLSCert == "") != (c.TLSKey == "") {
		return errors.New("TLS needs tls-cert and tls-key; give both or neither")
	}
	if c.ListenInsecure {
		return nil
	}
	if c.runs(Gateway) && c.TLSCert == "" {
		for setting, address := range map[string]string{"http": orDefault(c.HTTP, defaultHTTP), "grpc": orDefault(c.GRPC, defaultGRPC)} {
			if !onLoopback(address) {
				return fmt.Errorf("%s %s is reached by other machines and would be served without TLS; "+
					"give tls-cert and tls-key, or listen-insecure if something before it ends TLS", setting, address)
			}
		}
	}
	if c.Admin != "" && c.TLSCert == "" && c.PeerCert == "" && !onLoopback(c.Admin) {
		return fmt.Errorf("admin %s is reached by other machines and would be served without TLS; "+
			"give tls-cert and tls-key, or peer-ca, peer-cert and peer-key, or listen-insecure if the network is protected otherwise", c.Admin)
	}
	for _, line := range c.Listen {
		if _, address, _ := strings.Cut(line, "="); c.PeerCert == "" && !onLoopback(address) {
			return fmt.Errorf("listen %s is reached by other machines and would be served without TLS; "+
				"give peer-ca, peer-cert and peer-key, or listen-insecure if the network is protected otherwise", line)
		}
	}
	return nil
}

// onLoopback says whether an address is reached from this machine only.
func onLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// openTLS reads the certificates that are configured.
func (s *Suite) openTLS() (err error) {
	c := &s.cfg
	if c.PeerCert != "" {
		if s.peer, err = peers.Load(peers.Files{Cert: c.PeerCert, Key: c.PeerKey, CA: c.PeerCA}, s.clock); err != nil {
			return err
		}
	}
	if c.TLSCert != "" {
		s.public, err = peers.Load(peers.Files{Cert: c.TLSCert, Key: c.TLSKey}, s.clock)
	}
	return err
}

// Reload reads certificates and the internal secret anew; with an error what was before stays in force.
func (s *Suite) Reload(ctx context.Context) error {
	errs := []error{s.reloadSecret(ctx)}
	for _, i := range []*peers.Identity{s.peer, s.public} {
		if i != nil {
			errs = append(errs, i.Reload())
		}
	}
	return errors.Join(errs...)
}

// reloadSecret takes the secrets of the file, and seals under the first what is kept sealed, so that the last can go.
func (s *Suite) reloadSecret(ctx context.Context) error {
	path, _ := s.cfg.secretFile()
	fresh, err := auth.LoadKeys(path, false)
	if err != nil {
		return err
	}
	s.keys.Replace(fresh)
	if s.gateway == nil {
		return nil
	}
	return s.gateway.Reseal(ctx)
}

func (c *Config) peerName(part string) string {
	return peers.Name(orDefault(c.TrustDomain, "coldsection"), part)
}

// guard protects the server of a part: its transport, and the names that may call it.
func (s *Suite) guard(part string) (options []grpc.ServerOption, names []string) {
	if s.peer == nil {
		return nil, nil
	}
	for _, caller := range callers[part] {
		names = append(names, s.cfg.peerName(caller))
	}
	return []grpc.ServerOption{grpc.Creds(s.peer.Serve())}, names
}

// credentials are those for calling a part in another process; nil for none.
func (s *Suite) credentials(part string) credentials.TransportCredentials {
	if s.peer == nil {
		return nil
	}
	return s.peer.Call(s.cfg.peerName(part))
}

// busTLS is how external event servers are called; nil when no certificate is configured or their address says otherwise.
func (s *Suite) busTLS() *tls.Config {
	if s.peer == nil || !strings.HasPrefix(s.cfg.NATS, "tls://") {
		return nil
	}
	return s.peer.Client()
}
