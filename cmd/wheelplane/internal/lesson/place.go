package lesson

import (
	"context"
	"fmt"
	"math"
	"path"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// placeData is the place lesson's part of lesson.json; degrees.
type placeData struct {
	Cases  []Case  `json:"cases"`
	Walks  []walk  `json:"walks"`
	Noise  float64 `json:"answer_u_if_noise_were_all"`
	Found  float64 `json:"u_of_all_again_three_times"`
	Photos float64 `json:"answer_photos_needed"` // a station, from the same places
}

// walk is a way of taking photographs and what it gives: total toe of the axle
// that is known worst.
type walk struct {
	Name   string  `json:"name"`
	Folder string  `json:"folder"`
	Photos int     `json:"photos_a_station"`
	U      float64 `json:"u"`
	Error  float64 `json:"error"`
	Times  float64 `json:"information"` // u of the first over u, squared
}

// The sparse walk, by numbers in the ring of the car: square on from either side,
// and across the front; every wheel is seen once. The other place is beside its
// left front wheel, from where both left wheels are seen along the side; the place
// to be again is the one from where they are seen square on.
var (
	sparse  = []int{3, 8, 11}
	again   = sparse[0]
	further = 2
)

// numberOf is the number of a photograph in its ring, and how often it had been
// taken before.
func numberOf(file string) (ring, again int) {
	stem := strings.TrimSuffix(path.Base(file), path.Ext(file))
	if c := stem[len(stem)-1]; c >= 'a' && c <= 'z' {
		stem, again = stem[:len(stem)-1], int(c-'a')+1
	}
	fmt.Sscan(strings.TrimLeft(stem, "0"), &ring)
	return ring, again
}

func place(ctx context.Context, b Bench, c Class) (*Sheet, error) {
	const times = 3 // that each photograph is taken again
	scene, err := fixtures.NewScene("harbour-car", c.Seed, c.Size)
	if err != nil {
		return nil, err
	}
	scene.Only(func(p int) bool {
		ring, _ := numberOf(scene.Job.Photos[p].Path)
		return ring == further || slices.Contains(sparse, ring)
	})
	for p, photo := range slices.Clone(scene.Job.Photos) {
		if ring, _ := numberOf(photo.Path); ring != further {
			scene.Repeat(p, times)
		}
	}
	const whole = "everything"
	if err := b.Photograph(ctx, whole, scene); err != nil {
		return nil, err
	}
	ways := []struct {
		folder, name, about string
		keep                func(ring, nth int) bool
	}{
		{"sparse", "three places", "three photographs a station", func(ring, nth int) bool { return ring != further && nth == 0 }},
		{"one-again", "and one of them again", "one of the three taken twice", func(ring, nth int) bool {
			return ring != further && (nth == 0 || nth == 1 && ring == again)
		}},
		{"all-again", "and each again", "each of the three taken twice", func(ring, nth int) bool { return ring != further && nth <= 1 }},
		{"all-four-times", "and each three times again", "each of the three taken four times", func(ring, nth int) bool { return ring != further }},
		{"another-place", "three places and another", "the three, and one from another place", func(ring, nth int) bool { return nth == 0 }},
	}
	stations := []int{0, 1, 2}
	d := &placeData{}
	var list []*Measured
	var folders []Folder
	for _, w := range ways {
		job := choose(scene.Job, func(p rig.Photo) bool { return w.keep(numberOf(p.Path)) }, stations...)
		if err := b.Retell(w.folder, whole, job, &scene.Camera); err != nil {
			return nil, err
		}
		m, err := measured(ctx, b, w.folder)
		if err != nil {
			return nil, err
		}
		list = append(list, m)
		folders = append(folders, Folder{w.folder, w.about})
		d.Walks = append(d.Walks, walk{Name: w.name, Folder: w.folder, Photos: len(job.Photos) / len(stations)})
	}
	// The axle that the three places know worst.
	axle, worst := 0, 0.0
	for a := range scene.Job.Vehicle.Axles {
		r, _, err := list[0].find(align.TotalToe, a+1, align.NoSide)
		if err != nil {
			return nil, err
		}
		if r.U > worst {
			axle, worst = a+1, r.U
		}
	}
	t := Table{
		Caption: fmt.Sprintf("Total toe of axle %d, degrees. %s Information is one over u squared, of the three places 1.", axle, uText),
		Columns: []Column{words("photographs"), numbers("a station"), numbers("measured"), numbers("true"), numbers("error"), numbers("error over u"), numbers("information")},
	}
	var dots []draw.Dot
	for i, m := range list {
		got, truth, err := m.find(align.TotalToe, axle, align.NoSide)
		if err != nil {
			return nil, err
		}
		w := &d.Walks[i]
		w.U, w.Error = got.U, got.Value-truth.Value
		w.Times = d.Walks[0].U * d.Walks[0].U / (w.U * w.U)
		t.Rows = append(t.Rows, []string{w.Name, fmt.Sprint(w.Photos), pm(got.Value, got.U), wording.Decimal(truth.Value, decimals(got.U)), signed(w.Error, decimals(got.U)), signed(w.Error/w.U, 1), wording.Decimal(w.Times, 2)})
		if i < len(list)-1 {
			dots = append(dots, draw.Dot{X: float64(w.Photos), Y: w.U})
		}
	}
	d.Cases = dataOf(list)
	few, once, twice, often, other := d.Walks[0], d.Walks[1], d.Walks[2], d.Walks[3], d.Walks[4]
	d.Noise = few.U / math.Sqrt(float64(often.Photos)/float64(few.Photos))
	d.Found = often.U
	d.Photos = float64(few.Photos) * other.Times
	var curve []draw.Dot
	for n := float64(few.Photos); n <= float64(often.Photos)+2; n += 0.5 {
		curve = append(curve, draw.Dot{X: n, Y: few.U * math.Sqrt(float64(few.Photos)/n)})
	}

	return &Sheet{
		Question: "More photographs make a better measurement. Any photographs?",
		Guess:    "Three photographs were taken at each station, and there is time for one more. What helps more: to take one of the three once more, to be sure, or to show the same side from another place? By how much?",
		Done: []string{
			c.photographed(len(scene.Job.Photos), "car with two axles"),
			"At each of three stations photographs are taken from the same three places: square on from the left and from the right, between the axles, and across the front. From each of the three the photograph is taken three times more, as well as a hand finds the place again: some millimetres off, with fresh noise. One more is taken from another place, beside the left front wheel, looking back along the side: it shows the same two wheels as the one from the left, from where they look quite different. Different choices among these are measured.",
		},
		Tables: []Table{t},
		Numbers: []string{
			fmt.Sprintf("One photograph taken again makes %s times the information of the three: u goes from %s to %s. One from another place makes %s times: u is %s.", wording.Decimal(once.Times, 2), wording.Decimal(few.U, 4), wording.Decimal(once.U, 4), wording.Decimal(other.Times, 1), wording.Decimal(other.U, 4)),
			fmt.Sprintf("All three taken again three times, %d photographs instead of %d, give u = %s. The one from another place, with %d photographs in all, gives %s.", often.Photos, few.Photos, wording.Decimal(often.U, 4), other.Photos, wording.Decimal(other.U, 4)),
			"A second photograph from the same place sees the same rays of light once more. It averages their noise, and not all of that: lens, focus and light make the same of the same picture, so that part of a board's errors is common to photographs from one place and does not average, and u says so. What these rays cannot tell, such as how far away a board is along the line of sight, or how it tilts while it is seen square on, they cannot tell the second time either. A photograph from the side sees just that.",
			d.against(c),
		},
		Picture: draw.Chart{
			W: 170, H: 75, Title: "Photographs and uncertainty", Desc: "From the same places u falls slowly as photographs are added; one from another place lies far below.",
			X: draw.Axis{Name: "photographs a station", Whole: true}, Y: draw.Axis{Name: fmt.Sprintf("u of total toe, axle %d, degrees", axle), Min: 0, Max: niceTop(few.U)},
			Lines: []draw.Series{{Name: "from the same three places", Dots: dots, Loose: true}, {Name: "with one from another place", Dots: []draw.Dot{{X: float64(other.Photos), Y: other.U}}, Loose: true}, {Name: "one over the root of the number", Dots: curve, Band: true}},
		}.Picture(),
		Caption: "Photographs from the same places fall short of the rule of averaging, one over the root of their number. One from another place does not belong to that curve.",
		Bay: []string{
			"Move your feet. Between two photographs walk a good step or two, change the height, look along the side as well as square on.",
			"Taking one again is right where the first is blurred. Otherwise it is time lost.",
			"'wheelplane plan DIR' says before the work where to stand, by just this calculation.",
		},
		Exercise: []string{
			fmt.Sprintf("a) If noise were all that matters, u would fall with one over the root of the number of photographs. Foretell u for each of the three places taken four times, from u = %s of the three. Compare.", wording.Decimal(few.U, 4)),
			fmt.Sprintf("b) By the same rule, how many photographs a station from the same three places would it take to reach the u = %s that one from another place gave?", wording.Decimal(other.U, 4)),
		},
		Answer: []string{
			fmt.Sprintf("a) %d photographs instead of %d: %s / √(%d / %d) = %s degrees. Measured: %s. (Twice each: %s foretold, %s measured.) It is less than the rule of averaging gives: what these photographs bring is less noise, and of that only what each has for itself.",
				often.Photos, few.Photos, wording.Decimal(few.U, 4), often.Photos, few.Photos, wording.Decimal(d.Noise, 4), wording.Decimal(often.U, 4), wording.Decimal(few.U/math.Sqrt2, 4), wording.Decimal(twice.U, 4)),
			fmt.Sprintf("b) (%s / %s)² = %s times as many: %s × %d = %s a station, against %d with the one from another place.",
				wording.Decimal(few.U, 4), wording.Decimal(other.U, 4), wording.Decimal(other.Times, 2), wording.Decimal(other.Times, 2), few.Photos, wording.Decimal(math.Ceil(d.Photos-1e-9), 0), other.Photos),
		},
		Folders: append([]Folder{{whole, "all photographs that were taken"}}, folders...),
		Data:    d,
	}, nil
}

// against holds what u says against the truth.
func (d *placeData) against(c Class) string {
	of := func(i int) string { return wording.Decimal(math.Abs(d.Walks[i].Error/d.Walks[i].U), 1) }
	text := fmt.Sprintf("Held against the truth, total toe from the three places is off by %s u, from all four photographs of each by %s u, and with another place by %s u.", of(0), of(3), of(4))
	if !c.Drawn {
		text += " Were the errors of photographs from one place taken as each one's own, u of all four of each would be smaller, and not true."
	}
	return text
}

// niceTop is a round number above v.
func niceTop(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, s := range []float64{1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10} {
		if s*ten > v*1.02 {
			return s * ten
		}
	}
	return 10 * ten
}
