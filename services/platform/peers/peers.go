// Package peers says who the processes of the suite are to each other: TLS with certificates on both sides, whose URI names
// are of the form spiffe://trust-domain/part, after the SPIFFE ID standard.
//
// Certificates are read anew when their files change, at the next handshake; calls under way go on. New files that can't be
// used leave the ones before in force. A certificate is judged by the suite's own clock.
package peers

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"slices"
	"sync"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

// Files are where the certificate, its key and the authorities whose certificates are believed stand, in PEM. The authorities
// are empty for a certificate that is only shown to the public.
type Files struct{ Cert, Key, CA string }

// paths are the files that there are.
func (f Files) paths() []string {
	return slices.DeleteFunc([]string{f.Cert, f.Key, f.CA}, func(p string) bool { return p == "" })
}

// Identity is who this process is.
type Identity struct {
	files Files
	clock clock.Clock

	mutex sync.Mutex
	stamp string
	cert  *tls.Certificate
	roots *x509.CertPool
}

// Load reads the files.
func Load(files Files, c clock.Clock) (*Identity, error) {
	i := &Identity{files: files, clock: c}
	err := i.Reload()
	return i, err
}

// Reload reads the files anew; with an error those of before stay in force.
func (i *Identity) Reload() error {
	i.mutex.Lock()
	defer i.mutex.Unlock()
	return i.reload(i.stampOf())
}

func (i *Identity) reload(stamp string) error {
	cert, err := tls.LoadX509KeyPair(i.files.Cert, i.files.Key)
	if err != nil {
		return fmt.Errorf("the TLS certificate %s: %w", i.files.Cert, err)
	}
	roots := x509.NewCertPool()
	if i.files.CA != "" {
		text, err := os.ReadFile(i.files.CA)
		if err != nil {
			return fmt.Errorf("the TLS authorities: %w", err)
		}
		if !roots.AppendCertsFromPEM(text) {
			return fmt.Errorf("the TLS authorities: %s has no certificate", i.files.CA)
		}
	}
	i.cert, i.roots, i.stamp = &cert, roots, stamp
	return nil
}

// stampOf changes when a file does.
func (i *Identity) stampOf() (stamp string) {
	for _, path := range i.files.paths() {
		if info, err := os.Stat(path); err == nil {
			stamp += fmt.Sprintf("%d %d ", info.ModTime().UnixNano(), info.Size())
		}
	}
	return stamp
}

// current is what is in force, after looking whether the files changed.
func (i *Identity) current() (*tls.Certificate, *x509.CertPool) {
	i.mutex.Lock()
	defer i.mutex.Unlock()
	if stamp := i.stampOf(); stamp != i.stamp {
		_ = i.reload(stamp) // half written files are tried again at the next handshake
	}
	return i.cert, i.roots
}

// Public is how a certificate is shown to everybody: TLS 1.2 at least.
func (i *Identity) Public() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}, Time: i.clock.Now,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			cert, _ := i.current()
			return cert, nil
		},
	}
}

// Client is how this process calls a server that others run, known by its host name, such as an event server.
func (i *Identity) Client() *tls.Config {
	_, roots := i.current()
	return &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots, Time: i.clock.Now, GetClientCertificate: i.shown}
}

func (i *Identity) shown(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
	cert, _ := i.current()
	return cert, nil
}

// Serve are the credentials of a server that only processes with a certificate of the authorities reach.
func (i *Identity) Serve() credentials.TransportCredentials {
	return credentials.NewTLS(&tls.Config{
		MinVersion: tls.VersionTLS13, ClientAuth: tls.RequireAnyClientCert, Time: i.clock.Now,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			cert, _ := i.current()
			return cert, nil
		},
		VerifyConnection: func(s tls.ConnectionState) error { return i.verify(s, x509.ExtKeyUsageClientAuth) },
	})
}

// ServePublic are the credentials of a server for everybody.
func (i *Identity) ServePublic() credentials.TransportCredentials {
	return credentials.NewTLS(i.Public())
}

// Call are the credentials for calling the process that has this name.
func (i *Identity) Call(name string) credentials.TransportCredentials {
	return credentials.NewTLS(&tls.Config{
		MinVersion: tls.VersionTLS13, Time: i.clock.Now, GetClientCertificate: i.shown,
		InsecureSkipVerify: true, //nolint:gosec // VerifyConnection does it, by the URI name in place of the host name
		VerifyConnection: func(s tls.ConnectionState) error {
			if err := i.verify(s, x509.ExtKeyUsageServerAuth); err != nil {
				return err
			}
			if names := names(s); !slices.Contains(names, name) {
				return fmt.Errorf("the server is %v and not %s", names, name)
			}
			return nil
		},
	})
}

// verify checks the chain of the other side up to the authorities that are in force now.
func (i *Identity) verify(s tls.ConnectionState, usage x509.ExtKeyUsage) error {
	if len(s.PeerCertificates) == 0 {
		return errors.New("the other side shows no certificate")
	}
	_, roots := i.current()
	between := x509.NewCertPool()
	for _, c := range s.PeerCertificates[1:] {
		between.AddCert(c)
	}
	_, err := s.PeerCertificates[0].Verify(x509.VerifyOptions{
		Roots: roots, Intermediates: between, CurrentTime: i.clock.Now(), KeyUsages: []x509.ExtKeyUsage{usage},
	})
	return err
}

// names are the URI names of the other side.
func names(s tls.ConnectionState) (list []string) {
	if len(s.PeerCertificates) > 0 {
		for _, u := range s.PeerCertificates[0].URIs {
			list = append(list, u.String())
		}
	}
	return list
}

// Name is the name of a part in a trust domain.
func Name(domain, part string) string {
	return (&url.URL{Scheme: "spiffe", Host: domain, Path: "/" + part}).String()
}

// Admit refuses a caller over the network whose certificate has none of the names. Callers in this process have none and
// are let in. Reason: PEER_NOT_ALLOWED.
func Admit(ctx context.Context, allowed []string) error {
	p, ok := peer.FromContext(ctx)
	if ok && p.Addr != nil && inMemory(p.Addr) {
		return nil
	}
	var who []string
	if ok {
		if info, isTLS := p.AuthInfo.(credentials.TLSInfo); isTLS {
			who = names(info.State)
		}
	}
	if slices.ContainsFunc(who, func(n string) bool { return slices.Contains(allowed, n) }) {
		return nil
	}
	return fault.Denied("PEER_NOT_ALLOWED", "The process %v may not call this service, which is for %v. Call it through the gateway.", who, allowed)
}

func inMemory(a net.Addr) bool { return a.Network() == "inproc" }
