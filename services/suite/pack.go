package suite

import (
	"errors"
	"fmt"
	"io"
	"os"

	"coldsection.example/services/platform/recordpack"
)

// packCommand makes record packs, and checks them without a suite and without a network.
type packCommand struct {
	Make   packMakeCommand   `cmd:"" help:"Have a running suite make a record pack, and write it."`
	Verify packVerifyCommand `cmd:"" help:"Check every hash, the seal and the record chain of a record pack, offline."`
}

type packVerifyCommand struct {
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
	for _, f := range r.Faults {
		if _, err := fmt.Fprintln(out, f); err != nil {
			return err
		}
	}
	if len(r.Faults) > 0 {
		return found{errors.New("this is not the pack as it was sealed; don't rely on it, and ask its maker for another copy")}
	}
	_, err = fmt.Fprintf(out, "%s of %s (%s) as of %s, as known at %s: %d files and %d chain entries are as they were sealed.\n",
		r.Number, r.Label, r.Subject, r.AsOf, r.KnownAt, r.Files, r.Entries)
	if err == nil && c.Key == "" {
		_, err = fmt.Fprintf(out, "The seal is of key %s. Only its maker can say whether that is theirs: ask, and give it with --key.\n", r.Key)
	}
	return err
}
