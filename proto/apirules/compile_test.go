package apirules

import (
	"context"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/bufbuild/protocompile"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	// The files that contracts import are taken from these packages' descriptors.
	_ "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	_ "cloud.google.com/go/longrunning/autogen/longrunningpb"
	_ "google.golang.org/genproto/googleapis/api/annotations"
	_ "google.golang.org/genproto/googleapis/type/date"
	_ "google.golang.org/protobuf/types/known/durationpb"
	_ "google.golang.org/protobuf/types/known/emptypb"
	_ "google.golang.org/protobuf/types/known/fieldmaskpb"
	_ "google.golang.org/protobuf/types/known/structpb"
	_ "google.golang.org/protobuf/types/known/timestamppb"
)

// compile builds descriptors with source information out of the texts of .proto files, by path.
func compile(t *testing.T, sources map[string]string) []protoreflect.FileDescriptor {
	t.Helper()
	own := &protocompile.SourceResolver{Accessor: func(path string) (io.ReadCloser, error) {
		text, ok := sources[path]
		if !ok {
			return nil, fs.ErrNotExist
		}
		return io.NopCloser(strings.NewReader(text)), nil
	}}
	linked := protocompile.ResolverFunc(func(path string) (protocompile.SearchResult, error) {
		d, err := protoregistry.GlobalFiles.FindFileByPath(path)
		return protocompile.SearchResult{Desc: d}, err
	})
	compiler := &protocompile.Compiler{
		Resolver:       protocompile.CompositeResolver{own, linked},
		SourceInfoMode: protocompile.SourceInfoStandard,
	}
	compiled, err := compiler.Compile(context.Background(), slices.Sorted(maps.Keys(sources))...)
	if err != nil {
		t.Fatalf("the contract does not compile: %v", err)
	}
	files := make([]protoreflect.FileDescriptor, len(compiled))
	for i, f := range compiled {
		files[i] = f
	}
	return files
}

// readContract reads the .proto files of the repository by their import paths.
func readContract(t *testing.T) map[string]string {
	t.Helper()
	sources := map[string]string{}
	root := os.DirFS("..")
	err := fs.WalkDir(root, "coldsection", func(path string, _ fs.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".proto" {
			return err
		}
		text, err := fs.ReadFile(root, path)
		sources[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return sources
}
