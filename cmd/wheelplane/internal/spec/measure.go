package spec

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// amount is a number with its unit, as a person writes it.
type amount struct {
	text  string
	value float64 // rad, m, or a slope (1) where kind says so
	kind  kind
}

type kind int

const (
	angle  kind = iota // rad
	length             // m
	slope              // m/m: a length over a base of one metre
)

var units = []struct {
	names []string
	kind  kind
	in    float64
}{
	{[]string{"deg", "degree", "degrees", "°"}, angle, math.Pi / 180},
	{[]string{"min", "minute", "minutes", "'", "′"}, angle, math.Pi / 180 / 60},
	{[]string{"mm"}, length, 1e-3},
	{[]string{"in", "inch", "inches", "\""}, length, 0.0254},
	{[]string{"m"}, length, 1},
	{[]string{"mm/m"}, slope, 1e-3},
}

const unitList = "deg, min, mm, in or mm/m"

// number is 1.5, 1/16 or 1 1/16, with or without a sign.
const number = `(?:\d+ \d+/\d+|\d+/\d+|\d+(?:\.\d*)?|\.\d+)`

var (
	// plainAmount is one number and one unit.
	plainAmount = regexp.MustCompile(`^([+\-−]?)\s*(` + number + `)\s*(.*)$`)

	// degreesMinutes is an angle in degrees and minutes.
	degreesMinutes = regexp.MustCompile(`^([+\-−]?)\s*(\d+)\s*(?:deg|°)\s*(\d+(?:\.\d*)?)\s*(?:min|'|′)$`)
)

// parseAmount reads an amount such as "0.08 deg", "-0 deg 30 min", "1/16 in",
// "1.5 mm" or "1.5 mm/m". Zero needs a unit too: a missing unit is an error.
func parseAmount(text string) (amount, error) {
	a := amount{text: strings.TrimSpace(text)}
	if m := degreesMinutes.FindStringSubmatch(a.text); m != nil {
		deg, err := strconv.ParseFloat(m[2], 64)
		minutes, err2 := strconv.ParseFloat(m[3], 64)
		if err := errors.Join(err, err2); err != nil {
			return a, fmt.Errorf("%q is not a number of degrees and minutes", text)
		}
		if minutes >= 60 {
			return a, fmt.Errorf("%q has 60 minutes or more: count them as degrees", text)
		}
		a.value = sign(m[1]) * (deg + minutes/60) * math.Pi / 180
		return a, nil
	}
	m := plainAmount.FindStringSubmatch(a.text)
	if m == nil {
		return a, fmt.Errorf("%q is not a number with a unit, like \"0.08 deg\", \"0 deg 5 min\", \"1/16 in\" or \"1.5 mm\"", text)
	}
	v, err := fraction(m[2])
	if err != nil {
		return a, fmt.Errorf("%q: %w", text, err)
	}
	unit := strings.TrimSpace(m[3])
	if unit == "" {
		return a, fmt.Errorf("%q has no unit: write %s behind it", text, unitList)
	}
	for _, u := range units {
		for _, n := range u.names {
			if unit == n {
				a.value, a.kind = sign(m[1])*v*u.in, u.kind
				return a, nil
			}
		}
	}
	return a, fmt.Errorf("%q has a unit that is not known: use %s", text, unitList)
}

func sign(s string) float64 {
	if s == "-" || s == "−" {
		return -1
	}
	return 1
}

// fraction reads 1.5, 1/16 or 1 1/16.
func fraction(s string) (float64, error) {
	whole, rest, mixed := strings.Cut(s, " ")
	if !mixed {
		whole, rest = "", s
	}
	v := 0.0
	if whole != "" {
		w, err := strconv.ParseFloat(whole, 64)
		if err != nil {
			return 0, errors.New("not a number")
		}
		v = w
	}
	above, below, isFraction := strings.Cut(rest, "/")
	a, err := strconv.ParseFloat(above, 64)
	if err != nil || math.IsInf(a, 0) {
		return 0, errors.New("not a number")
	}
	if isFraction {
		b, err := strconv.ParseFloat(below, 64)
		if err != nil || b == 0 {
			return 0, errors.New("not a fraction")
		}
		a /= b
	}
	return v + a, nil
}
