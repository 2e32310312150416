package suite

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"

	"coldsection.example/services/platform/eventbus"
)

// eventServerCommand runs one event server, for a cluster on one machine or a private network.
type eventServerCommand struct {
	Name    string   `required:"" help:"Its name, unlike that of every other."`
	State   string   `required:"" help:"The folder that it keeps its files in."`
	Listen  string   `default:"127.0.0.1:4222" help:"host:port for the parts of the suite."`
	Cluster string   `default:"127.0.0.1:6222" help:"host:port for the other event servers."`
	Route   []string `help:"host:port of every server's cluster address, with commas between."`
	Keys    string   `help:"The file of event-keys with the public keys of the parts: a part does only what it may. Without it, whoever reaches the server may do everything."`
}

// eventKeysCommand makes the keys of parts at event servers.
type eventKeysCommand struct {
	telling

	Into string `arg:"" help:"The folder to make; it must not be there."`
}

func (c *eventKeysCommand) run(stdout io.Writer) error {
	if err := eventbus.MakeKeys(c.Into, Parts...); err != nil {
		return err
	}
	var rows [][]string
	for _, part := range Parts {
		rows = append(rows, []string{part, filepath.Join(c.Into, part)})
	}
	return c.tell(stdout, []string{fmt.Sprintf("Made: a key for each part in %s. Give each process its own part's file, in a folder that event-keys names, "+
		"and every event server the file \"public\" with --keys.", c.Into)}, []string{"part", "file"}, rows...)
}

func (c *eventServerCommand) run(ctx context.Context, stdout, stderr io.Writer) error {
	cfg := eventbus.ServerConfig{
		Name: c.Name, Dir: c.State, Listen: c.Listen, Cluster: c.Cluster, Routes: c.Route, Rights: rights,
		Log: slog.New(slog.NewJSONHandler(stderr, nil)),
	}
	if c.Keys != "" {
		var err error
		if cfg.Keys, err = eventbus.LoadPublic(c.Keys); err != nil {
			return err
		}
	}
	return eventbus.Serve(ctx, cfg, func() {
		_, _ = fmt.Fprintf(stdout, "Ready: events on %s.\n", c.Listen)
	})
}
