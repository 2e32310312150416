package config

import (
	"fmt"
	"io"
	"regexp"
	"strings"

	"github.com/alecthomas/kong"
)

// Reference writes every setting of a command as a commented file: what it is for, its variable and its default. Defaults
// that differ between machines are shown as they are given here.
func Reference(w io.Writer, app *kong.Application, command string, shown map[string]string) error {
	var text strings.Builder
	text.WriteString("# Every setting, with its default. A flag on the command line wins over the variable, the variable over this file.\n")
	for _, f := range flags(app, command) {
		value := shown[f.Name]
		if value == "" {
			value = defaultOf(f)
		}
		fmt.Fprintf(&text, "\n# %s\n# Variable %s.\n# %s: %s\n", f.Help, strings.Join(f.Envs, ", "), f.Name, value)
	}
	_, err := io.WriteString(w, text.String())
	return err
}

func defaultOf(f *kong.Flag) string {
	switch {
	case f.Default != "":
		return f.Default
	case f.IsBool():
		return "false"
	case f.IsSlice():
		return "[]"
	default:
		return `""`
	}
}

// Show hands on the values in force, where each comes from, and no secrets.
func Show(ctx *kong.Context, command string, line func(name, origin, value string) error) error {
	origins := map[string]string{}
	for _, p := range ctx.Path {
		if p.Flag != nil && p.Resolved {
			origins[p.Flag.Name] = "file"
		} else if p.Flag != nil {
			origins[p.Flag.Name] = "command line"
		}
	}
	for _, f := range flags(ctx.Model, command) {
		origin := origins[f.Name]
		if origin == "" && fromEnvironment(f) {
			origin = "environment"
		}
		if origin == "" {
			origin = "default"
		}
		if err := line(f.Name, origin, Mask(fmt.Sprint(ctx.FlagValue(f)))); err != nil {
			return err
		}
	}
	return nil
}

// What a password looks like in an address or a list of them, also in one that nothing can read, and in key=value text.
var (
	inAddress  = regexp.MustCompile(`(://[^:/@\s,]*):[^\s,]*@`)
	inKeyValue = regexp.MustCompile(`(?i)(password=)('[^']*'|[^\s&,]+)`)
)

// Mask hides the passwords in text, such as an address or an error that repeats one.
func Mask(text string) string {
	return inKeyValue.ReplaceAllString(inAddress.ReplaceAllString(text, "${1}:hidden@"), "${1}hidden")
}
