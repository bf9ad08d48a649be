package vision

import (
	"math/rand/v2"
	"testing"
)

// How many wrong cells a marker alone may have: 4·size·Σ C(bits², k) / 2^bits²
// below 1e-4, worked out by hand. 36h11: 2348·667/2^36 = 2.3e-5 for two.
func TestCodesThatStandAlone(t *testing.T) {
	for name, want := range map[string]int{"36h11": 2, "6x6_250": 2, "36h10": 2, "5x5_100": 0, "25h9": 0, "4x4_50": -1, "16h5": -1} {
		if got := codesOf(name).alone; got != want {
			t.Errorf("%s: %d wrong cells, want %d", name, got, want)
		}
	}
}

// A code turned four times is itself; turned once and spoilt in two cells, it is
// still known, and how it was turned.
func TestNearestCode(t *testing.T) {
	book := codesOf("36h11")
	rng := rand.New(rand.NewPCG(1, 1))
	for range 50 {
		id, n := rng.IntN(len(book.words)), rng.IntN(4)
		w := book.words[id]
		for range n {
			w = book.turned(w)
		}
		w ^= 1<<rng.IntN(18) | 1<<(18+rng.IntN(18))
		got, turns, wrong := book.nearest(w, 5)
		if got != id || (n+turns)%4 != 0 || wrong != 2 {
			t.Fatalf("id %d turned by %d: read as %d, %d more turns, %d wrong", id, n, got, turns, wrong)
		}
	}
}

// The families' names state their least distance (AprilTag: Olson, ICRA 2011);
// OpenCV's documentation of 4x4_50 to 6x6_250 states what each corrects.
func TestDistanceOfCodes(t *testing.T) {
	for name, want := range map[string]int{"36h11": 11, "36h10": 10, "25h9": 9, "16h5": 5} {
		if got := codesOf(name).distance(); got != want {
			t.Errorf("%s: codes differ in %d cells at least, want %d", name, got, want)
		}
	}
}
