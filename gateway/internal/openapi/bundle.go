package openapi

import (
	"archive/zip"
	"bytes"
	"io/fs"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	contract "coldsection.example/proto"
)

// Bundle is the contract for gRPC clients, as a zip: the .proto files by their import paths, and descriptors.binpb, the same
// with everything that they import, which tools read instead of compiling (such as grpcurl -protoset). The same contract
// gives the same bytes.
var Bundle = sync.OnceValues(func() ([]byte, error) {
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	err := fs.WalkDir(contract.Files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := contract.Files.ReadFile(path)
		if err != nil {
			return err
		}
		return add(z, path, text)
	})
	if err != nil {
		return nil, err
	}
	set, err := proto.MarshalOptions{Deterministic: true}.Marshal(descriptors())
	if err == nil {
		err = add(z, "descriptors.binpb", set)
	}
	if err == nil {
		err = z.Close()
	}
	return out.Bytes(), err
})

func add(z *zip.Writer, name string, text []byte) error {
	w, err := z.Create(name)
	if err == nil {
		_, err = w.Write(text)
	}
	return err
}

// descriptors are the contract and what it imports, each file after those that it imports.
func descriptors() *descriptorpb.FileDescriptorSet {
	set, done := &descriptorpb.FileDescriptorSet{}, map[string]bool{}
	var visit func(f protoreflect.FileDescriptor)
	visit = func(f protoreflect.FileDescriptor) {
		if done[f.Path()] {
			return
		}
		done[f.Path()] = true
		for i := range f.Imports().Len() {
			visit(f.Imports().Get(i).FileDescriptor)
		}
		set.File = append(set.File, protodesc.ToFileDescriptorProto(f))
	}
	_ = fs.WalkDir(contract.Files, ".", func(path string, _ fs.DirEntry, _ error) error {
		if f, err := protoregistry.GlobalFiles.FindFileByPath(path); err == nil && strings.HasSuffix(path, ".proto") {
			visit(f)
		}
		return nil
	})
	return set
}
