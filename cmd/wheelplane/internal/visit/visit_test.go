package visit

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"wheelplane/pose/align"
)

func TestVisitRoundTrip(t *testing.T) {
	v := &Visit{Checks: []Check{
		{What: "tyre-pressures", Result: Bad, By: "R. Vell", At: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC), Note: "right front: flat"},
		{What: "tyre-pressures", Result: OK, By: "R. Vell", At: time.Date(2026, 11, 25, 9, 20, 0, 0, time.UTC)},
	}}
	for _, s := range []string{"fleet_no=3", "date=2026-11-25", "customer = Harbour board: north", "odometer_km=184200.5", "tyre.2.right.size=315/80 R22.5", "tyre.1.left.pressure_kpa=850", "tyre.2.right.tread_mm=7", "tyre.2.left.tread_mm=8"} {
		if err := v.Set(s, 3); err != nil {
			t.Error(err)
		}
	}
	if len(v.Tyres) != 3 || v.Tyres[1].Side != align.Left || v.Tyres[2] != (Tyre{2, align.Right, "315/80 R22.5", 7, 0}) {
		t.Errorf("tyres %+v", v.Tyres)
	}
	text, err := v.Text()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, File), text, 0o666); err != nil {
		t.Fatal(err)
	}
	back, err := Load(dir)
	if err != nil || !reflect.DeepEqual(back, v) {
		t.Errorf("%v\n got %+v\nwant %+v", err, back, v)
	}
	if c := back.Of("tyre-pressures"); c == nil || c.Result != OK {
		t.Errorf("the last of a check: %+v", c)
	}
	if empty, err := Load(t.TempDir()); err != nil || empty.Of("x") != nil {
		t.Error(empty, err)
	}
}

func TestVisitRefuses(t *testing.T) {
	for _, c := range []struct{ set, want string }{
		{"fleet_no", "not KEY=VALUE"},
		{"colour=red", "there is no key \"colour\"; there are: chassis_no,"},
		{"date=25.11.2026", "write it like 2026-11-25"},
		{"odometer_km=-3", "not a number from 0 on"},
		{"odometer_km=NaN", "not a number from 0 on"},
		{"tyre.4.left.tread_mm=3", "there is no axle 4; the vehicle has axles 1 to 3"},
		{"tyre.1.top.tread_mm=3", "write left or right"},
		{"tyre.1.left.colour=3", "a tyre has size"},
	} {
		if err := new(Visit).Set(c.set, 3); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.set, err)
		}
	}
	for _, c := range []struct{ text, want string }{
		{"colour: red\n", "f: line 1: unknown key colour; correct it"},
		{"odometer_km: far\n", "f: "},
		{"checks: [{what: a, result: maybe}]\n", "f: checks: a: result \"maybe\" is none of ok, bad and skipped"},
		{"checks: [{result: ok}]\n", "f: checks: entry 1 does not say what"},
		{"tyres: [{axle: 0, side: left}]\n", "f: tyres: entry 1: axle 0"},
		{"tyres: [{axle: 1, side: l}]\n", "f: tyres: entry 1: side \"l\""},
		{"tyres: [{axle: 1, side: left, tread_mm: -1}]\n", "below 0"},
		{"a: [", "f: "},
	} {
		if _, err := parse([]byte(c.text), "f"); err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v", c.text, err)
		}
	}
}
