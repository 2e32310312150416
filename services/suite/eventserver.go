package suite

import (
	"context"
	"fmt"
	"io"

	"coldsection.example/services/platform/eventbus"
)

// eventServerCommand runs one event server, for a cluster on one machine or a private network.
type eventServerCommand struct {
	Name    string   `required:"" help:"Its name, unlike that of every other."`
	State   string   `required:"" help:"The folder that it keeps its files in."`
	Listen  string   `default:"127.0.0.1:4222" help:"host:port for the parts of the suite."`
	Cluster string   `default:"127.0.0.1:6222" help:"host:port for the other event servers."`
	Route   []string `help:"host:port of every server's cluster address, with commas between."`
}

func (c *eventServerCommand) run(ctx context.Context, stdout io.Writer) error {
	return eventbus.Serve(ctx, eventbus.ServerConfig{Name: c.Name, Dir: c.State, Listen: c.Listen, Cluster: c.Cluster, Routes: c.Route}, func() {
		_, _ = fmt.Fprintf(stdout, "Ready: events on %s.\n", c.Listen)
	})
}
