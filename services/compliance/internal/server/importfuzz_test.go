package server_test

import (
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc/rpctest"
)

// Whatever a file holds, it is judged: refused whole, or row by row with lines that it has, and judging leaves nothing. What is judged as good is taken
// in just so, and the second time it is what is there already.
func FuzzImportFleet(f *testing.F) {
	for _, one := range fleetFiles {
		f.Add(int32(one.rows), []byte(one.file))
		f.Add(int32(one.rows), []byte(asWorkbook(f, one.file)))
	}
	f.Add(int32(compliancev1.FleetRows_COMPONENTS), []byte("component_id,part_number,serial,display_name,life_limited,operating_hours,cycles,host,position,install_date,stay_engine_model,"+
		"stay_engine_serial,stay_install_cycles,stay_remove_cycles,stay_document\n"+
		"d1,DISC-1,s1,Disc,yes,120,100,engines/one,1,2026-03-01,demo,D-9,0,60,card 1\nd1,,,,,,,,,,demo,D-8,60,100,card 2\n"))
	f.Add(int32(compliancev1.FleetRows_AIRCRAFT), []byte("aircraft_id;registration;regime;operating_hours;cycles;counters_date\nx;DEMO-X;EASA;1.234,5;9e99;31.02.2026\n\xff\xfe;;;;;\n"))
	f.Add(int32(compliancev1.FleetRows_AIRCRAFT), []byte("aircraft_id,registration,regime,operating_hours,cycles,flying_hours_per_day\nx,DEMO-X,EASA,99999999999999999999:59,1,NaN\n"))
	f.Add(int32(compliancev1.FleetRows_REQUIREMENTS), []byte("requirement_id,code,title,kind,document,document_revision,repeat_hours,serials\n"+
		"r,R,t,DIRECTIVE,d,1,9223372036854775807,z..a;..;A..\n"))
	w := onSQLite(f)
	f.Fuzz(func(t *testing.T, rows int32, file []byte) {
		w.t = t
		if doubting, ok := w.conn.(*rpctest.Doubting); ok {
			doubting.T = t
		}
		kind := compliancev1.FleetRows(1 + ((rows-1)%5+5)%5)
		before := w.everyTable()
		judged, err := w.imports(kind, string(file), dryly)
		if after := w.everyTable(); after != before {
			t.Fatalf("judging left something: %s, was %s", after, before)
		}
		if err != nil {
			if fault.Undecided(err) {
				t.Fatalf("%v of %q", err, file)
			}
			return
		}
		for _, one := range judged.GetFaults() {
			if one.GetReason() == "" || one.GetExplanation() == "" || one.GetLine() < 1 {
				t.Fatalf("a fault without a place or words: %v", one)
			}
		}
		if len(judged.GetFaults()) > 0 {
			if len(judged.GetNames()) > 0 || judged.GetImportedCount() > 0 {
				t.Fatalf("faults, and yet something counts as taken: %v", judged)
			}
			return
		}
		taken, err := w.imports(kind, string(file))
		if err != nil || len(taken.GetFaults()) > 0 || taken.GetImportedCount() != judged.GetImportedCount() {
			t.Fatalf("judged as good: %v, taken: %v, %v", judged, taken, err)
		}
		again, err := w.imports(kind, string(file))
		if err != nil || len(again.GetFaults()) > 0 || again.GetImportedCount() != 0 || again.GetUnchangedCount() != taken.GetImportedCount()+taken.GetUnchangedCount() {
			t.Fatalf("taken: %v, and again: %v, %v", taken, again, err)
		}
	})
}
