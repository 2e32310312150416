package suite

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/suite/verbs"
)

// environment is what a command reads and writes.
type environment struct {
	ctx           context.Context //nolint:containedctx // lives as long as the command
	in            io.Reader
	out, problems io.Writer
}

// managing are the commands by which a suite is looked after.
type managing struct {
	User    userCommand    `cmd:"" help:"List, add, invite, disable and enable accounts."`
	Token   tokenCommand   `cmd:"" help:"List, make and revoke the API keys of programs."`
	Webhook webhookCommand `cmd:"" help:"List webhook endpoints and their messages, test one, send a message again."`
	Export  exportCommand  `cmd:"" help:"Write a list or a log as a file."`
	Doctor  doctorCommand  `cmd:"" help:"Say whether a running suite is well, as far as this key may know."`
	OpenAPI openapiCommand `cmd:"" name:"openapi" help:"Print the description of the REST API, an OpenAPI document."`
	Proto   protoCommand   `cmd:"" name:"proto" help:"Write the contract for gRPC clients, a zip of .proto files."`
	Init    initCommand    `cmd:"" help:"Make the state folder and the databases of a new suite; serve then says how the first administrator comes in."`
	Migrate migrateCommand `cmd:"" help:"Bring the databases of a suite that is stopped to this version, as serve does at its start."`
	Seed    seedCommand    `cmd:"" help:"Make a new folder with the demonstration's invented data, to be served with its clock."`
}

// dry is what a command has that can be tried.
type dry struct {
	DryRun bool `name:"dry-run" help:"Check everything and change nothing."`
}

// act calls a method and shows its answer.
func (r *remote) act(e *environment, form shape, method string, request map[string]any, dryRun bool) error {
	text, err := json.Marshal(request)
	if err != nil {
		return err
	}
	return r.asked(func(client verbs.Client) error {
		answer, err := client.Ask(e.ctx, method, string(text), dryRun)
		if err != nil {
			return err
		}
		return verbs.Show(form.Output, e.out, form.Columns, answer.ProtoReflect())
	})
}

// within names a resource of a collection, for which its last part is enough.
func within(collection, name string) string {
	if strings.HasPrefix(name, collection+"/") {
		return name
	}
	return collection + "/" + name
}

// collectionList lists one collection.
type collectionList struct{ listCommand }

func (c *collectionList) of(e *environment, collection string) error {
	return c.listCommand.run(e.ctx, collection, e.out)
}

type userCommand struct {
	List    userListCommand    `cmd:"" help:"List accounts."`
	Add     userAddCommand     `cmd:"" help:"Add an account."`
	Invite  userInviteCommand  `cmd:"" help:"Make the link, good once and for a week, by which somebody chooses a password."`
	Disable userDisableCommand `cmd:"" help:"End every session, key and invitation of an account."`
	Enable  userEnableCommand  `cmd:"" help:"Let a disabled or locked account in again."`
}

type userListCommand struct{ collectionList }

// Run lists accounts.
func (c *userListCommand) Run(e *environment) error { return c.of(e, "accounts") }

type userAddCommand struct {
	remote
	shape
	dry

	Login  string   `arg:"" help:"What the person signs in with; also the account's name."`
	Name   string   `help:"The name that is shown; the login when empty."`
	Roles  []string `name:"role" help:"Roles, such as technician."`
	Person string   `help:"Whose account it is, such as people/a."`
	Owners []string `name:"owner" help:"The account sees only what belongs to them."`
	Robot  bool     `name:"machine" help:"For a program, which has keys and no password."`
}

// Run adds an account.
func (c *userAddCommand) Run(e *environment) error {
	kind := "HUMAN"
	if c.Robot {
		kind = "MACHINE"
	}
	account := map[string]any{"login": c.Login, "displayName": orDefault(c.Name, c.Login), "kind": kind, "roles": c.Roles, "person": c.Person, "owners": c.Owners}
	return c.act(e, c.shape, "CreateAccount", map[string]any{"accountId": c.Login, "account": account}, c.DryRun)
}

// oneAccount is a command about one account.
type oneAccount struct {
	remote
	shape

	Account string `arg:"" help:"The account, such as accounts/tomas or tomas."`
}

func (c *oneAccount) call(e *environment, method string) error {
	return c.act(e, c.shape, method, map[string]any{"name": within("accounts", c.Account)}, false)
}

type (
	userInviteCommand  struct{ oneAccount }
	userDisableCommand struct{ oneAccount }
	userEnableCommand  struct{ oneAccount }
)

// Run invites somebody.
func (c *userInviteCommand) Run(e *environment) error { return c.call(e, "InviteAccount") }

// Run disables an account.
func (c *userDisableCommand) Run(e *environment) error { return c.call(e, "DisableAccount") }

// Run enables an account.
func (c *userEnableCommand) Run(e *environment) error { return c.call(e, "EnableAccount") }

type tokenCommand struct {
	List   tokenListCommand   `cmd:"" help:"List the keys of an account, without their secrets."`
	Make   tokenMakeCommand   `cmd:"" help:"Make a key and write its secret into a new file, which only you may read."`
	Revoke tokenRevokeCommand `cmd:"" help:"Make a key useless."`
}

type tokenListCommand struct {
	remote
	shape

	Account string `arg:"" help:"The account of the program, such as accounts/erp or erp."`
}

// Run lists keys.
func (c *tokenListCommand) Run(e *environment) error {
	list := listCommand{remote: c.remote, shape: c.shape, Parent: within("accounts", c.Account)}
	return list.run(e.ctx, "apiKeys", e.out)
}

type tokenMakeCommand struct {
	remote
	shape
	dry

	Account string    `arg:"" help:"The account of the program, such as accounts/erp or erp."`
	File    string    `arg:"" help:"Where to write the secret. A file that is there stays."`
	Name    string    `help:"What the key is for; the account when empty."`
	Scopes  []string  `name:"scope" help:"What it is limited to: read, role:stores, area:consumables."`
	Until   time.Time `help:"When it ends, such as 2027-06-30T00:00:00Z; a year from now when empty."`
}

// Run makes a key. The secret goes into the file and nowhere else: what a screen or a log shows stays there.
func (c *tokenMakeCommand) Run(e *environment) error {
	key := &accessv1.ApiKey{DisplayName: orDefault(c.Name, c.Account), Scopes: c.Scopes, ExpireTime: instant(c.Until)}
	request, err := protojson.Marshal(&accessv1.CreateApiKeyRequest{Parent: within("accounts", c.Account), ApiKey: key})
	if err != nil {
		return err
	}
	return c.asked(func(client verbs.Client) error {
		if c.DryRun {
			answer, err := client.Ask(e.ctx, "CreateApiKey", string(request), true)
			if err != nil {
				return err
			}
			return verbs.Show(c.Output, e.out, c.Columns, answer.ProtoReflect())
		}
		var made *accessv1.ApiKey
		if err := writeNew(c.File, func(to io.Writer) error {
			answer, err := client.Ask(e.ctx, "CreateApiKey", string(request), false)
			if err != nil {
				return err
			}
			made, _ = proto.Clone(answer).(*accessv1.ApiKey)
			_, err = fmt.Fprintln(to, made.GetSecret())
			return err
		}); err != nil {
			return c.takeBack(e.ctx, client, made, err)
		}
		made.Secret = ""
		return verbs.Show(c.Output, e.out, c.Columns, made.ProtoReflect())
	})
}

// takeBack revokes a key whose secret could not be kept.
func (*tokenMakeCommand) takeBack(ctx context.Context, client verbs.Client, made *accessv1.ApiKey, err error) error {
	if made.GetName() == "" {
		return err
	}
	_, failed := accessv1.NewAccessServiceClient(client.Conn).RevokeApiKey(ctx, &accessv1.RevokeApiKeyRequest{Name: made.GetName()})
	if failed != nil {
		return fmt.Errorf("%s was made, but its secret was not kept: %w; revoke it (%w)", made.GetName(), err, rpc.FromStatus(failed))
	}
	return fmt.Errorf("%s was made and revoked, as its secret could not be kept: %w", made.GetName(), err)
}

type tokenRevokeCommand struct {
	remote
	shape

	Key string `arg:"" help:"The key, such as accounts/erp/apiKeys/a."`
}

// Run revokes a key.
func (c *tokenRevokeCommand) Run(e *environment) error {
	return c.act(e, c.shape, "RevokeApiKey", map[string]any{"name": c.Key}, false)
}

type webhookCommand struct {
	List       webhookListCommand       `cmd:"" help:"List endpoints."`
	Deliveries webhookDeliveriesCommand `cmd:"" help:"List the messages to an endpoint."`
	Test       webhookTestCommand       `cmd:"" help:"Send an endpoint a message that says nothing."`
	Replay     webhookReplayCommand     `cmd:"" help:"Send a message again."`
}

type webhookListCommand struct{ collectionList }

// Run lists endpoints.
func (c *webhookListCommand) Run(e *environment) error { return c.of(e, "webhookEndpoints") }

type webhookDeliveriesCommand struct {
	remote
	shape

	Endpoint string `arg:"" help:"The endpoint, such as webhookEndpoints/erp or erp."`
	Limit    int    `help:"The most to list; 0 means all."`
}

// Run lists messages.
func (c *webhookDeliveriesCommand) Run(e *environment) error {
	list := listCommand{remote: c.remote, shape: c.shape, Parent: within("webhookEndpoints", c.Endpoint), Limit: c.Limit}
	return list.run(e.ctx, "webhookDeliveries", e.out)
}

type webhookTestCommand struct {
	remote
	shape

	Endpoint string `arg:"" help:"The endpoint, such as webhookEndpoints/erp or erp."`
}

// Run sends a test message.
func (c *webhookTestCommand) Run(e *environment) error {
	return c.act(e, c.shape, "TestWebhookEndpoint", map[string]any{"name": within("webhookEndpoints", c.Endpoint)}, false)
}

type webhookReplayCommand struct {
	remote
	shape

	Delivery string `arg:"" help:"The message, such as webhookEndpoints/erp/deliveries/a."`
}

// Run sends a message again.
func (c *webhookReplayCommand) Run(e *environment) error {
	return c.act(e, c.shape, "ReplayWebhookDelivery", map[string]any{"name": c.Delivery}, false)
}
