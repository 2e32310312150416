// Package config is where settings come from: flags on the command line, then environment variables, then a file, then the
// default that the flag states. The flags of a command are the only list of settings; a key in the file or a variable in
// the environment that no flag knows is refused, because a setting that does nothing is worse than none.
package config

import (
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
	"github.com/goccy/go-yaml"
)

// File reads settings as YAML; its keys are the names of the flags of a command. It is a loader for kong.Configuration.
func File(command string) kong.ConfigurationLoader {
	return func(r io.Reader) (kong.Resolver, error) {
		text, err := io.ReadAll(r)
		if err != nil {
			return nil, err
		}
		values := map[string]any{}
		if err := yaml.Unmarshal(text, &values); err != nil {
			return nil, fmt.Errorf("the settings can't be read; they are lines such as \"http: 127.0.0.1:8080\": %w", err)
		}
		return &file{command: command, values: values}, nil
	}
}

// file is a kong.Resolver.
type file struct {
	command string
	values  map[string]any
}

// Validate refuses keys that the command does not know.
func (f *file) Validate(app *kong.Application) error {
	known := Names(app, f.command)
	for _, key := range slices.Sorted(maps.Keys(f.values)) {
		if !slices.Contains(known, key) {
			return fmt.Errorf("the settings have a key %q that nobody reads; did you mean %q? All keys are in deploy/reference.yaml", key, nearest(key, known))
		}
		if f.values[key] == nil {
			return fmt.Errorf("the setting %s has no value; give one or leave the key out", key)
		}
	}
	return nil
}

// Resolve gives the value of a flag, unless the environment has one.
func (f *file) Resolve(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
	if fromEnvironment(flag) {
		return nil, nil //nolint:nilnil // kong's way of saying that this source has no value
	}
	return f.values[flag.Name], nil
}

func fromEnvironment(flag *kong.Flag) bool {
	return slices.ContainsFunc(flag.Envs, func(env string) bool {
		_, set := os.LookupEnv(env)
		return set
	})
}

// flags are the settings of a command, in the order in which it states them.
func flags(app *kong.Application, command string) []*kong.Flag {
	for _, node := range app.Children {
		if node.Name == command {
			return slices.DeleteFunc(slices.Clone(node.Flags), func(f *kong.Flag) bool { return len(f.Envs) == 0 || f.Name == "config" })
		}
	}
	return nil
}

// Names are the keys of the settings of a command.
func Names(app *kong.Application, command string) []string {
	var names []string
	for _, f := range flags(app, command) {
		names = append(names, f.Name)
	}
	return names
}

// CheckEnvironment refuses variables with the prefix that no setting of the commands reads. Exempt are names that something else reads, and, where
// one ends with _, all that begin with it.
func CheckEnvironment(app *kong.Application, commands []string, prefix string, environment []string, exempt ...string) error {
	known := []string{prefix + "CONFIG"}
	for _, command := range commands {
		for _, f := range flags(app, command) {
			known = append(known, f.Envs...)
		}
	}
	known = append(known, exempt...)
	for _, entry := range environment {
		name, _, _ := strings.Cut(entry, "=")
		others := slices.ContainsFunc(exempt, func(p string) bool { return strings.HasSuffix(p, "_") && strings.HasPrefix(name, p) })
		if strings.HasPrefix(name, prefix) && !others && !slices.Contains(known, name) {
			return fmt.Errorf("the environment has a variable %s that nobody reads; did you mean %s?", name, nearest(name, known))
		}
	}
	return nil
}

// nearest is the known word that needs the fewest changes to become this one.
func nearest(word string, known []string) string {
	return slices.MinFunc(known, func(a, b string) int { return Distance(word, a) - Distance(word, b) })
}

// Distance is the number of single-character changes between two words (Levenshtein).
func Distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
