package suite

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"

	"coldsection.example/services/platform/recordpack"
)

// packCommand makes record packs, and checks them without a suite and without a network.
type packCommand struct {
	Make   packMakeCommand   `cmd:"" help:"Have a running suite make a record pack, and write it."`
	Verify packVerifyCommand `cmd:"" help:"Check every hash, the seal and the record chain of a record pack, offline."`
}

type packVerifyCommand struct {
	telling

	File string `arg:"" help:"The pack, a .zip file."`
	Key  string `help:"The public key of the pack's maker, in hexadecimal, as the maker told it by another way than the pack."`
}

// run says what the pack is of and all that is wrong with it; something wrong is an error.
func (c *packVerifyCommand) run(out io.Writer) error {
	content, err := os.ReadFile(c.File)
	if err != nil {
		return err
	}
	r := recordpack.Verify(content, c.Key)
	if len(r.Faults) > 0 {
		if err := c.tellFaults(out, r.Faults); err != nil {
			return err
		}
		return found{errors.New("this is not the pack as it was sealed; don't rely on it, and ask its maker for another copy")}
	}
	sentences := []string{fmt.Sprintf("%s of %s (%s) as of %s, as known at %s: %d files and %d chain entries are as they were sealed.",
		r.Number, r.Label, r.Subject, r.AsOf, r.KnownAt, r.Files, r.Entries)}
	if c.Key == "" {
		sentences = append(sentences, fmt.Sprintf("The seal is of key %s. Only its maker can say whether that is theirs: ask, and give it with --key.", r.Key))
	}
	return c.tell(out, sentences, []string{"state", "number", "label", "subject", "as_of", "known_at", "files", "entries", "key"},
		[]string{"AS_SEALED", r.Number, r.Label, r.Subject, r.AsOf, r.KnownAt, strconv.Itoa(r.Files), strconv.Itoa(r.Entries), r.Key})
}

// tellFaults says what is wrong with a pack. Nothing else that it says of itself is repeated.
func (c *packVerifyCommand) tellFaults(out io.Writer, faults []recordpack.Fault) error {
	var sentences []string
	var rows [][]string
	for _, f := range faults {
		sentences = append(sentences, f.String())
		rows = append(rows, []string{"NOT_AS_SEALED", f.Path, f.Text})
	}
	return c.tell(out, sentences, []string{"state", "file", "finding"}, rows...)
}
