package suite

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"coldsection.example/gateway"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
)

// The parts of the suite, in the order in which they start.
const (
	Compliance  = "compliance"
	Consumables = "consumables"
	Performance = "performance"
	WorkOrders  = "workorders"
	Gateway     = "gateway"
)

// Parts are all parts, in the order in which they start.
var Parts = []string{Compliance, Consumables, Performance, WorkOrders, Gateway}

// Config says what a process runs and where it keeps and finds things.
type Config struct {
	Parts    []string // what this process runs; empty means all
	StateDir string   // databases (SQLite), the event stream (embedded) and the internal secret are kept here

	HTTP string // the gateway's HTTP address; empty means 127.0.0.1:8080
	GRPC string // the gateway's gRPC address; empty means 127.0.0.1:8081

	Postgres   string   // connection string; each part has the database of this name followed by _<part>. Empty means SQLite
	NATS       string   // addresses of external event servers; empty means embedded
	EventKeys  string   // the folder with the keys of this process's parts at the event servers; empty means none
	Replicas   int      // copies of the event stream on external servers; 0 means 3
	Addresses  []string // part=host:port, where parts are reached in other processes; several instances with commas between
	Listen     []string // part=host:port, where this process serves its parts to others
	SecretFile string   // the internal secret that all processes share; empty means a file in StateDir
	ClockFile  string   // a clock that several processes share, for demonstrations and tests only
	Admin      string   // the address of metrics and health; empty means none
	OTLP       string   // URL of an OTLP gRPC receiver of traces and metrics; empty means none
	Reflection bool     // lets gRPC clients ask for the contract

	CallsPerSecond     int      // of one account; 0 is no limit
	StrangersPerSecond int      // of one address before sign-in; 0 is no limit
	CallsAtOnce        int      // of one address that are being worked on; 0 is no limit
	Connections        int      // of one address to the gateway; 0 is no limit
	TrustedProxies     []string // networks of the proxies that are believed about whom they call for

	WebhookAllow []string // private networks and addresses that webhooks may be sent to

	PeerCA, PeerCert, PeerKey string // files for TLS between processes; empty means none
	TrustDomain               string // the trust domain of the processes' names
	TLSCert, TLSKey           string // files of the certificate that the gateway shows; empty means no TLS
	ListenInsecure            bool   // lets addresses that other machines reach be served without TLS

	SecondFactorRoles []string      // roles that need a second factor by password
	SessionIdle       time.Duration // how long a session lives that nobody uses; 0 is its whole life

	PublicURL        string   // where browsers reach the gateway
	OIDCIssuer       string   // the OpenID Connect provider whose users may sign in; empty means none
	OIDCName         string   // what people call it
	OIDCClientID     string   // who this gateway is to it
	OIDCClientSecret string   // the file with the client secret; empty means none
	OIDCGroupsClaim  string   // the claim that lists a user's groups
	OIDCRoles        []string // group=role
	OIDCOwners       []string // group=owner
}

// Validate names the first setting that can't work.
func (c *Config) Validate() error {
	for _, p := range c.Parts {
		if !slices.Contains(Parts, p) {
			return fmt.Errorf("there is no part %q; parts are %s", p, strings.Join(Parts, ", "))
		}
	}
	if c.StateDir == "" {
		return fmt.Errorf("no state folder is configured; give --state")
	}
	addresses, err := byPart(c.Addresses)
	if err != nil {
		return err
	}
	if _, err := byPart(c.Listen); err != nil {
		return err
	}
	for _, p := range Parts {
		if !c.runs(p) && addresses[p] == "" && p != Gateway {
			return fmt.Errorf("part %s runs elsewhere but has no address; give --address %s=host:port", p, p)
		}
	}
	if _, err := gateway.ParseNetworks(c.WebhookAllow); err != nil {
		return fmt.Errorf("webhook-allow: %w", err)
	}
	if _, err := gateway.ParseNetworks(c.TrustedProxies); err != nil {
		return fmt.Errorf("trusted-proxies: %w", err)
	}
	if err := gateway.CheckRoles(c.SecondFactorRoles); err != nil {
		return fmt.Errorf("second-factor-roles: %w", err)
	}
	if c.SessionIdle < 0 || c.SessionIdle > 0 && c.SessionIdle < time.Minute {
		return fmt.Errorf("session-idle: %v is too short for anybody; give a minute or more, such as 2h, or 0 for no limit", c.SessionIdle)
	}
	if _, err := c.provider(false); err != nil {
		return err
	}
	if err := c.checkTLS(); err != nil {
		return err
	}
	if len(c.Parts) > 0 && len(c.Parts) < len(Parts) && c.NATS == "" {
		return fmt.Errorf("parts in several processes need external event servers; give --nats")
	}
	return nil
}

func (c *Config) runs(part string) bool { return len(c.Parts) == 0 || slices.Contains(c.Parts, part) }

// byPart reads a list of part=address.
func byPart(list []string) (map[string]string, error) {
	found := map[string]string{}
	for _, a := range list {
		part, address, ok := strings.Cut(a, "=")
		if !ok || !slices.Contains(Parts, part) {
			return nil, fmt.Errorf("%q is no address of a part; write one as consumables=127.0.0.1:9001", a)
		}
		found[part] = address
	}
	return found, nil
}

// gatewayLogPages is how far the log of the gateway's database grows: what it writes is a line of the audit for each call, beside the commit of
// whoever is called.
const gatewayLogPages = 1000

// storage is where a part keeps its data.
func (c *Config) storage(part string) (storage.Config, error) {
	if c.Postgres == "" {
		file := storage.Config{Engine: storage.SQLite, Path: filepath.Join(c.StateDir, part+".db")}
		if part == Gateway {
			file.LogPages = gatewayLogPages
		}
		return file, nil
	}
	u, err := url.Parse(c.Postgres)
	if err != nil {
		return storage.Config{}, errors.New("the PostgreSQL connection string is no URL; its form is postgres://user@host:port/database")
	}
	u.Path += "_" + part
	return storage.Config{Engine: storage.Postgres, DSN: u.String()}, nil
}

// bus says where the event stream is; secured is how to call external servers over TLS, nil for what their addresses say.
func (c *Config) bus(secured *tls.Config) eventbus.Config {
	if c.NATS != "" {
		return eventbus.Config{URL: c.NATS, Replicas: c.Replicas, TLS: secured}
	}
	return eventbus.Config{Dir: filepath.Join(c.StateDir, eventsFolder)}
}

func (c *Config) clock() (clock.Clock, error) {
	if c.ClockFile == "" {
		return clock.System(), nil
	}
	return clock.FromFile(c.ClockFile)
}

func (c *Config) secretFile() (path string, create bool) {
	if c.SecretFile != "" {
		return c.SecretFile, false
	}
	return filepath.Join(c.StateDir, "secret"), true
}

// prepare makes the state folder.
func (c *Config) prepare() error {
	if err := os.MkdirAll(c.StateDir, 0o700); err != nil {
		return fmt.Errorf("the state folder: %w", err)
	}
	return nil
}
