package cli

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// quantities are the readings of tables, in order within an axle. Their names are
// texts: [wording.Quantity].
var quantities = []align.Quantity{
	align.Camber,
	align.CrossCamber,
	align.Toe,
	align.TotalToe,
	align.AxleHeading,
	align.ThrustAngle,
	align.ScrubAngle,
	align.AxleOffset,
	align.Caster,
	align.CrossCaster,
	align.Kingpin,
	align.CrossKingpin,
	align.ScrubRadius,
	align.Trail,
	align.MaxSteer,
	align.SteerAngle,
	align.ToeOutOnTurns,
	align.SteerRatio,
	align.Wheelbase,
	align.Track,
	align.TravelDirection,
	align.TravelMinusThrust,
	align.RollingRadius,
	align.Runout,
}

// row is what a line of a table is about: a quantity, at a station where it
// differs from station to station.
type row struct {
	axle     int
	quantity align.Quantity
	name     string // for people
	station  string
	unit     string
}

// rowsOf lists the lines of an epoch, axle by axle from the front and in the
// order of quantities.
func rowsOf(readings []rig.Reading, epoch string) []row {
	axles := 0
	for _, x := range readings {
		axles = max(axles, x.Axle)
	}
	var out []row
	for axle := 1; axle <= axles; axle++ {
		for _, q := range quantities {
			seen := map[string]bool{}
			for _, x := range readings {
				if x.Epoch != epoch || x.Axle != axle || x.Quantity != q || seen[x.Station] {
					continue
				}
				seen[x.Station] = true
				r := row{axle: axle, quantity: q, name: nameOf(q), station: x.Station, unit: x.Unit}
				if r.station != "" {
					r.name += ", station " + r.station
				}
				if r.unit == "1" {
					r.unit = ""
				}
				out = append(out, r)
			}
		}
	}
	return out
}

func epochsOf(readings []rig.Reading) []string {
	var out []string
	for _, x := range readings {
		if !slices.Contains(out, x.Epoch) {
			out = append(out, x.Epoch)
		}
	}
	return out
}

func axleTitle(job *rig.Job, axle int) string {
	if axle <= len(job.Vehicle.Axles) && job.Vehicle.Axles[axle-1].Name != "" {
		return wording.Say("axle.named", "axle", axle, "name", job.Vehicle.Axles[axle-1].Name)
	}
	return wording.Say("axle.number", "axle", axle)
}

// byAxle is a table with a heading for each axle, all of one width.
func byAxle(job *rig.Job, rows []row, columns []column, cells func(row) [][]string) *table {
	t := newTable(append([]column{left("")}, columns...)...)
	axle := 0
	for _, r := range rows {
		if r.axle != axle {
			head := []string{axleTitle(job, r.axle)}
			for _, c := range columns {
				head = append(head, c.name)
			}
			if axle == 0 {
				t.columns[0].name = head[0]
			} else {
				t.row()
				t.row(head...)
			}
			axle = r.axle
		}
		for _, c := range cells(r) {
			t.row(append([]string{r.name}, c...)...)
		}
	}
	return t
}

// resultText is a table of the readings for each epoch.
func resultText(job *rig.Job, r *rig.Result) string {
	var b strings.Builder
	for _, epoch := range epochsOf(r.Readings) {
		columns := []column{right("left"), right("right"), right("axle"), left("unit")}
		t := byAxle(job, rowsOf(r.Readings, epoch), columns, func(row row) [][]string {
			cell := map[align.Side]string{}
			for _, x := range r.Readings {
				if x.Epoch == epoch && x.Axle == row.axle && x.Quantity == row.quantity && x.Station == row.station {
					cell[x.Side] = plusMinus(x)
				}
			}
			return [][]string{{cell[align.Left], cell[align.Right], cell[align.NoSide], row.unit}}
		})
		fmt.Fprintf(&b, "%s (± standard uncertainty, k = 1)\n\n%s\n", epoch, t)
	}
	b.WriteString(networkText(r.Network))
	if !r.Network.RunoutRemoved {
		b.WriteString("runout is not compensated\n")
	}
	return b.String()
}

// compareText is resultText with the truth beside each reading.
func compareText(job *rig.Job, result, truth *rig.Result) string {
	var b strings.Builder
	worst := 0.0
	c := compare(result, truth)
	for _, epoch := range epochsOf(result.Readings) {
		columns := []column{left("side"), right("measured"), right("u"), right("truth"), right("error"), right("error/u"), left("unit")}
		t := byAxle(job, rowsOf(result.Readings, epoch), columns, func(row row) (lines [][]string) {
			for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
				for _, x := range c.Readings {
					if x.Epoch != epoch || x.Axle != row.axle || x.Quantity != row.quantity || x.Station != row.station || x.Side != side {
						continue
					}
					d := digits(x.U, x.Unit)
					lines = append(lines, []string{string(side), wording.Decimal(x.Value, d), wording.Decimal(x.U, d), wording.Decimal(x.Truth, d), wording.Decimal(x.Error, d), wording.Decimal(x.Normalised, 1), row.unit})
					worst = math.Max(worst, math.Abs(x.Normalised))
				}
			}
			return lines
		})
		fmt.Fprintf(&b, "%s (u: standard uncertainty, k = 1)\n\n%s\n", epoch, t)
	}
	return b.String() + networkText(result.Network) +
		fmt.Sprintf("\nlargest error: %.1f of its own standard uncertainties, of %d readings\n", worst, len(c.Readings))
}

// networkText tells how well it all fits, and how far the vehicle went.
func networkText(n *rig.Network) string {
	text := fmt.Sprintf("%d photos, %d boards seen, %d corners (%d left out), residual %.3f px, chi-square %.2f per degree of freedom\n",
		n.Photos, n.Views, n.Corners, n.Rejected, n.RMSPx, n.VarianceFactor)
	if n.Codec != nil {
		text += fmt.Sprintf("the films' codec draws whole boards off by %.3f px, each its own way (standard deviation): allowed for\n", n.Codec.ShiftPx)
	}
	if len(n.Stations) < 2 {
		return text
	}
	t := newTable(left("station"), left("epoch"), right("photos"), right("rolled mm"), right("wheels turned deg"))
	for _, s := range n.Stations {
		t.row(s.Name, s.Epoch, fmt.Sprint(s.Photos), wording.Decimal(s.RolledMM, 0), wording.Decimal(s.TurnDeg, 1))
	}
	return text + "\n" + t.String()
}

// plusMinus writes a value and its standard uncertainty, both to the
// uncertainty's second digit (GUM, JCGM 100:2008, 7.2.6).
func plusMinus(x rig.Reading) string {
	d := digits(x.U, x.Unit)
	return wording.Decimal(x.Value, d) + " ± " + wording.Decimal(x.U, d)
}

// digits is how many decimals a value of this standard uncertainty gets: two
// digits of u, but no finer than anyone reads a table. The files have them all.
func digits(u float64, unit string) int {
	most := 4
	if unit == "mm" {
		most = 2
	}
	if !(u > 0) {
		return most
	}
	return min(most, twoDigits(u))
}

// twoDigits is how many decimals show the first two digits of u, above zero.
func twoDigits(u float64) int { return max(0, 1-int(math.Floor(math.Log10(u)+1e-9))) }
