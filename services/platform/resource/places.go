package resource

import (
	"reflect"
	"strconv"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// places are where the fields of a generated message stand in its Go struct, by their number, as the struct's tags tell; going through the message's
// reflection takes twenty times as long. What has no field of its own, such as a member of a oneof, has no place.
type places map[protoreflect.FieldNumber]int

func placesOf(t reflect.Type) places {
	all := places{}
	for i := range t.NumField() {
		tag := strings.Split(t.Field(i).Tag.Get("protobuf"), ",") // such as varint,5,opt,name=…
		if len(tag) < 2 || !t.Field(i).IsExported() {
			continue
		}
		if n, err := strconv.Atoi(tag[1]); err == nil {
			all[protoreflect.FieldNumber(n)] = i
		}
	}
	return all
}

// shape is what the store does to messages of a type, found out once: the options of a field are slow to read.
type shape struct {
	outputs          []int                          // places of fields that callers may not set,
	messages         []inner                        // and of those that hold one message with such fields in it
	others           []protoreflect.FieldDescriptor // fields that callers may not set and that have no place
	nested           []protoreflect.FieldDescriptor // fields without a place that hold a message
	etag             int                            // places of what the store owns; -1 for none
	created, updated int
}

// inner is a message in another one.
type inner struct {
	at    int
	shape func() *shape
}

// shapes keeps shapes by the Go type of the message.
var shapes sync.Map

// shapeOf is the shape of a message with its struct; false when the message has none, because it is not generated or is nil.
func shapeOf(m proto.Message) (*shape, reflect.Value, bool) {
	v := reflect.ValueOf(m)
	if v.Kind() != reflect.Pointer || v.IsNil() || v.Elem().Kind() != reflect.Struct {
		return nil, v, false
	}
	if found, ok := shapes.Load(v.Type()); ok {
		s, _ := found.(*shape)
		return s, v.Elem(), true
	}
	return shapeFor(m.ProtoReflect().Descriptor(), v.Type()), v.Elem(), true
}

// shapeFor finds the shape of a message out, given the type of the pointer to its struct.
func shapeFor(d protoreflect.MessageDescriptor, t reflect.Type) *shape {
	s := newShape(d, t.Elem())
	shapes.Store(t, s)
	return s
}

func newShape(d protoreflect.MessageDescriptor, t reflect.Type) *shape {
	at := placesOf(t)
	s := &shape{etag: at.of(d, "etag"), created: at.of(d, "create_time"), updated: at.of(d, "update_time")}
	all := outputsOf(d)
	for _, fd := range all.outputs {
		if i, ok := at[fd.Number()]; ok {
			s.outputs = append(s.outputs, i)
		} else {
			s.others = append(s.others, fd)
		}
	}
	for _, fd := range all.messages {
		if i, ok := at[fd.Number()]; ok {
			s.messages = append(s.messages, inner{i, sync.OnceValue(func() *shape { return shapeFor(fd.Message(), t.Field(i).Type) })})
		} else {
			s.nested = append(s.nested, fd)
		}
	}
	return s
}

// of is the place of a field by its name, -1 for none.
func (p places) of(d protoreflect.MessageDescriptor, name protoreflect.Name) int {
	if fd := d.Fields().ByName(name); fd != nil {
		if i, ok := p[fd.Number()]; ok {
			return i
		}
	}
	return -1
}
