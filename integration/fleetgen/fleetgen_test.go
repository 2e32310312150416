package fleetgen

import (
	"cmp"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"coldsection.example/services/performance/demoengine"
)

func TestTheSeedMakesTheFleet(t *testing.T) {
	c := Config{Seed: 3, Days: 90}
	one, err := Make(c)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Make(c)
	if err != nil || !reflect.DeepEqual(one, again) {
		t.Errorf("the same configuration made another fleet (%v)", err)
	}
	other, err := Make(Config{Seed: 4, Days: 90})
	if err != nil || reflect.DeepEqual(one.Readings, other.Readings) {
		t.Errorf("another seed made the same fleet (%v)", err)
	}
}

func TestMeaninglessFleetsAreRefused(t *testing.T) {
	for _, c := range []Config{{Engine: 9}, {Engine: -1}, {Days: 3}, {Noise: math.NaN()}, {Noise: 11}, {Faults: []Fault{"gremlins"}}} {
		if f, err := Make(c); err == nil {
			t.Errorf("%+v made %d readings", c, len(f.Readings))
		}
	}
}

// quiet is a fleet without scatter and mistakes, and what its readings deviate from the clean engine at what they say.
func quiet(t *testing.T, fault Fault) (EngineTruth, []deviation) {
	t.Helper()
	fleet, err := Make(Config{Seed: 11, Engine: 1, Noise: -1, Clean: true, Faults: []Fault{fault}})
	if err != nil {
		t.Fatal(err)
	}
	data := demoengine.Engines()[1]
	data.PropellerSpeed = propeller
	engine, err := demoengine.New(data)
	if err != nil {
		t.Fatal(err)
	}
	var list []deviation
	for _, r := range fleet.Readings {
		c := inFlight(r.Altitude, r.Airspeed, r.OAT)
		c.PropellerSpeed = r.Np
		p, err := demoengine.AtPower(engine, c, demoengine.Health{}, r.Torque*footPound*r.Np*2*math.Pi/60, demoengine.Point{})
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, deviation{r.Time, r.ITT - p.ITT, 100 * (r.Ng/p.Ng - 1), 100 * (r.Fuel*pound/p.Fuel - 1)})
	}
	return fleet.Truth.Engines[0], list
}

type deviation struct {
	at            time.Time
	itt, ng, fuel float64
}

// step is the change of the mean over forty days to either side of a time.
func step(list []deviation, at time.Time) deviation {
	var sum [2]deviation
	var n [2]float64
	for _, d := range list {
		if d.at.Sub(at).Abs() < 40*24*time.Hour {
			side := 0
			if d.at.After(at) {
				side = 1
			}
			sum[side].itt, sum[side].ng, sum[side].fuel, n[side] = sum[side].itt+d.itt, sum[side].ng+d.ng, sum[side].fuel+d.fuel, n[side]+1
		}
	}
	return deviation{at, sum[1].itt/n[1] - sum[0].itt/n[0], sum[1].ng/n[1] - sum[0].ng/n[0], sum[1].fuel/n[1] - sum[0].fuel/n[0]}
}

func onset(t *testing.T, e EngineTruth) time.Time {
	t.Helper()
	at, err := time.Parse(time.DateOnly, e.Onset)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func TestFaultsShowInTheReadings(t *testing.T) {
	truth, list := quiet(t, ITTBias)
	if s := step(list, onset(t, truth)); math.Abs(s.itt-truth.Params.Bias) > 3 || math.Abs(s.ng) > 0.2 {
		t.Errorf("an ITT bias of %.1f shows as %+v", truth.Params.Bias, s)
	}
	truth, list = quiet(t, BleedLeak)
	if s := step(list, onset(t, truth)); s.itt < 600*truth.Params.Leak || s.itt > 1300*truth.Params.Leak || s.fuel < 0.5 {
		t.Errorf("a leak of %.4f shows as %+v", truth.Params.Leak, s)
	}
	truth, list = quiet(t, TorqueBias)
	if s := step(list, onset(t, truth)); s.itt*truth.Params.Torque > 0 || s.fuel*truth.Params.Torque > 0 || math.Abs(s.itt) < 2 {
		t.Errorf("torque that reads %+.3f shows as %+v", truth.Params.Torque, s)
	}
	truth, list = quiet(t, HotSection)
	early, late := list[:len(list)/5], list[4*len(list)/5:]
	if rise := mean(late) - mean(early); rise < 800*truth.Params.Wear {
		t.Errorf("a hot section worn by %.4f raises ITT by %.1f", truth.Params.Wear, rise)
	}
	truth, list = quiet(t, None)
	early, late = list[:len(list)/5], list[4*len(list)/5:]
	if rise := mean(late) - mean(early); math.Abs(rise) > 8 {
		t.Errorf("a healthy engine's ITT moved by %.1f", rise) // age and what dirt a wash leaves
	}
	if len(truth.Washes) < 3 {
		t.Errorf("%d washes in 540 days", len(truth.Washes))
	}
}

func mean(list []deviation) float64 {
	sum := 0.0
	for _, d := range list {
		sum += d.itt
	}
	return sum / float64(len(list))
}

// What a wash is said to have recovered is what the readings around it show.
func TestTheTruthOfAWash(t *testing.T) {
	truth, list := quiet(t, FoulingFast)
	biggest := slices.MinFunc(truth.Washes, func(a, b Wash) int { return cmp.Compare(a.ITT, b.ITT) })
	var before, after []deviation
	for _, d := range list {
		if gap := d.at.Sub(biggest.Time); gap < 0 && gap > -12*24*time.Hour {
			before = append(before, d)
		} else if gap > 0 && gap < 12*24*time.Hour {
			after = append(after, d)
		}
	}
	if got := mean(after) - mean(before); biggest.ITT > -4 || math.Abs(got-biggest.ITT) > 0.2*math.Abs(biggest.ITT)+1.5 {
		t.Errorf("a wash recovered %.1f, the readings say %.1f", biggest.ITT, got)
	}
}

func TestScatterIsAsBigAsItSays(t *testing.T) {
	h := &history{config: Config{Noise: 2}, random: newHistory(nil, Config{Seed: 5, Days: 100}, None, 0).random}
	var sum, lag, last float64
	const n = 20000
	for range n {
		s := h.scatter()
		sum, lag, last = sum+s.itt*s.itt, lag+s.itt*last, s.itt
	}
	if sd := math.Sqrt(sum / n); math.Abs(sd-2*usual.itt) > 0.1 {
		t.Errorf("sd %.3f, want %.3f", sd, 2*usual.itt)
	}
	if memory := lag / sum; math.Abs(memory-0.33) > 0.03 {
		t.Errorf("one reading remembers %.3f of the one before", memory)
	}
}

func TestTheFolder(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "fleet")
	fleet, err := Make(Config{Seed: 6, Engine: 3})
	if err != nil {
		t.Fatal(err)
	}
	if err := fleet.Write(folder); err != nil {
		t.Fatal(err)
	}
	rows := map[string][][]string{}
	for _, name := range []string{"baseline.csv", "readings.csv", "events.csv"} {
		rows[name] = readTable(t, filepath.Join(folder, name))
	}
	text, err := os.ReadFile(filepath.Join(folder, "truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	var truth Truth
	if err := json.Unmarshal(text, &truth); err != nil {
		t.Fatal(err)
	}
	if len(rows["baseline.csv"]) != 541 || len(truth.Engines) != len(Faults) {
		t.Errorf("%d lines of baseline, %d engines", len(rows["baseline.csv"]), len(truth.Engines))
	}
	checkRows(t, rows["readings.csv"][1:], truth.Mistakes)
}

func readTable(t *testing.T, name string) [][]string {
	t.Helper()
	file, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// checkRows counts what arrived twice and late, and looks every mistake up.
func checkRows(t *testing.T, rows [][]string, mistakes []Mistake) {
	t.Helper()
	seen := map[string]int{}
	twice, late, newest := 0, 0, ""
	for _, r := range rows {
		key := r[0] + " " + r[1]
		seen[key]++
		if seen[key] > 1 {
			twice++
		}
		if r[1] < newest {
			late++
		}
		newest = max(newest, r[1])
	}
	share := float64(len(mistakes)) / float64(len(rows))
	if twice == 0 || twice > len(rows)/100 || late == 0 || late > len(rows)/100 || share < 0.006 || share > 0.02 {
		t.Errorf("of %d rows %d came twice, %d late, %d were wrong", len(rows), twice, late, len(mistakes))
	}
	kinds := map[string]bool{}
	for _, m := range mistakes {
		kinds[m.Kind] = true
		if seen[m.Serial+" "+m.Time] == 0 {
			t.Errorf("no row is the mistake %+v", m)
		}
	}
	if len(kinds) != 4 {
		t.Errorf("mistakes of the kinds %v", kinds)
	}
}
