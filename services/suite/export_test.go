package suite

import (
	"io"

	"github.com/alecthomas/kong"
)

// HTTPLimits are shown to tests, which have no two minutes to be idle.
type HTTPLimits = httpLimits

// Server is a server within the limits.
var Server = httpLimits.server

// Verb is a command of the line, as the parser knows it.
type Verb struct {
	Words  []string // such as user, add
	Flags  []string // their names
	Forms  []string // of --output
	Remote bool     // calls a running suite
}

// Verbs are all commands of the line that do something.
func Verbs() ([]Verb, error) {
	parser, err := parserOf(&cli{}, io.Discard, io.Discard, func(int) {})
	if err != nil {
		return nil, err
	}
	var out []Verb
	for _, leaf := range parser.Model.Leaves(true) {
		v := Verb{}
		for at := leaf; at.Type == kong.CommandNode; at = at.Parent {
			v.Words = append([]string{at.Name}, v.Words...)
		}
		for _, flag := range leaf.Flags {
			v.Flags = append(v.Flags, flag.Name)
			v.Remote = v.Remote || flag.Name == "server"
			if flag.Name == "output" {
				v.Forms = flag.EnumSlice()
			}
		}
		out = append(out, v)
	}
	return out, nil
}
