package suite

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/suite/verbs"
)

// shape is how a command shows what it got.
type shape struct {
	Output  string   `short:"o" default:"table" enum:"table,json,csv" help:"table, json (one object per line) or csv."`
	Columns []string `help:"Fields to show, such as name,serial; by default the usual ones."`
}

// listCommand lists a collection.
type listCommand struct {
	remote
	shape

	Parent string `help:"Where they belong, such as workOrders/a; all when empty."`
	Filter string `help:"Which, such as 'state = \"USABLE\"'."`
	Order  string `help:"How sorted, such as 'due_date desc'."`
	Limit  int    `help:"The most to list; 0 means all."`
}

type anyListCommand struct {
	listCommand

	Collection string `arg:"" help:"As in addresses, such as taskCards or engines."`
}

// one is how a command shows one answer.
type one struct {
	Output  string   `short:"o" default:"json" enum:"table,json,csv" help:"table, json or csv."`
	Columns []string `help:"Fields to show in a table or CSV, such as name,serial; by default all that fit."`
}

type getCommand struct {
	remote
	one

	Name string `arg:"" help:"The resource, such as engines/a."`
}

type callCommand struct {
	remote
	one
	dry

	Method string `arg:"" help:"A method, such as ListEngines; see coldsection methods."`
	JSON   string `name:"json" default:"{}" help:"The request; @FILE reads a file, @- standard input."`
}

type eventsCommand struct {
	remote
	shape

	Tail string `arg:"" optional:"" enum:"tail,all" default:"all" help:"tail is --follow."`

	After  string   `help:"The cursor after which to begin; empty begins with the oldest."`
	Types  []string `help:"Only these, such as coldsection.stock.*."`
	Follow bool     `short:"f" help:"Wait for more until Ctrl-C."`
}

type importCommand struct {
	remote
	one
	dry

	File    string `arg:"" help:"A CSV file of readings; - reads standard input."`
	Source  string `help:"Where the readings are from."`
	Check   bool   `help:"The same as --dry-run."`
	Request string `name:"request-id" help:"A UUID; repeating it with the same file imports once."`
}

// asking are the commands that call a running suite.
type asking struct {
	Engines listCommand    `cmd:"" help:"List engines."`
	Due     listCommand    `cmd:"" help:"List what is due."`
	Orders  listCommand    `cmd:"" help:"List work orders."`
	Lots    listCommand    `cmd:"" help:"List lots on the shelf."`
	Stock   listCommand    `cmd:"" help:"List stock movements."`
	List    anyListCommand `cmd:"" help:"List any collection."`
	Get     getCommand     `cmd:"" help:"Show one resource."`
	Call    callCommand    `cmd:"" help:"Call any method of the API with JSON."`
	Methods methodsCommand `cmd:"" help:"Name the methods of the API."`
	Events  eventsCommand  `cmd:"" help:"Print the change feed."`
	Import  importCommand  `cmd:"" help:"Import readings."`
}

// collections are those with commands of their own.
var collections = map[string]string{"engines": "engines", "due": "dueItems", "orders": "workOrders", "lots": "lots", "stock": "stockMovements"}

// run runs the command of that name; known is false when it is none of these.
func (a *asking) run(ctx context.Context, command string, in io.Reader, out, problems io.Writer) (known bool, err error) {
	word, _, _ := strings.Cut(command, " ")
	switch word {
	case "engines":
		return true, a.Engines.run(ctx, collections[word], out)
	case "due":
		return true, a.Due.run(ctx, collections[word], out)
	case "orders":
		return true, a.Orders.run(ctx, collections[word], out)
	case "lots":
		return true, a.Lots.run(ctx, collections[word], out)
	case "stock":
		return true, a.Stock.run(ctx, collections[word], out)
	case "list":
		return true, a.List.run(ctx, a.List.Collection, out)
	case "get":
		return true, a.Get.run(ctx, out)
	case "call":
		return true, a.Call.run(ctx, in, out)
	case "methods":
		return true, a.Methods.run(out)
	case "events":
		return true, a.Events.run(ctx, out, problems)
	case "import":
		return true, a.Import.run(ctx, in, out)
	default:
		return false, nil
	}
}

// asked runs fn with a client; a refusal becomes an error with its reason in front.
func (r *remote) asked(fn func(verbs.Client) error) error {
	key, err := r.key()
	if err != nil {
		return err
	}
	conn, err := r.dial(key)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	return said(fn(verbs.Client{Conn: conn}))
}

// said is a refusal with its reason in front. Why this machine reaches no suite, such as a certificate that it does not trust, is for the person at
// it to see; what suites say of one another is not among it.
func said(err error) error {
	f, ok := fault.As(err)
	if !ok || f.Reason == "" {
		return err
	}
	if s, here := status.FromError(errors.Unwrap(f)); here && s.Code() == codes.Unavailable {
		return fmt.Errorf("%s: %s (%s)", f.Reason, f.Message, s.Message())
	}
	return fmt.Errorf("%s: %s", f.Reason, f.Message)
}

func (c *listCommand) run(ctx context.Context, collection string, out io.Writer) error {
	return c.asked(func(client verbs.Client) error {
		rows := verbs.NewRows(c.Output, out, c.Columns)
		err := client.List(ctx, verbs.Query{Collection: collection, Parent: c.Parent, Filter: c.Filter, Order: c.Order, Limit: c.Limit}, rows)
		return errors.Join(err, rows.Close())
	})
}

func (c *getCommand) run(ctx context.Context, out io.Writer) error {
	return c.asked(func(client verbs.Client) error {
		answer, err := client.Get(ctx, c.Name)
		if err != nil {
			return err
		}
		return verbs.Show(c.Output, out, c.Columns, answer.ProtoReflect())
	})
}

func (c *callCommand) run(ctx context.Context, in io.Reader, out io.Writer) error {
	request := c.JSON
	if path, ok := strings.CutPrefix(request, "@"); ok {
		text, err := readAll(path, in)
		if err != nil {
			return err
		}
		request = string(text)
	}
	return c.asked(func(client verbs.Client) error {
		answer, err := client.Ask(ctx, c.Method, request, c.DryRun)
		if err != nil {
			return err
		}
		return verbs.Show(c.Output, out, c.Columns, answer.ProtoReflect())
	})
}

func (c *eventsCommand) run(ctx context.Context, out, problems io.Writer) error {
	return c.asked(func(client verbs.Client) error {
		columns := c.Columns
		if len(columns) == 0 && c.Output == "table" {
			columns = []string{"event_time", "type", "subject", "sequence"}
		}
		rows := verbs.NewRows(c.Output, out, columns)
		cursor, err := client.Facts(ctx, c.After, c.Types, c.Follow || c.Tail == "tail", rows)
		err = errors.Join(err, rows.Close())
		if cursor == "" && err != nil {
			return err // nothing was read yet
		}
		_, said := fmt.Fprintf(problems, "go on with --after %s\n", cursor)
		return errors.Join(err, said)
	})
}

func (c *importCommand) run(ctx context.Context, in io.Reader, out io.Writer) error {
	text, err := readAll(c.File, in)
	if err != nil {
		return err
	}
	request, err := json.Marshal(map[string]any{"csv": string(text), "source": c.Source, "requestId": c.Request})
	if err != nil {
		return err
	}
	trial := c.Check || c.DryRun
	return c.asked(func(client verbs.Client) error {
		answer, err := client.Ask(ctx, "ImportReadings", string(request), trial)
		if err != nil {
			return err
		}
		if err := verbs.Show(c.Output, out, c.Columns, answer.ProtoReflect()); err != nil {
			return err
		}
		if read, ok := answer.(*performancev1.ImportReadingsResponse); ok && trial && len(read.GetProblems()) > 0 {
			return found{fmt.Errorf("%d rows or cells have something wrong, which the answer names; correct them and check again", len(read.GetProblems()))}
		}
		return nil
	})
}

// methodsCommand names the methods of the API.
type methodsCommand struct {
	Output string `short:"o" default:"table" enum:"table,json,csv" help:"table (one name a line), json or csv (with whether each reads only, and whether call takes --dry-run for it)."`
}

func (c *methodsCommand) run(out io.Writer) error {
	if c.Output != "table" {
		table, err := verbs.NewTable(c.Output, out, "method", "reads", "dry_run")
		for _, m := range verbs.Methods() {
			if err == nil {
				err = table.Write(string(m.FullName()), strconv.FormatBool(verbs.Reads(m)), strconv.FormatBool(verbs.CanBeTried(m)))
			}
		}
		if err == nil {
			err = table.Close()
		}
		return err
	}
	for _, m := range verbs.Methods() {
		if _, err := fmt.Fprintln(out, m.FullName()); err != nil {
			return err
		}
	}
	return nil
}

// readAll reads a file, or standard input for "-".
func readAll(path string, in io.Reader) ([]byte, error) {
	if path == "-" {
		return io.ReadAll(in)
	}
	return os.ReadFile(path)
}
