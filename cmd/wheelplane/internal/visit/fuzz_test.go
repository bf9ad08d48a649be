package visit

import (
	"reflect"
	"strings"
	"testing"
)

// Whatever visit.yaml holds, it is read or refused in one line, and reads the same
// when it is written anew.
func FuzzVisit(f *testing.F) {
	f.Add([]byte("date: 2026-11-25\nplace: yard\ntyres:\n  - {axle: 1, side: left, size: 315/80, tread_mm: 12, pressure_kpa: 850}\nchecks:\n  - {what: load, result: ok, by: N., at: 2026-11-25T10:00:00Z}\n"))
	f.Add([]byte("# nothing\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		v, err := parse(text, "visit.yaml")
		if err != nil {
			if strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("not one line: %q", err)
			}
			return
		}
		out, err := v.Text()
		if err != nil {
			t.Fatal(err)
		}
		again, err := parse(out, "visit.yaml")
		if err != nil {
			t.Fatalf("does not read what it wrote: %v\n%s", err, out)
		}
		for i := range v.Checks {
			if !v.Checks[i].At.Equal(again.Checks[i].At) {
				t.Errorf("a time became another: %v, %v", v.Checks[i].At, again.Checks[i].At)
			}
			v.Checks[i].At = again.Checks[i].At
		}
		if !reflect.DeepEqual(v, again) {
			t.Errorf("wrote another visit: %+v, %+v", v, again)
		}
	})
}
