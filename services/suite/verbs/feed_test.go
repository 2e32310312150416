package verbs_test

import (
	"context"
	"slices"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/suite/verbs"
)

// flaky is a suite that is away each second time it is asked, and has three facts.
type flaky struct {
	grpc.ClientConnInterface

	asked int
}

func (f *flaky) Invoke(_ context.Context, _ string, in, out any, _ ...grpc.CallOption) error {
	if f.asked++; f.asked%2 == 0 {
		return status.Error(codes.Unavailable, "away")
	}
	facts := []string{"", "1", "2", "3"}
	at := slices.Index(facts, in.(*accessv1.ListEventsRequest).GetAfter())
	answer := out.(*accessv1.ListEventsResponse)
	answer.NextCursor = facts[min(at+1, 3)]
	if at < 3 {
		answer.Events = []*accessv1.Event{{Id: facts[at+1]}}
	}
	return nil
}

// seen are the ids of the facts that were handed on; the follower is ended with the third.
type seen struct {
	ids []string
	end context.CancelFunc
}

func (s *seen) Begin(protoreflect.MessageDescriptor) error { return nil }

func (s *seen) Write(m protoreflect.Message) error {
	s.ids = append(s.ids, m.Get(m.Descriptor().Fields().ByName("id")).String())
	return nil
}

func (s *seen) Flush() error {
	if len(s.ids) == 3 {
		s.end()
	}
	return nil
}

func (*seen) Close() error { return nil }

// A follower goes on when the suite is away for a while, and sees each fact once.
func TestAFollowerOutlivesASuiteThatIsAway(t *testing.T) {
	ctx, end := context.WithCancel(t.Context())
	defer end()
	rows := &seen{end: end}
	cursor, err := verbs.Client{Conn: &flaky{}}.Facts(ctx, "", nil, true, rows)
	if err != nil || cursor != "3" || !slices.Equal(rows.ids, []string{"1", "2", "3"}) {
		t.Errorf("%q %v %v", cursor, rows.ids, err)
	}
}

// Whoever does not follow is told.
func TestAReaderIsToldThatTheSuiteIsAway(t *testing.T) {
	if _, err := (verbs.Client{Conn: &flaky{asked: 1}}).Facts(t.Context(), "", nil, false, &seen{}); !fault.HasReason(err, "SERVICE_UNREACHABLE") {
		t.Error(err)
	}
}

// A method that there is not is taken for another only when the names are near.
func TestANearMethodIsSuggested(t *testing.T) {
	for name, want := range map[string]string{
		"ListAccount": `There is no method "ListAccount"; did you mean ListAccounts? See coldsection methods.`,
		"Nope":        `There is no method "Nope". See coldsection methods.`,
	} {
		if _, err := (verbs.Client{}).Ask(t.Context(), name, "", false); err == nil || err.Error() != want {
			t.Errorf("%s: %v", name, err)
		}
	}
}
