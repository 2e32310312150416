package suite

import (
	"fmt"
	"io"

	"coldsection.example/services/suite/verbs"
)

// telling is how a command that works on files and databases says what came of it.
type telling struct {
	Output string `short:"o" default:"table" enum:"table,json,csv" help:"table (sentences for people), json (one object per line) or csv."`
}

// tell says it: to people the sentences, to programs the rows under their names. What came out of a file that others made moves no cursor.
func (c telling) tell(w io.Writer, sentences []string, names []string, rows ...[]string) error {
	if c.Output == "" || c.Output == "table" {
		for _, sentence := range sentences {
			if _, err := fmt.Fprintln(w, verbs.Printable(sentence)); err != nil {
				return err
			}
		}
		return nil
	}
	table, err := verbs.NewTable(c.Output, w, names...)
	if err != nil {
		return err
	}
	for _, row := range rows {
		if err := table.Write(row...); err != nil {
			return err
		}
	}
	return table.Close()
}
