package icalendar_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"io"
	"os/exec"
	"reflect"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/icalendar"
)

// program is another program that reads calendars, and goes on: each comes with its length before it, each answer is a line.
type program struct {
	in  io.WriteCloser
	out *json.Decoder
}

func start(f *testing.F) program {
	f.Helper()
	script := "import icalendar, json, sys, struct\n" +
		"while True:\n" +
		"  head = sys.stdin.buffer.read(4)\n" +
		"  if len(head) < 4: break\n" +
		"  try:\n" +
		"    cal = icalendar.Calendar.from_ical(sys.stdin.buffer.read(struct.unpack('>I', head)[0]))\n" +
		"    out = dict(name=str(cal['X-WR-CALNAME']), errors=[str(x) for e in cal.walk() for x in e.errors], days=[dict(uid=str(e['UID']),\n" +
		"      start=e['DTSTART'].dt.isoformat(), end=e['DTEND'].dt.isoformat() if 'DTEND' in e else '', stamp=e['DTSTAMP'].dt.isoformat(), sequence=int(e['SEQUENCE']),\n" +
		"      summary=str(e['SUMMARY']), description=str(e['DESCRIPTION']), status=str(e['STATUS']), busy=str(e['TRANSP'])) for e in cal.walk('VEVENT')])\n" +
		"  except Exception as x:\n" +
		"    out = dict(errors=[repr(x)])\n" +
		"  print(json.dumps(out), flush=True)\n"
	cmd := exec.CommandContext(f.Context(), "/usr/bin/python3", "-c", script)
	in, err := cmd.StdinPipe()
	if err != nil {
		f.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		f.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() {
		_ = in.Close()
		_ = cmd.Wait()
	})
	return program{in, json.NewDecoder(out)}
}

type told struct {
	Name   string   `json:"name"`
	Errors []string `json:"errors"`
	Days   []entry  `json:"days"`
}

func (p program) read(t *testing.T, calendar []byte) (out told) {
	t.Helper()
	if _, err := p.in.Write(append(binary.BigEndian.AppendUint32(nil, uint32(len(calendar))), calendar...)); err != nil {
		t.Fatal(err)
	}
	if err := p.out.Decode(&out); err != nil {
		t.Fatal(err)
	}
	return out
}

// shown is a text without what a line of a calendar can't carry: RFC 5545, 3.1, has no control characters but the tab, and bytes that are no UTF-8 are nothing.
func shown(s string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "") {
		if r == '\n' || r >= ' ' && r != 0x7f {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// unfolded is the text of a property, read by the words of RFC 5545: 3.1 for lines that go on in the next, 3.3.11 for what stands behind a backslash.
func unfolded(calendar []byte, property string) string {
	whole := strings.ReplaceAll(string(calendar), "\r\n ", "")
	_, after, _ := strings.Cut(whole, "\r\n"+property+":")
	line, _, _ := strings.Cut(after, "\r\n")
	var b strings.Builder
	for i := 0; i < len(line); i++ {
		if line[i] != '\\' || i+1 == len(line) {
			b.WriteByte(line[i])
			continue
		}
		if i++; line[i] == 'n' || line[i] == 'N' {
			b.WriteByte('\n')
		} else {
			b.WriteByte(line[i])
		}
	}
	return b.String()
}

// unmistaken is a text without what the other program mistakes: it takes a backslash that is written as two, and a letter n behind it, for the end of a line.
func unmistaken(s string) string {
	return strings.NewReplacer("\\n", "", "\\N", "", "\\", "", "\n", "").Replace(s)
}

// Whatever a requirement, a part or a calendar is called, another program reads from the calendar what was written, and a day that there is not is refused.
func FuzzAnotherProgramReadsIt(f *testing.F) {
	f.Add("Due", "Wash; engine D-1, left", "First line\nsecond", "2026-03-02", 0, false)
	f.Add(`a\nb\`, "BEGIN:VEVENT\r\nUID:x", "END:VEVENT\nEND:VCALENDAR", "2028-02-29", 7, true)
	f.Add("é", strings.Repeat("\u6f22", 80), strings.Repeat(`\,;`, 60), "9999-12-31", 1<<31-1, false)
	f.Add("", "", "\t \n\n", "0001-01-01", 1, true)
	f.Add("x\u0085y\u2028z", "a\u2029b", "c\vd\fe\x1c", "2026-02-30", 1, true)
	f.Add("\ufeffname", "\u202eright to left", "\xff\xfe", "2026-12-31", 2, false)
	reader := start(f)
	changed := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, name, summary, description, date string, sequence int, cancelled bool) {
		d := icalendar.Day{UID: "a@demo", Date: date, Changed: changed, Sequence: max(0, sequence), Summary: summary, Description: description, Cancelled: cancelled}
		text, err := icalendar.Write(name, 4, []icalendar.Day{d})
		day, bad := time.Parse(time.DateOnly, date)
		if bad != nil {
			if err == nil {
				t.Fatalf("%q is no day, and was written:\n%s", date, text)
			}
			return
		}
		if err != nil || day.Year() == 0 { // which the other program does not have
			if err != nil {
				t.Fatalf("%q: %v", date, err)
			}
			return
		}
		want := entry{
			UID: d.UID, Start: date, End: day.AddDate(0, 0, 1).Format(time.DateOnly), Stamp: "2026-03-02T09:00:00+00:00", Sequence: d.Sequence,
			Summary: shown(summary), Description: shown(description), Status: "CONFIRMED", Busy: "TRANSPARENT",
		}
		if date == "9999-12-31" {
			want.End = ""
		}
		if cancelled {
			want.Status = "CANCELLED"
		}
		for property, written := range map[string]string{"X-WR-CALNAME": name, "SUMMARY": summary, "DESCRIPTION": description} {
			if read := unfolded(text, property); read != shown(written) {
				t.Fatalf("%s is %q, not %q, of %q", property, read, shown(written), text)
			}
		}
		got := reader.read(t, text)
		for i := range got.Days {
			got.Days[i].Summary, got.Days[i].Description = unmistaken(got.Days[i].Summary), unmistaken(got.Days[i].Description)
		}
		want.Summary, want.Description = unmistaken(want.Summary), unmistaken(want.Description)
		if len(got.Errors) > 0 || len(got.Days) != 1 || !reflect.DeepEqual(got.Days[0], want) || unmistaken(got.Name) != unmistaken(shown(name)) {
			t.Fatalf("read %+v\nwant %q %+v\nof %q", got, shown(name), want, text)
		}
		for line := range bytes.SplitSeq(bytes.TrimSuffix(text, []byte("\r\n")), []byte("\r\n")) {
			if len(line) > 75 || bytes.ContainsAny(line, "\r\n") {
				t.Fatalf("%d octets in %q", len(line), line)
			}
		}
	})
}
