package peers_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/url"
	"testing"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"

	"coldsection.example/services/platform/peers"
)

// Whatever name a certificate that our own authority signed has, its process is let in only when the name is, letter by letter, one of those allowed.
func FuzzOnlyTheWholeNameIsLetIn(f *testing.F) {
	for _, name := range []string{
		consumables, consumables + "/", consumables + "?x", consumables + "#x", "spiffe://coldsection/CONSUMABLES", "spiffe://coldsection/%63onsumables", "spiffe://user@coldsection/consumables",
		"spiffe://coldsection:443/consumables", "spiffe://coldsection//consumables", "spiffe://coldsection/./consumables", "SPIFFE://coldsection/consumables",
		"", "consumables", "https://coldsection/consumables",
	} {
		f.Add(name)
	}
	f.Fuzz(func(t *testing.T, name string) {
		u, err := url.Parse(name)
		if err != nil {
			t.Skip("no certificate has it")
		}
		state := tls.ConnectionState{PeerCertificates: []*x509.Certificate{{URIs: []*url.URL{u}}}}
		ctx := peer.NewContext(context.Background(), &peer.Peer{Addr: &net.TCPAddr{}, AuthInfo: credentials.TLSInfo{State: state}})
		if err := peers.Admit(ctx, []string{consumables, performance}); (err == nil) != (u.String() == consumables || u.String() == performance) {
			t.Errorf("%q: %v", name, err)
		}
	})
}
