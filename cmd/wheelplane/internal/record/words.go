package record

import (
	"fmt"
	"math"
	"strings"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
)

const inch = 0.0254

// asDistance tells whether a line's angle is written as a distance.
func (t *telling) asDistance(q quantity, axle int) bool {
	return t.ToeDistance && q.toe && t.reference(axle) > 0
}

// scale takes a line's numbers (rad, m, 1) to what is written, with the unit
// and how many decimals. Minutes are written from degrees.
func (t *telling) scale(q quantity, axle int) (k float64, unit string, decimals int) {
	length := q.IsLength()
	switch {
	case q.Quantity == align.SteerRatio:
		return 1, "", 3
	case t.asDistance(q, axle):
		// Toe over the wheel is D·sin(toe), to 1e-5 of itself D·toe for toe
		// below half a degree.
		k, length = t.reference(axle), true
	case !length:
		return 1 / degree, "°", t.degDecimals
	default:
		k = 1
	}
	if t.Units == Imperial {
		decimals = 2
		if q.toe {
			decimals = 3
		}
		return k / inch, "in", decimals
	}
	decimals = 1
	if q.toe {
		decimals = 2
	}
	return k * 1e3, "mm", decimals
}

// number writes a value of a line, without its unit.
func (t *telling) number(l *line, v float64) string {
	k, unit, decimals := t.scale(l.quantity, l.axle)
	if unit == "°" && t.Angles == Minutes {
		return minutes(v * k)
	}
	return decimal(v*k, decimals)
}

// unit of a line's numbers; minutes carry their own.
func (t *telling) unit(l *line) string {
	_, unit, _ := t.scale(l.quantity, l.axle)
	if unit == "°" && t.Angles == Minutes {
		return ""
	}
	return unit
}

// withUnit is number with its unit.
func (t *telling) withUnit(l *line, v float64) string {
	u := t.unit(l)
	if u != "" && u != "°" {
		u = "\u00a0" + u
	}
	return t.number(l, v) + u
}

// expanded writes the expanded uncertainty U = 2 u, and never as nought.
func (t *telling) expanded(l *line, u float64) string {
	if !(u > 0) {
		return ""
	}
	k, unit, decimals := t.scale(l.quantity, l.axle)
	least := math.Pow(10, -float64(decimals))
	if unit == "°" && t.Angles == Minutes {
		return minutes(math.Max(2*u*k, 0.1/60))
	}
	return decimal(math.Max(2*u*k, least), decimals)
}

// limits writes a target's wish and limits, "0.10" and "0.00 … 0.25", with no
// more decimals than they need.
func (t *telling) limits(l *line) (wish, limits string) {
	if l.target == nil {
		return "", ""
	}
	k, unit, most := t.scale(l.quantity, l.axle)
	values := []float64{l.target.Wish * k, l.target.Low * k, l.target.High * k}
	decimals := 0
	for _, v := range values {
		for d := decimals; d < most && !math.IsInf(v, 0); d++ {
			if ten := math.Pow(10, float64(d)); math.Abs(v*ten-math.Round(v*ten)) < 1e-6*ten {
				break
			}
			decimals = d + 1
		}
	}
	write := func(v float64) string {
		if unit == "°" && t.Angles == Minutes {
			return minutes(v)
		}
		return decimal(v, decimals)
	}
	wish = write(values[0])
	switch {
	case math.IsInf(l.target.Low, 0):
		return wish, "up to " + write(values[2])
	case math.IsInf(l.target.High, 0):
		return wish, "from " + write(values[1])
	}
	return wish, write(values[1]) + " … " + write(values[2])
}

// decimal writes a number with a true minus sign, and never -0.
func decimal(v float64, decimals int) string {
	return strings.Replace(wording.Decimal(v, decimals), "-", "−", 1)
}

// minutes writes degrees as degrees and minutes, to a tenth of a minute.
func minutes(deg float64) string {
	tenths := int(math.Round(math.Abs(deg) * 600))
	sign := ""
	if deg < 0 && tenths > 0 {
		sign = "−"
	}
	return fmt.Sprintf("%s%d°%02d.%d′", sign, tenths/600, tenths/10%60, tenths%10)
}

// title is a line's name in a table.
func (l *line) title() string { return upper(l.name) }

// whose is what stands beside the name: the side, and where a reading was taken
// that differs from station to station.
func (l *line) whose() string {
	if l.station == "" {
		return string(l.side)
	}
	return strings.TrimPrefix(string(l.side)+", at "+l.station, ", ")
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// way says what the sign of a line's value means: "to the left".
func (l *line) way(v float64) string {
	switch {
	case !l.leans || v == 0:
		return ""
	case v > 0:
		return "to the left"
	}
	return "to the right"
}

// probability writes how sure it is that a reading conforms. Neither 0 nor 1 is
// ever certain.
func probability(p float64) string {
	switch {
	case p > 0.999:
		return "> 99.9 %"
	case p < 0.001:
		return "< 0.1 %"
	}
	return fmt.Sprintf("%.1f %%", 100*p)
}

// slipPer writes metres per kilometre as such, or as feet per mile.
func (t *telling) slipPer(v float64) string {
	if t.Units == Imperial {
		return decimal(v/1e3*align.FeetPerMile, 1) + " ft per mile"
	}
	return decimal(v, 2) + " m per km"
}

// The texts that go with every record. Common practice in workshops, no
// source; they defer to who knows the vehicle.
var (
	cautions = []string{
		"Chock the wheels and apply the brakes whenever the vehicle is to stand still. Never rely on a jack: use stands rated for the load, on firm ground.",
		"Turn plates are locked while the vehicle rolls on or off them.",
		"After adjusting, tighten every fastener to the vehicle maker's torque, with new parts where the maker asks for them, and test on the road with care.",
		"The vehicle maker's manual and target values, local codes and, where the law asks for it, a licensed workshop come before this record.",
		"Alignment does not stand in for an inspection: worn bearings, joints, bushes and tyres are put right first.",
	}
	plainCautions = []string{
		"Have the wheel fasteners and whatever was adjusted checked again as the vehicle maker says.",
		"If the vehicle pulls to a side or the steering wheel stands askew, stop using it and have it looked at.",
		"The vehicle maker's manual, local codes and a licensed workshop come before this paper.",
	}
)

func (t *telling) method() []string {
	s := []string{
		"Boards with printed patterns were clamped to the wheels and photographed from all around, with boards on the floor. One least-squares adjustment over all photographs gives each wheel's spin axis and centre, and from these every reading with its uncertainty.",
	}
	if n := t.Network; n != nil {
		if n.RunoutRemoved {
			s = append(s, "The vehicle was rolled or its wheels turned between photographs, so that how the boards were clamped is compensated.")
		} else {
			s = append(s, "The wheels were not turned between photographs: how the boards were clamped is not compensated, which the uncertainties take into account.")
		}
	}
	line := "Angles are read against the centreline through the midpoints of the first and the reference axle"
	if t.Kingpin {
		line = "Angles are read against the centreline through the kingpin and the midpoint of the reference axle"
	} else if t.Vehicle.Reference == 1 {
		line = "Angles are read against the centreline through the midpoints of the first and the last axle"
	}
	s = append(s, line+fmt.Sprintf(" (%s). Camber is positive where the top of the wheel leans outward, toe where the wheels point inward; headings, thrust, scrub and offset are positive to the left.", t.axleName(t.Vehicle.Reference)))
	s = append(s, "± is the expanded uncertainty, k = 2: about 95 of 100 such intervals hold the true value (JCGM 100).")
	if t.judged {
		if t.Rule.Guard > 0 {
			s = append(s, fmt.Sprintf("Within and outside are said only beyond a guard band of %s U around each limit, otherwise undecided (JCGM 106).", decimal(t.Rule.Guard, 2)))
		} else {
			sure := t.Rule.Confidence
			if sure == 0 {
				sure = 0.95
			}
			s = append(s, fmt.Sprintf("Within or outside is said where it holds with a probability of %s %% or more, otherwise undecided (JCGM 106).", decimal(100*sure, 0)))
		}
	}
	return s
}
