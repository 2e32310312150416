package scenarios

import (
	"context"
	"errors"
	"flag"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/suite/story"
)

const (
	rolesFile = "testdata/roles.csv"
	moment    = 300 * time.Millisecond // for a stream to refuse
)

var write = flag.Bool("write-roles", false, "write testdata/roles.csv from what the suite does, to be read before it is committed")

// limited stands in the table for an account with every role but admin and agent that sees one owner's things only.
const limited = "limited"

// callers are everybody whom the matrix tries: nobody, and one account of each role.
var callers = []string{
	"nobody", "viewer", "technician", "inspector", "releaser", "stores", "planner", "analyst", "quality", "integrator", "agent", "admin",
}

// testdata/roles.csv says of every method of the contract which roles get past the door. A method that it does not list, or
// one that lets in others than it says, fails the build; so a person reads every change of authority in a diff.
func TestWhoMayCallWhat(t *testing.T) {
	stage := harness.OneProcess(t)
	conn := stage.Conn(t)
	people := hireAll(t, stage, conn)
	var table strings.Builder
	table.WriteString("method,roles\n")
	for _, m := range methods() {
		var let []string
		for _, name := range callers {
			if admitted(t, people[name], conn, m) {
				let = append(let, name)
			}
		}
		if admitted(t, people[limited], conn, m) {
			let = append(let, limited)
		}
		table.WriteString(string(m.FullName()) + "," + strings.Join(let, " ") + "\n")
	}
	if *write {
		if err := os.WriteFile(rolesFile, []byte(table.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(rolesFile)
	if err != nil {
		t.Fatal(err)
	}
	want, got := strings.Split(string(text), "\n"), strings.Split(table.String(), "\n")
	for _, line := range got {
		if !slices.Contains(want, line) {
			t.Errorf("%s does not have this line: %s", rolesFile, line)
		}
	}
	for _, line := range want {
		if !slices.Contains(got, line) {
			t.Errorf("the suite does not do what %s says: %s", rolesFile, line)
		}
	}
}

// hireAll makes an account of each role, by the first administrator.
func hireAll(t *testing.T, stage *harness.Stage, conn *grpc.ClientConn) map[string]*harness.Person {
	t.Helper()
	people := map[string]*harness.Person{"nobody": stage.Stranger(t)}
	join := func(name, token string) {
		answer := must(t, stage.Stranger(t).REST("POST", "/v1/invitations:accept", map[string]any{"token": token, "password": story.Password}))
		people[name] = stage.Stranger(t)
		people[name].Token = text(answer, "token")
	}
	join("admin", stage.Token())
	accounts := accessv1.NewAccessServiceClient(conn)
	for _, role := range callers[1 : len(callers)-1] {
		ctx := people["admin"].Context()
		_, err := accounts.CreateAccount(ctx, &accessv1.CreateAccountRequest{AccountId: role, Account: &accessv1.Account{
			Login: role, DisplayName: role, Person: "people/" + role, Roles: []string{role}, Kind: accessv1.Account_HUMAN,
		}})
		if err != nil {
			t.Fatal(err)
		}
		invitation, err := accounts.InviteAccount(ctx, &accessv1.InviteAccountRequest{Name: "accounts/" + role})
		if err != nil {
			t.Fatal(err)
		}
		join(role, invitation.GetToken())
	}
	people[limited] = guest(t, stage, conn, people["admin"], "elsewhere")
	return people
}

// methods are all methods of the contract but the one that would sign the callers out.
func methods() []protoreflect.MethodDescriptor {
	var all []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "coldsection.") {
			return true
		}
		for i := range f.Services().Len() {
			service := f.Services().Get(i)
			for k := range service.Methods().Len() {
				if m := service.Methods().Get(k); m.Name() != "SignOut" {
					all = append(all, m)
				}
			}
		}
		return true
	})
	slices.SortFunc(all, func(a, b protoreflect.MethodDescriptor) int {
		return strings.Compare(string(a.FullName()), string(b.FullName()))
	})
	return all
}

// admitted says whether a caller with an empty request gets past the door.
func admitted(t *testing.T, who *harness.Person, conn *grpc.ClientConn, m protoreflect.MethodDescriptor) bool {
	t.Helper()
	name := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	in, out := dynamicpb.NewMessage(m.Input()), dynamicpb.NewMessage(m.Output())
	var err error
	if m.IsStreamingServer() || m.IsStreamingClient() {
		err = stream(who.Context(), conn, m, name)
	} else {
		err = conn.Invoke(who.Context(), name, in, out)
	}
	f, ok := fault.As(rpc.FromStatus(err))
	return !ok || !slices.Contains([]string{"ROLE_MISSING", "NOT_SIGNED_IN", "OWNER_LIMITED", "AGENT_LIMITED"}, f.Reason)
}

// stream opens a stream and ends it when the first answer, or none within a moment, came.
func stream(ctx context.Context, conn *grpc.ClientConn, m protoreflect.MethodDescriptor, name string) error {
	ctx, cancel := context.WithTimeout(ctx, moment)
	defer cancel()
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: m.IsStreamingServer(), ClientStreams: m.IsStreamingClient()}, name)
	if err != nil {
		return err
	}
	if err := s.SendMsg(dynamicpb.NewMessage(m.Input())); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if err := s.CloseSend(); err != nil {
		return err
	}
	return s.RecvMsg(dynamicpb.NewMessage(m.Output()))
}
