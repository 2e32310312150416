package eventbus

import (
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
)

// Message is a fact with its place in the stream.
type Message struct {
	outbox.Event

	Sequence uint64 // grows along the stream; 0 for a fact that was parked
}

// Decode reads the payload; fields that this program does not know yet are left out.
func (m Message) Decode(into proto.Message) error {
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(m.Data, into); err != nil {
		return fmt.Errorf("the payload of %s %s: %w", m.Type, m.ID, err)
	}
	return nil
}

// specVersion is the version of CloudEvents that facts are written in.
const specVersion = "1.0"

const (
	subjectPrefix = "coldsection.v1."
	typePrefix    = "coldsection."
	typeSuffix    = ".v1"
)

// words are what types are made of; anything else would mean something else to an event server.
var words = regexp.MustCompile(`^[a-z0-9_]+(\.[a-z0-9_]+)*$`)

// subjectOf is the stream's subject of a type: coldsection.stock.issued.v1 is on coldsection.v1.stock.issued.
func subjectOf(typ string) (string, error) {
	middle, ok := strings.CutPrefix(typ, typePrefix)
	if ok {
		middle, ok = strings.CutSuffix(middle, typeSuffix)
	}
	if !ok || !words.MatchString(middle) {
		return "", fault.Invalid("types", "EVENT_TYPE_INVALID", "%q is no event type; one looks like coldsection.stock.issued.v1.", typ)
	}
	return subjectPrefix + middle, nil
}

// subjectsOf are the subjects of types or of prefixes such as "coldsection.stock.*"; no types mean all. Event servers refuse subjects of which
// one holds another, so what a prefix takes is not named beside it.
func subjectsOf(types []string) ([]string, error) {
	if len(types) == 0 {
		return []string{subjectPrefix + ">"}, nil
	}
	var subjects []string
	for _, typ := range types {
		prefix, all := strings.CutSuffix(typ, ".*")
		if !all {
			subject, err := subjectOf(typ)
			if err != nil {
				return nil, err
			}
			subjects = append(subjects, subject)
			continue
		}
		area, ok := strings.CutPrefix(prefix+".", typePrefix)
		if !ok || area != "" && !words.MatchString(strings.TrimSuffix(area, ".")) {
			return nil, fault.Invalid("types", "EVENT_TYPE_INVALID", "%q is no prefix of event types; one looks like coldsection.stock.*.", typ)
		}
		subjects = append(subjects, subjectPrefix+area+">")
	}
	return apart(subjects), nil
}

// apart leaves out subjects that another one of them holds.
func apart(subjects []string) []string {
	slices.Sort(subjects)
	subjects = slices.Compact(subjects)
	return slices.DeleteFunc(slices.Clone(subjects), func(s string) bool {
		return slices.ContainsFunc(subjects, func(other string) bool {
			prefix, all := strings.CutSuffix(other, ">")
			return all && s != other && strings.HasPrefix(s, prefix)
		})
	})
}

// Header names of CloudEvents' NATS binding, and our extensions.
const (
	headerID          = "ce-id"
	headerSource      = "ce-source"
	headerSpec        = "ce-specversion"
	headerType        = "ce-type"
	headerSubject     = "ce-subject"
	headerTime        = "ce-time"
	headerContent     = "content-type"
	headerVersion     = "ce-subjectversion"
	headerPrevious    = "ce-previousversion"
	headerPreviousID  = "ce-previousid"
	headerActor       = "ce-actor"
	headerTraceParent = "ce-traceparent"
)

func encode(e outbox.Event) (*nats.Msg, error) {
	subject, err := subjectOf(e.Type)
	if err != nil {
		return nil, err
	}
	msg := nats.NewMsg(subject)
	msg.Data = e.Data
	for name, value := range map[string]string{
		headerID: e.ID, headerSource: e.Source, headerSpec: specVersion, headerType: e.Type, headerSubject: e.Subject,
		headerTime: e.Time.UTC().Format(time.RFC3339Nano), headerContent: "application/json",
		headerVersion: strconv.FormatInt(e.Version, 10), headerPrevious: previousText(e.Previous),
		headerPreviousID: e.PreviousID, headerActor: e.Actor, headerTraceParent: e.TraceParent,
	} {
		if value != "" {
			msg.Header.Set(name, escape(value))
		}
	}
	return msg, nil
}

// decode reads a message of the stream; one that is not a fact of ours is an error.
func decode(msg jetstream.Msg) (Message, error) {
	get := func(name string) string {
		value, err := url.PathUnescape(msg.Headers().Get(name))
		if err != nil {
			return ""
		}
		return value
	}
	meta, err := msg.Metadata()
	if err != nil {
		return Message{}, err
	}
	at, timeErr := time.Parse(time.RFC3339Nano, get(headerTime))
	version, versionErr := strconv.ParseInt(get(headerVersion), 10, 64)
	previous, previousErr := previousOf(get(headerPrevious), version)
	m := Message{Sequence: meta.Sequence.Stream, Event: outbox.Event{
		ID: get(headerID), Type: get(headerType), Source: get(headerSource), Subject: get(headerSubject), Version: version, Previous: previous, PreviousID: get(headerPreviousID),
		Time: at, Actor: get(headerActor), TraceParent: get(headerTraceParent), Data: msg.Data(),
	}}
	wrong := ""
	switch subject, err := subjectOf(m.Type); {
	case m.ID == "" || m.Type == "" || m.Source == "" || m.Subject == "" || errors.Join(timeErr, versionErr, previousErr) != nil || version < 0:
		wrong = "its headers are incomplete"
	case err != nil || subject != msg.Subject():
		wrong = "its type is no such type as this release knows under its subject"
	case get(headerSpec) != specVersion:
		wrong = "it is not written in CloudEvents " + specVersion
	}
	if wrong != "" {
		return unreadable(msg, meta), fmt.Errorf("message %d of the stream is no fact: %s", meta.Sequence.Stream, wrong)
	}
	return m, nil
}

// previousText is how the version before is told; nothing where nobody knows.
func previousText(previous int64) string {
	switch previous {
	case outbox.NotTold:
		return ""
	case outbox.First:
		return "0"
	}
	return strconv.FormatInt(previous, 10)
}

// previousOf reads a text of previousText.
func previousOf(text string, version int64) (int64, error) {
	if text == "" || text == "0" {
		return map[string]int64{"": outbox.NotTold, "0": outbox.First}[text], nil
	}
	previous, err := strconv.ParseInt(text, 10, 64)
	if err == nil && (previous < 1 || previous >= version) {
		err = errors.New("a fact that follows itself or a later one")
	}
	return previous, err
}

// unreadableSource is the source of what is parked without being a fact; no service has the name.
const unreadableSource = "stream"

// unreadable keeps a message that is no fact for who looks at it: where and when it is in the stream, and its bytes. Nothing of its headers is taken, as
// they are not ours.
func unreadable(msg jetstream.Msg, meta *jetstream.MsgMetadata) Message {
	place := fmt.Sprintf("stream-%d", meta.Sequence.Stream)
	return Message{Sequence: meta.Sequence.Stream, Event: outbox.Event{
		ID: place, Type: strings.ToValidUTF8(msg.Subject(), "?"), Source: unreadableSource, Subject: place, Time: meta.Timestamp, Data: append([]byte{}, msg.Data()...),
	}}
}

// escape writes a header value as the CloudEvents bindings ask: what is not printable ASCII, and " and %, in percent form.
func escape(value string) string {
	var b strings.Builder
	for i := range len(value) {
		if c := value[i]; c <= ' ' || c > '~' || c == '"' || c == '%' {
			fmt.Fprintf(&b, "%%%02X", c)
		} else {
			b.WriteByte(c)
		}
	}
	return b.String()
}

// CheckTypes refuses texts that are no event types and no prefixes of them. Reason: EVENT_TYPE_INVALID.
func CheckTypes(types []string) error {
	_, err := subjectsOf(types)
	return err
}
