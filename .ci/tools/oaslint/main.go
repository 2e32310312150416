// Command oaslint checks an OpenAPI description by the recommended rules of a linter that others wrote and prints what it
// finds, a line each. It is a module of its own, so that the linter is no dependency of the suite.
package main

import (
	"context"
	"fmt"
	"os"

	"github.com/speakeasy-api/openapi/linter"
	"github.com/speakeasy-api/openapi/openapi"
	oaslinter "github.com/speakeasy-api/openapi/openapi/linter"
)

func main() {
	if err := lint(context.Background(), os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "oaslint:", err)
		os.Exit(1)
	}
}

func lint(ctx context.Context, path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	doc, wrong, err := openapi.Unmarshal(ctx, file)
	if err != nil {
		return err
	}
	l, err := oaslinter.NewLinter(&linter.Config{Extends: []string{"recommended"}})
	if err != nil {
		return err
	}
	found, err := l.Lint(ctx, linter.NewDocumentInfo(doc, path), wrong, nil)
	if err != nil {
		return err
	}
	for _, e := range found.Results {
		fmt.Println(e)
	}
	return nil
}
