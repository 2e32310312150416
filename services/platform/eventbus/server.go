package eventbus

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strconv"

	"github.com/nats-io/nats-server/v2/server"
)

// ServerConfig is one event server of a cluster.
type ServerConfig struct {
	Name    string   // unlike that of every other
	Dir     string   // where it keeps its files
	Listen  string   // host:port for the parts of the suite
	Cluster string   // host:port for the other servers
	Routes  []string // host:port of all servers' Cluster, this one's too

	Rights []Rights          // what each part may do
	Keys   map[string]string // the part of each public key; empty lets in whoever reaches the server, for everything
	Log    *slog.Logger
}

// Serve runs an event server until the context ends, and calls ready when it listens. Its ports speak no TLS and belong on loopback or a private
// network; with keys, whoever has none is refused, and each part does only what its rights let it.
func Serve(ctx context.Context, cfg ServerConfig, ready func()) error {
	options, err := cfg.options()
	if err != nil {
		return err
	}
	s, err := server.NewServer(options)
	if err != nil {
		return fmt.Errorf("event server %s: %w", cfg.Name, err)
	}
	if cfg.Log != nil {
		s.SetLogger(serverLog{cfg.Log.With("event_server", cfg.Name)}, false, false)
	}
	s.Start()
	defer s.WaitForShutdown()
	defer s.Shutdown()
	if !s.ReadyForConnections(startLimit) {
		return fmt.Errorf("event server %s does not listen on %s within %v", cfg.Name, cfg.Listen, startLimit)
	}
	ready()
	<-ctx.Done()
	return nil
}

func (c ServerConfig) options() (*server.Options, error) {
	host, port, err := split(c.Listen)
	if err != nil {
		return nil, err
	}
	clusterHost, clusterPort, err := split(c.Cluster)
	if err != nil {
		return nil, err
	}
	known, err := Users(c.Rights, c.Keys)
	if err != nil {
		return nil, err
	}
	options := &server.Options{
		Nkeys: known, ServerName: c.Name, Host: host, Port: port, StoreDir: c.Dir, JetStream: true, SyncAlways: true, NoLog: true, NoSigs: true,
		Cluster: server.ClusterOpts{Name: "coldsection", Host: clusterHost, Port: clusterPort},
	}
	for _, r := range c.Routes {
		if _, _, err := split(r); err != nil {
			return nil, err
		}
		options.Routes = append(options.Routes, &url.URL{Scheme: "nats-route", Host: r})
	}
	return options, nil
}

// split reads host:port.
func split(address string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(address)
	if err == nil {
		port, err = strconv.Atoi(text)
	}
	if err != nil {
		return "", 0, fmt.Errorf("%q is no address; write one as 127.0.0.1:4222", address)
	}
	return host, port, nil
}
