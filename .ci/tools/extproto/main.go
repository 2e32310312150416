// Command extproto writes the third-party .proto files that our own import (google/api, google/longrunning, google/type, buf/validate) out of
// the descriptors that are linked into pinned Go modules, so that code generation needs no schema registry.
//
// Usage: extproto OUT_DIR
package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/jhump/protoreflect/v2/protoprint"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	_ "cloud.google.com/go/longrunning/autogen/longrunningpb"
	_ "google.golang.org/genproto/googleapis/api/annotations"
	_ "google.golang.org/genproto/googleapis/type/date"
)

var roots = []string{
	"google/api/annotations.proto", "google/api/field_behavior.proto", "google/api/resource.proto",
	"google/type/date.proto", "google/api/field_info.proto", "buf/validate/validate.proto", "google/longrunning/operations.proto",
}

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: extproto OUT_DIR")
		os.Exit(2)
	}
	done := map[string]bool{}
	for _, root := range roots {
		if err := write(os.Args[1], root, done); err != nil {
			fmt.Fprintln(os.Stderr, "extproto:", err)
			os.Exit(1)
		}
	}
}

// write prints one file and, first, every file that it imports; well-known types come with buf and are skipped.
func write(dir, path string, done map[string]bool) error {
	if done[path] || filepath.Dir(path) == "google/protobuf" {
		return nil
	}
	done[path] = true
	file, err := protoregistry.GlobalFiles.FindFileByPath(path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	for i := range file.Imports().Len() {
		if err := write(dir, file.Imports().Get(i).Path(), done); err != nil {
			return err
		}
	}
	return print(filepath.Join(dir, path), file)
}

func print(target string, file protoreflect.FileDescriptor) error {
	if err := os.MkdirAll(filepath.Dir(target), 0o755); err != nil {
		return err
	}
	out, err := os.Create(target)
	if err != nil {
		return err
	}
	if err := (&protoprint.Printer{}).PrintProtoFile(file, out); err != nil {
		return err
	}
	return out.Close()
}
