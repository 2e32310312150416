package agentdoor

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"encoding/json"
	"io/fs"
	"net/http"
	"slices"
	"strings"
	"sync"

	"github.com/modelcontextprotocol/go-sdk/mcp"

	contract "coldsection.example/proto"
)

// Term is a word of the API: a value that a field may have.
type Term struct {
	Set     string `json:"set"`  // the message and enum, such as WorkOrder.State
	Word    string `json:"word"` // such as DRAFTED
	Meaning string `json:"meaning"`
}

// Glossary explains every value of every enum in the contract, in the contract's own words, in a fixed order.
var Glossary = sync.OnceValues(func() ([]Term, error) {
	var out []Term
	err := fs.WalkDir(contract.Files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := contract.Files.ReadFile(path)
		out = append(out, termsOf(text)...)
		return err
	})
	slices.SortFunc(out, func(a, b Term) int { return cmp.Or(strings.Compare(a.Set, b.Set), strings.Compare(a.Word, b.Word)) })
	return slices.Compact(out), err
})

// termsOf reads the enums of a .proto file, whose lint demands a comment before every value.
func termsOf(text []byte) []Term {
	var out []Term
	var blocks, comment []string
	for lines := bufio.NewScanner(bytes.NewReader(text)); lines.Scan(); {
		line := strings.TrimSpace(lines.Text())
		words := strings.Fields(line)
		switch {
		case strings.HasPrefix(line, "//"):
			comment = append(comment, strings.TrimSpace(strings.TrimPrefix(line, "//")))
			continue
		case strings.HasSuffix(line, "{"):
			blocks = append(blocks, blockOf(words))
		case strings.HasPrefix(line, "}") && len(blocks) > 0:
			blocks = blocks[:len(blocks)-1]
		case len(words) > 2 && words[1] == "=" && within(blocks):
			out = append(out, Term{Set: setOf(blocks), Word: words[0], Meaning: strings.Join(comment, " ")})
		}
		comment = nil
	}
	return out
}

// blockOf is "enum State" or "message Lot"; other blocks have no words here.
func blockOf(words []string) string {
	if len(words) > 1 && (words[0] == "enum" || words[0] == "message") {
		return words[0] + " " + words[1]
	}
	return ""
}

func within(blocks []string) bool {
	return len(blocks) > 0 && strings.HasPrefix(blocks[len(blocks)-1], "enum ")
}

func setOf(blocks []string) string {
	var names []string
	for _, b := range blocks {
		_, name, _ := strings.Cut(b, " ")
		names = append(names, name)
	}
	return strings.Join(names, ".")
}

// addGlossary offers the glossary as a resource.
func addGlossary(server *mcp.Server) {
	const uri = "coldsection://glossary"
	server.AddResource(&mcp.Resource{URI: uri, Name: "glossary", Title: "What the words mean", MIMEType: "application/json"},
		func(context.Context, *mcp.ReadResourceRequest) (*mcp.ReadResourceResult, error) {
			terms, err := Glossary()
			if err != nil {
				return nil, err
			}
			text, err := json.Marshal(terms)
			return &mcp.ReadResourceResult{Contents: []*mcp.ResourceContents{{URI: uri, MIMEType: "application/json", Text: string(text)}}}, err
		})
}

//go:embed llms.txt
var guide []byte

// Register serves a guide for programs that read text at /llms.txt, and the glossary at /glossary.json.
func Register(mux *http.ServeMux) error {
	terms, err := Glossary()
	if err != nil {
		return err
	}
	words, err := json.Marshal(terms)
	if err != nil {
		return err
	}
	serve := func(path, kind string, text []byte) {
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			w.Header().Set("X-Content-Type-Options", "nosniff")
			_, _ = w.Write(text) // a caller who left needs no answer
		})
	}
	serve("/llms.txt", "text/plain; charset=utf-8", guide)
	serve("/glossary.json", "application/json", words)
	return nil
}
