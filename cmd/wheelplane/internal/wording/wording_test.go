package wording

import "testing"

func TestDecimal(t *testing.T) {
	for _, c := range []struct {
		v        float64
		decimals int
		want     string
	}{{-0.004, 2, "0.00"}, {-0.006, 2, "-0.01"}, {1.25, 1, "1.2"}, {-12, 0, "-12"}} {
		if got := Decimal(c.v, c.decimals); got != c.want {
			t.Errorf("%g to %d decimals is %q, want %q", c.v, c.decimals, got, c.want)
		}
	}
}

func TestCount(t *testing.T) {
	for _, c := range []struct {
		n         int
		one, want string
	}{{0, "photo", "0 photos"}, {1, "entry", "1 entry"}, {3, "entry", "3 entries"}} {
		if got := Count(c.n, c.one); got != c.want {
			t.Errorf("%d of %q is %q, want %q", c.n, c.one, got, c.want)
		}
	}
}
