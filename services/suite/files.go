package suite

import (
	"fmt"
	"io"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/gateway"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/suite/verbs"
)

// exportCommand writes what a method of the API makes a file of.
type exportCommand struct {
	remote

	What   string    `arg:"" enum:"due,directives,lives,done,findings,stock,movements,journal,readings" help:"due, directives, lives, done, findings, stock, movements, journal or readings."`
	Engine string    `help:"Of which engine readings are."`
	From   time.Time `help:"For movements, the journal and readings: only from this instant on, such as 2026-06-30T00:00:00Z."`
	Before time.Time `help:"Only before this instant."`
	Out    string    `short:"f" name:"out" placeholder:"FILE" help:"Where to write it; by default standard output. A file that is there stays."`
}

// Run writes the file.
func (c *exportCommand) Run(e *environment) error {
	method, request, err := c.request()
	if err != nil {
		return err
	}
	return c.asked(func(client verbs.Client) error {
		answer, err := client.Ask(e.ctx, method, request, false)
		if err != nil {
			return err
		}
		m := answer.ProtoReflect()
		content := m.Get(m.Descriptor().Fields().ByName("content")).Bytes()
		return c.write(e, content)
	})
}

func (c *exportCommand) write(e *environment, content []byte) error {
	if c.Out == "" {
		_, err := e.out.Write(content)
		return err
	}
	return writeNew(c.Out, func(to io.Writer) error {
		_, err := to.Write(content)
		return err
	})
}

// request is the method that makes the file and what it is asked for.
func (c *exportCommand) request() (method, request string, err error) {
	lists := map[string]compliancev1.ExportDueItemsRequest_Content{
		"due": compliancev1.ExportDueItemsRequest_DUE_LIST, "directives": compliancev1.ExportDueItemsRequest_DIRECTIVES,
		"lives": compliancev1.ExportDueItemsRequest_LIFE_LIMITS, "done": compliancev1.ExportDueItemsRequest_LAST_AND_NEXT,
		"findings": compliancev1.ExportDueItemsRequest_OPEN_FINDINGS,
	}
	stock := map[string]consumablesv1.ExportStockRequest_Content{
		"stock": consumablesv1.ExportStockRequest_STOCK, "movements": consumablesv1.ExportStockRequest_MOVEMENTS, "journal": consumablesv1.ExportStockRequest_JOURNAL,
	}
	var in interface {
		ProtoReflect() protoreflect.Message
	}
	switch {
	case c.What == "readings" && c.Engine == "":
		return "", "", fmt.Errorf("readings are of one engine; name it with --engine, such as --engine engines/a")
	case c.What != "readings" && c.Engine != "":
		return "", "", fmt.Errorf("--engine chooses readings; %s is of all that this key may see", c.What)
	case c.What == "readings":
		method, in = "ExportReadings", &performancev1.ExportReadingsRequest{Parent: within("engines", c.Engine), StartTime: instant(c.From), EndTime: instant(c.Before)}
	case stock[c.What] != 0:
		method, in = "ExportStock", &consumablesv1.ExportStockRequest{Content: stock[c.What], StartTime: instant(c.From), EndTime: instant(c.Before)}
	case !c.From.IsZero() || !c.Before.IsZero():
		return "", "", fmt.Errorf("%s has no span of time; leave --from and --before out", c.What)
	default:
		method, in = "ExportDueItems", &compliancev1.ExportDueItemsRequest{Content: lists[c.What]}
	}
	text, err := protojson.Marshal(in.ProtoReflect().Interface())
	return method, string(text), err
}

// openapiCommand prints the description that a gateway of this version serves.
type openapiCommand struct{}

// Run prints it.
func (*openapiCommand) Run(e *environment) error {
	text, err := gateway.OpenAPI()
	if err == nil {
		_, err = e.out.Write(text)
	}
	return err
}

// protoCommand writes the contract that a gateway of this version serves.
type protoCommand struct {
	File string `arg:"" help:"Where to write the zip. A file that is there stays."`
}

// Run writes it.
func (c *protoCommand) Run(*environment) error {
	bundle, err := gateway.Protos()
	if err != nil {
		return err
	}
	return writeNew(c.File, func(to io.Writer) error {
		_, err := to.Write(bundle)
		return err
	})
}
