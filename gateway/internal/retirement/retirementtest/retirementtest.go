// Package retirementtest has a contract of which parts go, for tests: the real one has none.
package retirementtest

import (
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	optionsv1 "coldsection.example/proto/coldsection/options/v1"
)

// Going is a retirement from 30 June 2023 to 31 December 2024.
func Going() *optionsv1.Retirement {
	return &optionsv1.Retirement{
		DeprecateDate: &date.Date{Year: 2023, Month: 6, Day: 30}, SunsetDate: &date.Date{Year: 2024, Month: 12, Day: 31}, Replacement: "Use RinseEngine.",
	}
}

// Service has the methods WashEngine, which goes with the options given, and RinseEngine. Both take the fields engine, litres, which goes with the
// options given, and the same message again as inner.
func Service(t testing.TB, method, field *optionsv1.Retirement) protoreflect.ServiceDescriptor {
	t.Helper()
	fields := []*descriptorpb.FieldDescriptorProto{text("engine", 1), text("litres", 2), text("inner", 3)}
	if field != nil {
		fields[1].Options = &descriptorpb.FieldOptions{Deprecated: new(true)}
		proto.SetExtension(fields[1].GetOptions(), optionsv1.E_FieldRetirement, field)
	}
	fields[2].Type, fields[2].TypeName = descriptorpb.FieldDescriptorProto_TYPE_MESSAGE.Enum(), new(".trial.v1.WashRequest")
	washing, rinsing := &descriptorpb.MethodOptions{}, &descriptorpb.MethodOptions{}
	if method != nil {
		washing.Deprecated = new(true)
		proto.SetExtension(washing, optionsv1.E_MethodRetirement, method)
	}
	proto.SetExtension(washing, annotations.E_Http, &annotations.HttpRule{Pattern: &annotations.HttpRule_Get{Get: "/v1/washes"}})
	proto.SetExtension(rinsing, annotations.E_Http, &annotations.HttpRule{Pattern: &annotations.HttpRule_Post{Post: "/v1/rinses"}, Body: "*"})
	file, err := protodesc.NewFile(&descriptorpb.FileDescriptorProto{
		Name: new("trial/v1/trial.proto"), Package: new("trial.v1"), Syntax: new("proto3"),
		MessageType: []*descriptorpb.DescriptorProto{{Name: new("WashRequest"), Field: fields}},
		Service: []*descriptorpb.ServiceDescriptorProto{{Name: new("TrialService"), Method: []*descriptorpb.MethodDescriptorProto{
			call("WashEngine", washing), call("RinseEngine", rinsing),
		}}},
	}, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatal(err)
	}
	return file.Services().Get(0)
}

func text(name string, number int32) *descriptorpb.FieldDescriptorProto {
	return &descriptorpb.FieldDescriptorProto{
		Name: new(name), JsonName: new(name), Number: new(number),
		Type: descriptorpb.FieldDescriptorProto_TYPE_STRING.Enum(), Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum(),
	}
}

func call(name string, options *descriptorpb.MethodOptions) *descriptorpb.MethodDescriptorProto {
	return &descriptorpb.MethodDescriptorProto{
		Name: new(name), InputType: new(".trial.v1.WashRequest"), OutputType: new(".trial.v1.WashRequest"), Options: options,
	}
}
