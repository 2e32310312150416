package apirules

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
)

// contract is the files under judgement, flattened into the elements that rules ask for.
type contract struct {
	files    []protoreflect.FileDescriptor
	methods  []protoreflect.MethodDescriptor
	messages []protoreflect.MessageDescriptor
	enums    []protoreflect.EnumDescriptor
	own      map[protoreflect.FullName]bool // messages declared in these files
}

func newContract(files []protoreflect.FileDescriptor) *contract {
	c := &contract{files: files, own: map[protoreflect.FullName]bool{}}
	for _, f := range files {
		for i := range f.Services().Len() {
			for j := range f.Services().Get(i).Methods().Len() {
				c.methods = append(c.methods, f.Services().Get(i).Methods().Get(j))
			}
		}
		c.addMessages(f.Messages())
		c.addEnums(f.Enums())
	}
	return c
}

func (c *contract) addMessages(list protoreflect.MessageDescriptors) {
	for i := range list.Len() {
		m := list.Get(i)
		if m.IsMapEntry() {
			continue
		}
		c.messages = append(c.messages, m)
		c.own[m.FullName()] = true
		c.addMessages(m.Messages())
		c.addEnums(m.Enums())
	}
}

func (c *contract) addEnums(list protoreflect.EnumDescriptors) {
	for i := range list.Len() {
		c.enums = append(c.enums, list.Get(i))
	}
}

// fields calls fn for every field of every message of the contract.
func (c *contract) fields(fn func(protoreflect.FieldDescriptor)) {
	for _, m := range c.messages {
		for i := range m.Fields().Len() {
			fn(m.Fields().Get(i))
		}
	}
}

// resources returns the messages that are API resources.
func (c *contract) resources() []protoreflect.MessageDescriptor {
	return slices.DeleteFunc(slices.Clone(c.messages), func(m protoreflect.MessageDescriptor) bool { return resource(m) == nil })
}

// requests returns the request messages of the contract's methods, each once.
func (c *contract) requests() []protoreflect.MessageDescriptor {
	var list []protoreflect.MessageDescriptor
	for _, m := range c.methods {
		if !slices.Contains(list, m.Input()) {
			list = append(list, m.Input())
		}
	}
	return list
}

// reachable returns the contract's own messages that the given ones contain, themselves included.
func (c *contract) reachable(from []protoreflect.MessageDescriptor) []protoreflect.MessageDescriptor {
	seen := map[protoreflect.FullName]bool{}
	var list []protoreflect.MessageDescriptor
	var visit func(m protoreflect.MessageDescriptor)
	visit = func(m protoreflect.MessageDescriptor) {
		if m == nil || seen[m.FullName()] {
			return
		}
		seen[m.FullName()] = true
		if c.own[m.FullName()] {
			list = append(list, m)
		} else if !m.IsMapEntry() {
			return
		}
		for i := range m.Fields().Len() {
			visit(m.Fields().Get(i).Message())
		}
	}
	for _, m := range from {
		visit(m)
	}
	return list
}

// extension reads an option through the wire form, because a compiler keeps options of types that it built itself.
func extension[T any](d protoreflect.Descriptor, into proto.Message, xt protoreflect.ExtensionType) T {
	var none T
	wire, err := proto.Marshal(d.Options())
	if err != nil || proto.Unmarshal(wire, into) != nil || !proto.HasExtension(into, xt) {
		return none
	}
	value, _ := proto.GetExtension(into, xt).(T)
	return value
}

func httpRule(m protoreflect.MethodDescriptor) *annotations.HttpRule {
	return extension[*annotations.HttpRule](m, &descriptorpb.MethodOptions{}, annotations.E_Http)
}

func resource(m protoreflect.MessageDescriptor) *annotations.ResourceDescriptor {
	return extension[*annotations.ResourceDescriptor](m, &descriptorpb.MessageOptions{}, annotations.E_Resource)
}

func behavior(f protoreflect.FieldDescriptor) []annotations.FieldBehavior {
	return extension[[]annotations.FieldBehavior](f, &descriptorpb.FieldOptions{}, annotations.E_FieldBehavior)
}

func format(f protoreflect.FieldDescriptor) annotations.FieldInfo_Format {
	return extension[*annotations.FieldInfo](f, &descriptorpb.FieldOptions{}, annotations.E_FieldInfo).GetFormat()
}

// words splits a name into lower-case words, of snake_case or of CamelCase.
func words(name string) []string {
	if strings.Contains(name, "_") || strings.ToLower(name) == name {
		return strings.Split(strings.ToLower(name), "_")
	}
	var list []string
	start := 0
	for i, r := range name {
		if i > start && r >= 'A' && r <= 'Z' {
			list = append(list, strings.ToLower(name[start:i]))
			start = i
		}
	}
	return append(list, strings.ToLower(name[start:]))
}

// isString says whether a field is one string.
func isString(f protoreflect.FieldDescriptor) bool {
	return f.Kind() == protoreflect.StringKind && !f.IsList()
}

// field finds a field by name; nil when the message has none.
func field(m protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	return m.Fields().ByName(protoreflect.Name(name))
}
