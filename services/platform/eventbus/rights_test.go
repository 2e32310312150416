package eventbus

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/outbox"
)

// house are three parts: two that tell facts of their own, and one that serves the feed.
var house = []Rights{
	{Part: "stores", Publishes: []string{"coldsection.stock.*", "coldsection.access.authorization.changed.v1"}},
	{Part: "work", Publishes: []string{"coldsection.workorder.*"}},
	{Part: "door", Publishes: []string{"coldsection.access.webhook.*"}, ReadsAll: true},
}

// lines is a log that a test reads.
type lines struct {
	mutex sync.Mutex
	text  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return l.text.Write(p)
}

func (l *lines) count(words string) int {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return strings.Count(l.text.String(), words)
}

// listening is an event server as Serve configures it, without others; keys are in the folder.
func listening(t *testing.T, folder string, log *slog.Logger) string {
	t.Helper()
	keys, err := LoadPublic(filepath.Join(folder, publicFile))
	if err != nil {
		t.Fatal(err)
	}
	options, err := ServerConfig{Name: "events", Dir: t.TempDir(), Listen: "127.0.0.1:-1", Cluster: "127.0.0.1:-1", Rights: house, Keys: keys}.options()
	if err != nil {
		t.Fatal(err)
	}
	options.Cluster = server.ClusterOpts{}
	s, err := server.NewServer(options)
	if err != nil {
		t.Fatal(err)
	}
	s.SetLogger(serverLog{log}, false, false)
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(startLimit) {
		t.Fatal("the server does not listen")
	}
	return s.ClientURL()
}

// eachWay runs a test on the embedded server and on one that listens; the log is the server's.
func eachWay(t *testing.T, fn func(t *testing.T, buses map[string]*Bus, log *lines)) {
	t.Helper()
	open := func(t *testing.T, cfg Config, keys string, log *lines) {
		t.Helper()
		cfg.Rights = house
		buses, end, err := OpenFor(t.Context(), cfg, keys, "stores", "work", "door")
		if err != nil {
			t.Fatal(err)
		}
		defer end()
		fn(t, buses, log)
	}
	t.Run("embedded", func(t *testing.T) {
		log := &lines{}
		open(t, Config{Dir: t.TempDir(), Log: slog.New(slog.NewTextHandler(log, nil))}, "", log)
	})
	t.Run("external", func(t *testing.T) {
		log, folder := &lines{}, filepath.Join(t.TempDir(), "keys")
		if err := MakeKeys(folder, "stores", "work", "door"); err != nil {
			t.Fatal(err)
		}
		open(t, Config{URL: listening(t, folder, slog.New(slog.NewTextHandler(log, nil))), Replicas: 1}, folder, log)
	})
}

func told(id, typ string) outbox.Event {
	return outbox.Event{ID: id, Type: typ, Source: "test", Subject: "things/" + id, Version: 1, Time: time.Unix(1_772_000_000, 0), Data: []byte("{}")}
}

// What parts do every day is within their rights.
func TestPartsDoTheirOwnWork(t *testing.T) {
	eachWay(t, func(t *testing.T, buses map[string]*Bus, log *lines) {
		for id, e := range map[string]struct{ part, typ string }{
			"s1": {"stores", "coldsection.stock.issued.v1"}, "s2": {"stores", "coldsection.access.authorization.changed.v1"},
			"w1": {"work", "coldsection.workorder.step.completed.v1"}, "d1": {"door", "coldsection.access.webhook.tested.v1"},
		} {
			if err := buses[e.part].Publish(t.Context(), told(id, e.typ)); err != nil {
				t.Errorf("%s tells %s: %v", e.part, e.typ, err)
			}
		}
		for range 2 {
			for part, bus := range buses { // of the others, a part reads to fill its model again
				if facts, _, err := bus.Feed(t.Context(), FeedQuery{Oldest: true, Limit: 10}); part != hub && (err != nil || len(facts) != 4) {
					t.Errorf("%s reads %d facts, %v", part, len(facts), err)
				}
			}
		}
		for _, part := range []string{"stores", "work"} {
			if err := hears(t.Context(), buses[part], part); err != nil {
				t.Errorf("%s hears nothing: %v", part, err)
			}
		}
		if n := log.count("Violation"); n > 0 {
			t.Errorf("%d rights are missing: %s", n, &log.text)
		}
	})
}

// hears makes the consumer of a part, as Consume does, and waits for a first fact.
func hears(ctx context.Context, bus *Bus, part string) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	durable, err := bus.durable(ctx, part, []string{subjectPrefix + "stock.>", subjectPrefix + "workorder.>"})
	if err != nil {
		return err
	}
	messages, err := durable.Messages()
	if err != nil {
		return err
	}
	defer messages.Stop()
	msg, err := messages.Next(jetstream.NextContext(ctx))
	if err != nil {
		return err
	}
	return msg.DoubleAck(ctx)
}

// Case D11: with each part's own credentials, what it may not do at an event server is refused and logged: telling facts of others, emptying,
// changing or deleting the stream, touching consumers of others, listening to everything or to answers of others, the system's own subjects.
func TestWhatIsAnothersIsRefusedAndLogged(t *testing.T) {
	alone := map[string]string{"stores": "work", "work": "stores", "door": "work"}
	foreign := map[string]string{"stores": "workorder.started", "work": "stock.issued", "door": "access.authorization.changed"}
	eachWay(t, func(t *testing.T, buses map[string]*Bus, log *lines) {
		for part, other := range alone {
			publishes := []string{
				subjectPrefix + foreign[part], subjectPrefix + "anything", api + "STREAM.PURGE." + StreamName, api + "STREAM.DELETE." + StreamName,
				api + "STREAM.UPDATE." + StreamName, api + "STREAM.MSG.DELETE." + StreamName, api + "STREAM.CREATE.OTHER", api + "STREAM.SNAPSHOT." + StreamName,
				api + "CONSUMER.DELETE." + StreamName + "." + other, api + "CONSUMER.CREATE." + StreamName + "." + other,
				api + "CONSUMER.CREATE." + StreamName + "." + other + "." + subjectPrefix + "stock.issued", api + "CONSUMER.DURABLE.CREATE." + StreamName + "." + other,
				api + "CONSUMER.MSG.NEXT." + StreamName + "." + other, api + "CONSUMER.DELETE." + StreamName + "." + reader(other),
				acks + other + ".1.1.1.1.0", "$SYS.REQ.SERVER.PING", "$SYS.ACCOUNT.$G.CONNECT", "_INBOX_" + other + ".x",
			}
			for _, subject := range publishes {
				refused(t, buses[part], log, part+" publishes to "+subject, func(c *nats.Conn) error { return c.Publish(subject, []byte("{}")) })
			}
			for _, subject := range []string{">", subjectPrefix + ">", "$SYS.>", "$JS.>", "_INBOX.>", inbox(other) + ".>", subjectPrefix + foreign[part]} {
				refused(t, buses[part], log, part+" listens to "+subject, func(c *nats.Conn) error {
					sub, err := c.SubscribeSync(subject)
					if err == nil {
						t.Cleanup(func() { _ = sub.Unsubscribe() })
					}
					return err
				})
			}
		}
		short, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
		defer cancel()
		if err := buses["stores"].Publish(short, told("f1", "coldsection.workorder.released.v1")); err == nil {
			t.Error("stores told that an order is released")
		}
		if facts, _, err := buses["door"].Feed(t.Context(), FeedQuery{Limit: 10}); err != nil || len(facts) != 0 {
			t.Errorf("the stream has %v, %v", facts, err)
		}
	})
}

// refused checks that the server refused what was done on the connection of a part, and wrote it down.
func refused(t *testing.T, bus *Bus, log *lines, what string, do func(c *nats.Conn) error) {
	t.Helper()
	before := log.count("Violation")
	if err := do(bus.conn); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if err := bus.conn.FlushTimeout(time.Minute); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if log.count("Violation") == before {
		t.Errorf("%s, and nobody minds", what)
	}
}

// Whoever has no key, or one that the servers don't know, does not come in; nor does a part without rights get a key, nor a part whose key is
// missing start.
func TestWithoutAKnownKeyNobodyComesIn(t *testing.T) {
	log := &lines{}
	folder, others := filepath.Join(t.TempDir(), "keys"), filepath.Join(t.TempDir(), "others")
	for _, f := range []string{folder, others} {
		if err := MakeKeys(f, "stores"); err != nil {
			t.Fatal(err)
		}
	}
	url := listening(t, folder, slog.New(slog.NewTextHandler(log, nil)))
	if _, err := Open(t.Context(), Config{URL: url, Replicas: 1}); err == nil || !strings.Contains(err.Error(), "Authorization") {
		t.Errorf("without a key: %v", err)
	}
	for words, keys := range map[string]string{"Authorization": others, "the key of stores": t.TempDir()} {
		if _, _, err := OpenFor(t.Context(), Config{URL: url, Replicas: 1}, keys, "stores"); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
	if err := MakeKeys(folder, "stores"); err == nil {
		t.Error("keys are written over")
	}
	if _, err := Users(house, map[string]string{"UX": "guests"}); err == nil {
		t.Error("guests get a key")
	}
	wrong := filepath.Join(t.TempDir(), "public")
	if err := os.WriteFile(wrong, []byte("stores nonsense\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := LoadPublic(wrong); err == nil || !strings.Contains(err.Error(), "stores nonsense") {
		t.Errorf("a line that is none: %v", err)
	}
}
