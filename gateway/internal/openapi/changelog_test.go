package openapi_test

import (
	"compress/gzip"
	"io"
	"os"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
)

// released is the contract as it was released.
func released(t *testing.T) *protoregistry.Files {
	t.Helper()
	file, err := os.Open("../../../.ci/released.binpb.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	unzipped, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(unzipped)
	if err != nil {
		t.Fatal(err)
	}
	set := &descriptorpb.FileDescriptorSet{}
	if err := (proto.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(text, set); err != nil {
		t.Fatal(err)
	}
	files, err := protodesc.NewFiles(set)
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// added are the methods and fields of the contract that a release does not have, without those of what is new as a whole.
func added(now, then *protoregistry.Files) []string {
	var names []string
	missing := func(name protoreflect.FullName) bool {
		_, err := then.FindDescriptorByName(name)
		if err != nil {
			names = append(names, strings.TrimPrefix(string(name), "coldsection."))
		}
		return err != nil
	}
	now.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "coldsection.") {
			return true
		}
		for i := range f.Services().Len() {
			for k := range f.Services().Get(i).Methods().Len() {
				missing(f.Services().Get(i).Methods().Get(k).FullName())
			}
		}
		for i := range f.Messages().Len() {
			if m := f.Messages().Get(i); !missing(m.FullName()) {
				for k := range m.Fields().Len() {
					missing(m.Fields().Get(k).FullName())
				}
			}
		}
		return true
	})
	return names
}

// Whatever was added to the released contract is named in the changelog.
func TestTheChangelogNamesWhatWasAdded(t *testing.T) {
	changelog, err := os.ReadFile("changelog.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range added(protoregistry.GlobalFiles, released(t)) {
		if !strings.Contains(string(changelog), name) {
			t.Errorf("%s was added to the contract; say so in gateway/internal/openapi/changelog.md", name)
		}
	}
}

// An addition is seen: beside a release without a file, all that the file has is new.
func TestAnAdditionIsSeen(t *testing.T) {
	less := &protoregistry.Files{}
	released(t).RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "coldsection.access.") {
			if err := less.RegisterFile(f); err != nil {
				t.Fatal(err)
			}
		}
		return true
	})
	if names := strings.Join(added(protoregistry.GlobalFiles, less), " "); !strings.Contains(names, "access.v1.SessionService.SignIn") {
		t.Errorf("only %s", names)
	}
}
