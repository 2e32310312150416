package suite

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
)

const (
	manifestFile = "backup.json"
	lastBackup   = "last-backup" // in the state folder: when the last backup was made, in seconds since 1970
	secretFile   = "secret"
	eventsFolder = "events" // in the state folder: the files of the event stream
)

// manifest says what a backup holds.
type manifest struct {
	Kind    string            `json:"kind"`
	Version string            `json:"version"`
	Time    time.Time         `json:"time"`
	Files   map[string]string `json:"files"` // SHA-256 of each, in hex

	Positions map[string]position `json:"positions"` // by part
}

// position is how far a part was with facts.
type position struct {
	Told      int64 `json:"told"`      // facts in its outbox
	Unsent    int64 `json:"unsent"`    // of them, those that the stream did not have
	Processed int64 `json:"processed"` // facts of others that took effect or were given up
	Parked    int64 `json:"parked"`    // facts of others that wait
}

// look reads the position, and checks what the part keeps.
func (p *position) look(ctx context.Context, tx *storage.Tx) error {
	for _, count := range []struct {
		into  *int64
		query string
	}{
		{&p.Told, "SELECT COUNT(*) FROM outbox"}, {&p.Unsent, "SELECT COUNT(*) FROM outbox WHERE sent_time = 0"},
		{&p.Processed, "SELECT COUNT(*) FROM processed_events"}, {&p.Parked, "SELECT COUNT(*) FROM parked_events"},
	} {
		if err := tx.QueryRow(ctx, count.query).Scan(count.into); err != nil {
			return err
		}
	}
	return sound(ctx, tx)
}

type backupCommand struct {
	telling

	Into     string `arg:"" help:"The folder to make; it must not be there."`
	State    string `default:"${state}" env:"COLDSECTION_STATE" help:"The state folder of the suite, which may go on working."`
	Postgres string `env:"COLDSECTION_POSTGRES" help:"Refused: databases on PostgreSQL are backed up with PostgreSQL's own tools."`
	Secret   bool   `help:"Take the internal secret along, and keep such a backup as safely as the secret. Without it, keep the secret elsewhere: a new one reads no webhook secrets."`
}

type restoreCommand struct {
	telling

	From  string `arg:"" help:"The folder that backup made."`
	State string `required:"" help:"The state folder to make, or an empty one; with --part the one that is there."`
	Part  string `default:"" enum:",${parts}" help:"Put this part alone back, into a suite that is stopped; coldsection rejoin comes next."`
}

// errPostgres says how databases on PostgreSQL are backed up.
var errPostgres = errors.New("the data are on PostgreSQL; back up its databases, one for each part, with pg_dump --format=custom or a base backup, all from the same moment, " +
	"and restore them with pg_restore; keep the secret beside them")

// run copies the databases of all parts as they are at one moment, while they may be written. A backup that can't be finished leaves no folder behind.
func (c *backupCommand) run(ctx context.Context, stdout io.Writer) error {
	if c.Postgres != "" {
		return errPostgres
	}
	if _, err := os.Stat(filepath.Join(c.State, Parts[0]+".db")); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no suite in %s; name its state folder with --state", c.State)
	}
	if err := os.Mkdir(c.Into, 0o700); err != nil {
		return fmt.Errorf("the folder of a backup must be new: %w", err)
	}
	m, err := c.copied(ctx)
	if err != nil {
		return errors.Join(err, os.RemoveAll(c.Into))
	}
	if err := os.WriteFile(filepath.Join(c.State, lastBackup), []byte(strconv.FormatInt(m.Time.Unix(), 10)), 0o600); err != nil {
		return fmt.Errorf("the backup in %s is whole; only the state folder could not be told of it: %w", c.Into, err)
	}
	return c.tell(stdout, []string{fmt.Sprintf("Backed up and checked: %d files in %s.", len(m.Files), c.Into)}, []string{"folder", "time", "files", "secret"},
		[]string{c.Into, m.Time.Format(time.RFC3339), strconv.Itoa(len(m.Files)), strconv.FormatBool(c.Secret)})
}

// copied copies everything into the folder, which is there, and checks it.
func (c *backupCommand) copied(ctx context.Context) (*manifest, error) {
	m := &manifest{Kind: "coldsection.backup.v1", Version: version(), Time: clock.System().Now().UTC(), Files: map[string]string{}, Positions: map[string]position{}}
	var copies []storage.Copy
	for _, part := range Parts {
		copies = append(copies, storage.Copy{From: filepath.Join(c.State, part+".db"), Into: filepath.Join(c.Into, part+".db")})
	}
	if err := storage.Snapshots(ctx, copies); err != nil {
		return nil, err
	}
	for _, part := range Parts {
		var at position
		if err := storage.Inspect(ctx, filepath.Join(c.Into, part+".db"), at.look); err != nil {
			return nil, fmt.Errorf("the copy of %s: %w", part, err)
		}
		m.Positions[part] = at
		if err := m.add(c.Into, part+".db"); err != nil {
			return nil, err
		}
	}
	if err := c.takeSecret(m); err != nil {
		return nil, err
	}
	err := m.write(c.Into)
	return m, err
}

func (c *backupCommand) takeSecret(m *manifest) error {
	if !c.Secret {
		return nil
	}
	secret, err := os.ReadFile(filepath.Join(c.State, secretFile))
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(c.Into, secretFile), secret, 0o600); err != nil { //nolint:gosec // the operator names the folder
		return err
	}
	return m.add(c.Into, secretFile)
}

// sound checks what a part keeps: its record chains and that no fact is missing.
func sound(ctx context.Context, tx *storage.Tx) error {
	return errors.Join(recordchain.VerifyAll(ctx, tx), outbox.Gapless(ctx, tx))
}

// check compares a part with what the manifest says of it.
func (m *manifest) check(ctx context.Context, tx *storage.Tx, part string) error {
	var at position
	if err := at.look(ctx, tx); err != nil {
		return fmt.Errorf("%s: %w", part, err)
	}
	if want, ok := m.Positions[part]; ok && at != want {
		return fmt.Errorf("%s is at %+v, and the manifest says %+v", part, at, want)
	}
	return nil
}

// add notes a file with its hash.
func (m *manifest) add(folder, name string) error {
	sum, err := fileHash(filepath.Join(folder, name))
	m.Files[name] = sum
	return err
}

func fileHash(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = f.Close() }()
	h := sha256.New()
	_, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), err
}

func (m *manifest) write(folder string) error {
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(folder, manifestFile), append(text, '\n'), 0o600)
}

// run makes a state folder of a backup. The event stream is not part of one: every fact leaves again, and who had it before leaves it at that.
// What can't be restored whole is not left there: a start would take it for a suite.
func (c *restoreCommand) run(ctx context.Context, stdout io.Writer) error {
	m, err := readManifest(c.From)
	if err != nil {
		return err
	}
	if c.Part != "" {
		return c.restorePart(ctx, stdout, &m)
	}
	if err := empty(c.State); err != nil {
		return err
	}
	if err := c.restored(ctx, &m); err != nil {
		return errors.Join(err, emptied(c.State))
	}
	text := "Restored and checked: every hash, record chain and number of a fact is as it was."
	if m.Files[secretFile] == "" {
		text += " The backup holds no secret: put the file of then at " + filepath.Join(c.State, secretFile) + " before the start."
	}
	return c.tell(stdout, []string{text}, []string{"folder", "time", "files", "secret"},
		[]string{c.State, m.Time.Format(time.RFC3339), strconv.Itoa(len(m.Files)), strconv.FormatBool(m.Files[secretFile] != "")})
}

// restored copies what a backup holds into the state folder, and checks it.
func (c *restoreCommand) restored(ctx context.Context, m *manifest) error {
	for name := range m.Files {
		if err := copyFile(filepath.Join(c.From, name), filepath.Join(c.State, name)); err != nil {
			return err
		}
		if !strings.HasSuffix(name, ".db") {
			continue
		}
		err := storage.Inspect(ctx, filepath.Join(c.State, name), func(ctx context.Context, tx *storage.Tx) error {
			return errors.Join(m.check(ctx, tx, strings.TrimSuffix(name, ".db")), outbox.SendAgain(ctx, tx))
		})
		if err != nil {
			return err
		}
	}
	return eventbus.BeginAt(filepath.Join(c.State, eventsFolder), uint64(clock.System().Now().UnixMilli()))
}

// emptied removes what a folder holds that was new or empty before.
func emptied(folder string) error {
	there, err := os.ReadDir(folder)
	for _, one := range there {
		err = errors.Join(err, os.RemoveAll(filepath.Join(folder, one.Name())))
	}
	return err
}

// empty makes a folder, or takes one in which nothing is.
func empty(folder string) error {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return err
	}
	there, err := os.ReadDir(folder)
	if err == nil && len(there) > 0 {
		return fmt.Errorf("the state folder must be new or empty, and %s holds %s. Nothing was changed; name another one", folder, there[0].Name())
	}
	return err
}

type verifyBackupCommand struct {
	telling

	From string `arg:"" help:"The folder that backup made."`
}

// run checks a backup without restoring it: every hash, and in a copy that is thrown away every record chain and number of a fact.
func (c *verifyBackupCommand) run(ctx context.Context, stdout io.Writer) error {
	folder, err := os.MkdirTemp("", "coldsection-verify-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(folder) }()
	trial := restoreCommand{From: c.From, State: folder}
	if err := trial.run(ctx, io.Discard); err != nil {
		return err
	}
	m, err := readManifest(c.From)
	if err != nil {
		return err
	}
	at := m.Time.Format(time.RFC3339)
	return c.tell(stdout, []string{"Sound: every hash, record chain, number and position of the backup of " + at + " is as it was."},
		[]string{"state", "folder", "time", "files", "secret"}, []string{"SOUND", c.From, at, strconv.Itoa(len(m.Files)), strconv.FormatBool(m.Files[secretFile] != "")})
}

// readManifest reads what a backup should hold and refuses one that does not.
func readManifest(folder string) (m manifest, err error) {
	text, err := os.ReadFile(filepath.Join(folder, manifestFile))
	if err != nil {
		return m, fmt.Errorf("%s is no finished backup: %w", folder, err)
	}
	if err := json.Unmarshal(text, &m); err != nil {
		return m, err
	}
	for name, want := range m.Files {
		if filepath.Base(name) != name {
			return m, fmt.Errorf("%s names a file %q outside of it", folder, name)
		}
		if have, err := fileHash(filepath.Join(folder, name)); err != nil || have != want {
			return m, errors.Join(fmt.Errorf("%s of %s is not as it was written: its hash is %s, not %s", name, folder, have, want), err)
		}
	}
	if missing := slices.IndexFunc(Parts, func(p string) bool { return m.Files[p+".db"] == "" }); missing >= 0 {
		return m, fmt.Errorf("%s has no data of %s", folder, Parts[missing])
	}
	return m, nil
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}

// backedUp is when the last backup was made, in seconds since 1970; 0 when none was.
func backedUp(state string) (int64, error) {
	text, err := os.ReadFile(filepath.Join(state, lastBackup))
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	return strconv.ParseInt(string(text), 10, 64)
}
