// Command coldsection runs the suite: serve, demo, version.
package main

import (
	"os"

	"coldsection.example/services/suite"
)

func main() { os.Exit(suite.Main(os.Args[1:], os.Stdout, os.Stderr)) }
