package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// clean is an invented engine in trade units: ITT [°C], Ng [%], fuel flow [lb/h] at an air temperature and a torque at sea
// level; it obeys ideal similarity.
func clean(oat, torque float64) (itt, ng, fuel float64) {
	theta := (oat + 273.15) / 288.15
	x := torque * 1700 / 5252.113 / math.Sqrt(theta) / 670
	return (800+250*x)*theta - 273.15, (78 + 20*x) * math.Sqrt(theta), (130 + 330*x) * math.Sqrt(theta)
}

// invent writes a fleet of one engine: 60 days before and 60 after a wash that brings 20 °C back, one air temperature in °F.
func invent(t *testing.T, dir string) {
	t.Helper()
	base := []string{"pressure_altitude_ft,oat_c,cas_kt,np_rpm,torque_lbf_ft,shp,ng_pct,itt_c,fuel_flow_lb_h"}
	for _, oat := range []float64{-20, -10, 0, 10, 20, 35} {
		for q := 900.0; q <= 2100; q += 200 {
			itt, ng, fuel := clean(oat, q)
			base = append(base, fmt.Sprintf("0,%g,0,1700,%g,0,%.4f,%.3f,%.3f", oat, q, ng, itt, fuel))
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	rows := []string{"engine_serial,time_utc,phase,pressure_altitude_ft,oat_c,cas_kt,torque_lbf_ft,np_rpm,ng_pct,itt_c,fuel_flow_lb_h,engine_hours"}
	begin := time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC)
	for day := range 120 {
		oat, torque := math.Round(5+10*random.Float64()), math.Round(1100+700*random.Float64())
		itt, ng, fuel := clean(oat, torque)
		itt += 2 * random.NormFloat64()
		if day < 60 {
			itt += 20
		}
		if day == 30 {
			oat = math.Round(oat*9/5 + 32)
		}
		rows = append(rows, fmt.Sprintf("INV-1,%s,ground,0,%g,0,%g,1700,%.2f,%.0f,%.1f,%.1f", begin.AddDate(0, 0, day).Format(minutes), oat, torque, ng, itt, fuel, 100+2.0*float64(day)))
	}
	rows = append(rows[:4], rows[3:]...) // a line twice
	files := map[string]string{
		"baseline.csv": strings.Join(base, "\n"), "readings.csv": strings.Join(rows, "\n") + "\n",
		"events.csv": "engine_serial,time_utc,event,engine_hours\nINV-1,2026-03-01T19:00Z,recovery_wash,219.5\n",
		"truth.json": `{"engines":[{"serial":"INV-1","fault":"fouling","onset":"2026-01-01","washes":[{"time":"2026-03-01T19:00:00+00:00","ditt_c":-20,"dng_pct":0,"dwf_pct":0}]}],` +
			`"mistakes":[{"serial":"INV-1","time":"2026-01-31T08:00Z","kind":"oat_fahrenheit"}]}`,
	}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAFolderIsAssessedAndScored(t *testing.T) {
	dir := t.TempDir()
	invent(t, dir)
	var out bytes.Buffer
	c := command{Dirs: []string{dir}, Days: 25}
	if err := c.run(t.Context(), &out); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "assessments.json"))
	if err != nil {
		t.Fatal(err)
	}
	var got report
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	if got.ReadingsTotal != 121 || len(got.Engines) != 1 || len(got.Engines[0].Recoveries) != 1 {
		t.Fatalf("%s", text)
	}
	if r := got.Engines[0].Recoveries[0]; r.Verdict != "recovered" || !r.ITT.covers(-20) || r.Time != "2026-03-01T19:00:00Z" {
		t.Errorf("%+v, ITT %+v", r, r.ITT)
	}
	if !strings.Contains(out.String(), "Logging mistakes caught: 1 of 1 (100.0 %)") {
		t.Errorf("%s", &out)
	}
}

func TestAFolderWithoutTruthIsAssessedOnly(t *testing.T) {
	dir := t.TempDir()
	invent(t, dir)
	if err := os.Remove(filepath.Join(dir, "truth.json")); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	c := command{Dirs: []string{dir}, Out: t.TempDir(), Days: 200}
	if err := c.run(t.Context(), &out); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "no score") {
		t.Errorf("%s", &out)
	}
	if _, err := os.Stat(filepath.Join(c.Out, "assessments.json")); err != nil {
		t.Error(err)
	}
}

func TestFoldersThatCantBeReadAreRefused(t *testing.T) {
	for file, text := range map[string]string{
		"baseline.csv": "pressure_altitude_ft\nhigh\n", "readings.csv": "time_utc\n2026-01-01T08:00Z\n", "events.csv": "engine_serial,time_utc,event,engine_hours\nA,noon,recovery_wash,1\n",
	} {
		dir := t.TempDir()
		invent(t, dir)
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readFolder(dir); err == nil || !strings.Contains(err.Error(), file) {
			t.Errorf("%s: %v", file, err)
		}
	}
}
