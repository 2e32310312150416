// Package peerstest makes authorities and certificates for tests.
package peerstest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	"coldsection.example/services/platform/peers"
)

// Authority signs certificates.
type Authority struct {
	t      testing.TB
	cert   *x509.Certificate
	key    *ecdsa.PrivateKey
	serial int64
	from   time.Time
	until  time.Time
}

// New makes an authority whose certificates are valid for a day from a time on.
func New(t testing.TB, from time.Time) *Authority {
	t.Helper()
	return Between(t, from, from.Add(24*time.Hour))
}

// Between makes an authority whose certificates are valid between two times.
func Between(t testing.TB, from, until time.Time) *Authority {
	t.Helper()
	a := &Authority{t: t, key: newKey(t), from: from, until: until}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: from.AddDate(-1, 0, 0), NotAfter: until.AddDate(1, 0, 0), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &a.key.PublicKey, a.key)
	if err == nil {
		a.cert, err = x509.ParseCertificate(der)
	}
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// Files makes a certificate with these URI names, for loopback, in a folder of its own.
func (a *Authority) Files(names ...string) peers.Files {
	a.t.Helper()
	dir := a.t.TempDir()
	f := peers.Files{Cert: filepath.Join(dir, "cert.pem"), Key: filepath.Join(dir, "key.pem"), CA: filepath.Join(dir, "ca.pem")}
	a.write(f.CA, "CERTIFICATE", a.cert.Raw)
	a.Renew(f, names...)
	return f
}

// Renew replaces the certificate and key in files by new ones and returns the serial number.
func (a *Authority) Renew(f peers.Files, names ...string) int64 {
	a.t.Helper()
	a.serial++
	template := &x509.Certificate{
		SerialNumber: big.NewInt(100 + a.serial), NotBefore: a.from, NotAfter: a.until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	for _, n := range names {
		u, err := url.Parse(n)
		if err != nil {
			a.t.Fatal(err)
		}
		template.URIs = append(template.URIs, u)
	}
	key := newKey(a.t)
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &key.PublicKey, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	a.write(f.Cert, "CERTIFICATE", der)
	a.write(f.Key, "PRIVATE KEY", secret)
	return template.SerialNumber.Int64()
}

// write replaces a file as a whole.
func (a *Authority) write(path, kind string, der []byte) {
	a.t.Helper()
	err := os.WriteFile(path+".new", pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600)
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		a.t.Fatal(err)
	}
}
