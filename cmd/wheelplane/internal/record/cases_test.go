package record_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// made is when all records of the tests are written.
var made = time.Date(2026, 3, 14, 15, 9, 0, 0, time.UTC)

// usual standard uncertainties, deg and mm, by quantity; from memory of the
// demo's scenes, here only to draw errors of a likely size.
var usual = map[align.Quantity]float64{
	align.Camber: 0.014, align.CrossCamber: 0.028, align.Toe: 0.0055, align.TotalToe: 0.0012,
	align.AxleHeading: 0.005, align.ThrustAngle: 0.005, align.ScrubAngle: 0.0008, align.AxleOffset: 0.35,
	align.Wheelbase: 0.5, align.Track: 0.6, align.Caster: 0.02, align.CrossCaster: 0.03, align.Kingpin: 0.14,
	align.CrossKingpin: 0.2, align.ScrubRadius: 2, align.Trail: 1.5, align.SteerAngle: 0.01, align.ToeOutOnTurns: 0.01,
	align.MaxSteer: 0.01, align.RollingRadius: 0.2, align.Runout: 0.02, align.TravelDirection: 0.01, align.TravelMinusThrust: 0.01,
	align.SteerRatio: 0.0004,
}

// scene makes an input of a scene of the fixtures: its true readings with an
// error drawn for each.
func scene(t testing.TB, name string, seed uint64) *record.Input {
	t.Helper()
	s, err := fixtures.NewScene(name, seed, 2000)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := s.World.Truth(s.Truth)
	if err != nil {
		t.Fatal(err)
	}
	in := &record.Input{
		Job: s.Job.Name, Vehicle: s.Job.Vehicle, Kingpin: s.Job.Kingpin != nil,
		Readings: rig.ForFiles(truth),
		Network:  &rig.Network{Photos: 42, Views: 187, Corners: 4381, Rejected: 3, RMSPx: 0.041, Redundancy: 8300, VarianceFactor: 0.98, RunoutRemoved: len(s.Job.Stations) > 1},
		Tool:     rig.Tool{Name: "wheelplane", Version: "0.3.0"}, Version: "0.3.0", Made: made,
	}
	for _, e := range s.Job.Epochs {
		in.Epochs = append(in.Epochs, e.Name)
	}
	for i, st := range s.Job.Stations {
		in.Network.Stations = append(in.Network.Stations, rig.Stop{Name: st.Name, Epoch: st.Epoch, Photos: 14, RolledMM: 264 * float64(i), TurnDeg: 30 * float64(i)})
	}
	rng := rand.New(rand.NewPCG(seed, 7))
	for i := range in.Readings {
		r := &in.Readings[i]
		r.U = usual[r.Quantity] * (0.85 + 0.3*rng.Float64())
		r.Value += r.U * rng.NormFloat64()
	}
	return in
}

// targets gives every axle of a vehicle invented targets.
func targets(v rig.Vehicle) func(rig.Reading) *align.Target {
	deg := math.Pi / 180
	var list []align.Target
	add := func(q align.Quantity, axle int, side align.Side, low, wish, high float64) {
		k := deg
		if q.IsLength() {
			k = 1e-3
		}
		list = append(list, align.Target{Quantity: q, Axle: axle, Side: side, Low: low * k, Wish: wish * k, High: high * k, Source: "invented for the tests"})
	}
	for i, a := range v.Axles {
		for _, side := range []align.Side{align.Left, align.Right} {
			add(align.Camber, i+1, side, -0.25, 0.1, 0.5)
			if a.Steered {
				add(align.Caster, i+1, side, 2, 3.5, 5)
				add(align.Kingpin, i+1, side, 4, 6, 8)
			}
		}
		if a.Steered {
			add(align.TotalToe, i+1, align.NoSide, 0, 0.08, 0.17)
		} else {
			add(align.TotalToe, i+1, align.NoSide, -0.1, 0, 0.1)
		}
		switch {
		case i+1 == v.Reference:
			add(align.ThrustAngle, i+1, align.NoSide, -0.05, 0, 0.05)
		case !a.Steered:
			add(align.ScrubAngle, i+1, align.NoSide, -0.03, 0, 0.03)
			add(align.AxleOffset, i+1, align.NoSide, math.Inf(-1), 0, 5)
		}
	}
	return func(r rig.Reading) *align.Target {
		for i := range list {
			if list[i].Of(align.Reading{Quantity: r.Quantity, Axle: r.Axle, Side: r.Side}) {
				return &list[i]
			}
		}
		return nil
	}
}

var ferrySpec = record.Spec{Name: "ferry yard truck, three axles", Source: "invented for the demo", ReferenceDiameter: 1.0}

// told is a visit with everything told.
func told(v rig.Vehicle) record.Visit {
	x := record.Visit{
		Date: "2026-03-14", Order: "26-0311", Place: "ferry yard, bay 3", Customer: "Ferry yard, vehicle pool", Contact: "O. Strand", Fleet: "yard truck no. 3", Plate: "FY 0003", Chassis: "FERRY000YARD00003", OdometerKM: 48210,
		People: []record.Person{{Name: "J. Tide", Role: "measured by"}, {Name: "M. Quay", Role: "adjusted by"}},
		Checks: []record.Check{
			{Name: "tyre pressures", State: "ok", Who: "J. Tide", When: "09:10"},
			{Name: "wheel bearings, play", State: "ok", Who: "J. Tide", When: "09:20"},
			{Name: "kingpins and tie rods, play", State: "ok", Note: "left tie rod end near its limit: have it looked at again in spring, before the season starts", Who: "M. Quay", When: "09:30"},
			{Name: "ride height", State: "ok", Who: "M. Quay", When: "09:32"},
			{Name: "load", State: "not applicable", Note: "empty", Who: "J. Tide", When: "09:33"},
			{Name: "steering centred", State: "ok", Who: "J. Tide", When: "09:40"},
		},
		Adjustments: []record.Adjustment{
			{What: "axle 3, right end moved rearward", Amount: "8.0 mm", Who: "M. Quay", When: "10:40"},
			{What: "axle 1, tie rod", Amount: "1/2 turn shorter", Who: "M. Quay", When: "11:15"},
		},
	}
	for i, a := range v.Axles {
		for _, side := range []align.Side{align.Left, align.Right} {
			size, kPa := "315/80 R 22.5", 850.0
			if a.TyreDiameter < 0.8 {
				size, kPa = "205/55 R 16", 230
			}
			x.Tyres = append(x.Tyres, record.Tyre{Axle: i + 1, Side: side, Size: size, Tread: 0.0112 - 0.0007*float64(i), Pressure: kPa})
		}
	}
	return x
}

// whole is the yard truck as found and as left, with everything told.
func whole(t testing.TB) *record.Input {
	in := scene(t, "adjusted", 3)
	in.Target, in.Spec, in.Visit = targets(in.Vehicle), ferrySpec, told(in.Vehicle)
	for k, epoch := range []string{"as found", "as left"} {
		for axle := range 3 {
			for i, side := range []align.Side{align.Left, align.Right} {
				in.Slip = append(in.Slip, record.Slip{Epoch: epoch, Slip: align.Slip{Axle: axle + 1, Side: side, Angle: 0.003*float64(i) - 0.001*float64(axle+k), U: 0.0001}})
			}
		}
	}
	return in
}

type example struct {
	name string
	in   *record.Input
	o    record.Options
}

// examples are records of many kinds.
func examples(t testing.TB) []example {
	found := scene(t, "yard-truck", 1)
	spec := scene(t, "yard-truck", 2)
	spec.Target, spec.Spec = targets(spec.Vehicle), ferrySpec
	trailer := scene(t, "semi-trailer", 1)
	trailer.Target, trailer.Visit = targets(trailer.Vehicle), told(trailer.Vehicle)
	five := scene(t, "five-axle", 1)
	five.Target, five.Visit = targets(five.Vehicle), told(five.Vehicle)
	car := scene(t, "harbour-car", 1)
	car.Target, car.Visit = targets(car.Vehicle), told(car.Vehicle)
	swept := scene(t, "twin-steer", 1)
	swept.Target = targets(swept.Vehicle)

	// A truck with its trailer: eight axles, one of them read on one side only.
	train := scene(t, "five-axle", 4)
	train.Vehicle.Name = "rescue crane with its counterweight trailer, which has a name that goes on"
	for i := range 3 {
		a := train.Vehicle.Axles[4]
		a.Position += 4 + 1.31*float64(i)
		a.Name = "trailer"
		train.Vehicle.Axles = append(train.Vehicle.Axles, a)
		for _, r := range train.Readings {
			if r.Axle == 5 && (i != 1 || r.Side == align.Left) {
				r.Axle = 6 + i
				if r.Unit == "deg" {
					r.Value *= 0.7 - 0.4*float64(i)
				}
				if r.Quantity == align.Wheelbase {
					r.Value = a.Position * 1e3
				}
				train.Readings = append(train.Readings, r)
			}
		}
	}
	train.Target, train.Visit = targets(train.Vehicle), told(train.Vehicle)

	// A tractor before its semi-trailer, read against the kingpin.
	pair := scene(t, "semi-trailer", 2)
	pair.Vehicle.Name = "tractor with box semi-trailer"
	pair.Vehicle.Axles = append([]rig.Axle{
		{Name: "steered", Position: -6.2, Track: 2.05, TyreDiameter: 1.01, Steered: true},
		{Name: "driven", Position: -2.6, Track: 1.85, TyreDiameter: 1.01, Driven: true},
	}, pair.Vehicle.Axles...)
	pair.Vehicle.Reference += 2
	for i := range pair.Readings {
		pair.Readings[i].Axle += 2
	}
	for axle, ahead := range []float64{4200, 600} {
		for _, r := range pair.Readings {
			if r.Axle == 4 {
				r.Axle = axle + 1
				if r.Quantity == align.Wheelbase {
					r.Value = -ahead
				}
				pair.Readings = append(pair.Readings, r)
			}
		}
	}
	pair.Target, pair.Visit = targets(pair.Vehicle), told(pair.Vehicle)

	long := whole(t)
	long.Vehicle.Name = strings.Repeat("yard truck of the long pier ", 8)
	long.Job = strings.Repeat("job-with-a-name-", 20)
	long.Visit.Fleet = strings.Repeat("0123456789", 12)
	long.Visit.Customer = "=HYPERLINK(\"x\") <b>Ferry & Sons</b> 渡船 " + strings.Repeat("partners and ", 9)
	long.Visit.Checks[0].Name = strings.Repeat("everything about the tyres ", 9)
	for i := range long.Vehicle.Axles {
		long.Vehicle.Axles[i].Name = strings.Repeat("axle with a long name ", 6)
	}
	long.Visit.Remarks = []string{strings.Repeat("A remark that goes on for a while. ", 30)}
	long.Warnings = []string{strings.Repeat("A warning that goes on for a while. ", 10)}

	// Limits that are as long as they get, beside two epochs.
	wide := whole(t)
	usualTarget := wide.Target
	wide.Target = func(r rig.Reading) *align.Target {
		if r.Quantity == align.Toe {
			return &align.Target{Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, Wish: 0.00075, Low: -0.00075, High: 0.00225}
		}
		return usualTarget(r)
	}

	bare := &record.Input{Vehicle: car.Vehicle, Readings: []rig.Reading{{Epoch: "as found", Quantity: align.Toe, Axle: 1, Side: align.Left, Value: 0.1, U: 0.01, Unit: "deg"}}}

	return []example{
		{"found", found, record.Options{}},
		{"found-spec", spec, record.Options{}},
		{"whole", whole(t), record.Options{}},
		{"whole-page", whole(t), record.Options{Style: record.OnePage}},
		{"whole-customer", whole(t), record.Options{Style: record.Customer}},
		{"wide", wide, record.Options{}},
		{"wide-page", wide, record.Options{Style: record.OnePage}},
		{"wide-minutes", wide, record.Options{Angles: record.Minutes, ToeDistance: true}},
		{"trailer", trailer, record.Options{}},
		{"trailer-page", trailer, record.Options{Style: record.OnePage}},
		{"five", five, record.Options{}},
		{"five-page", five, record.Options{Style: record.OnePage}},
		{"car-imperial", car, record.Options{Units: record.Imperial, Paper: "Letter", ToeDistance: true}},
		{"car-customer-imperial", car, record.Options{Units: record.Imperial, Paper: "Letter", Style: record.Customer}},
		{"swept-minutes", swept, record.Options{Angles: record.Minutes}},
		{"pair", pair, record.Options{}},
		{"pair-page", pair, record.Options{Style: record.OnePage}},
		{"train", train, record.Options{}},
		{"train-page", train, record.Options{Style: record.OnePage, Paper: "Letter"}},
		{"long", long, record.Options{Paper: "Letter"}},
		{"long-page", long, record.Options{Style: record.OnePage}},
		{"long-customer", long, record.Options{Style: record.Customer}},
		{"bare", bare, record.Options{}},
		{"bare-page", bare, record.Options{Style: record.OnePage}},
		{"bare-customer", bare, record.Options{Style: record.Customer}},
	}
}
