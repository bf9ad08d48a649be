package cli

import (
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"github.com/spf13/cobra"
)

type stationOptions struct {
	dir           string
	stop          rig.NewStation
	moved, lifted []string
	steerDeg      float64
}

func newStationCommand(app *App) *cobra.Command {
	var o stationOptions
	c := &cobra.Command{
		Use:   "station DIR [NAME]",
		Short: "Add a station to a job: after a roll, a lift, a steer or an adjustment",
		Long: `station adds a station to the end of DIR/job.yaml, with the boards hanging as they
hang at the one before, and says what to do and photograph there. Comments in
job.yaml stay. Without NAME it gets the next number.

After an adjustment name the epoch it begins, and the axles that moved: the wheel
axes of the others are taken for unchanged, which is what makes a few photographs
enough.`,
		Example: `  wheelplane station bay-3
  wheelplane station bay-3 --epoch "as left" --moved 3,1:left
  wheelplane station bay-3 lock-left --steer 20
  wheelplane station bay-3 --lifted 1`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return fmt.Errorf("%s needs DIR", c.CommandPath())
			}
			return atMost(2)(c, args)
		},
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) (err error) {
			o.dir = args[0]
			if len(args) == 2 {
				o.stop.Name = args[1]
			}
			if o.stop.Sweep = c.Flags().Changed("steer"); o.stop.Sweep && !(math.Abs(o.steerDeg) >= 2 && math.Abs(o.steerDeg) <= 60) {
				return Usagef("--steer %g: give 2 to 60 degrees, to the right with a minus sign", o.steerDeg)
			}
			o.stop.Steer = o.steerDeg * math.Pi / 180
			return app.editing(c.Context(), o.dir, func() error { return app.station(o) })
		},
	}
	f := c.Flags()
	f.StringVar(&o.stop.Epoch, "epoch", "", "the epoch it belongs to (default that of the station before)")
	f.StringSliceVar(&o.moved, "moved", nil, "of a new epoch: the axles, or wheels like 1:left, that were adjusted (default: all may have moved)")
	f.StringSliceVar(&o.lifted, "lifted", nil, "axles, or wheels like 1:left, that are off the ground")
	f.Float64Var(&o.steerDeg, "steer", 0, "steered by about so many degrees, to the left; brakes held")
	return c
}

// wheelList reads 3,1:left.
func wheelList(option string, list []string) (out []rig.Wheel, err error) {
	for _, text := range list {
		number, side, one := strings.Cut(strings.TrimSpace(text), ":")
		axle, err := strconv.Atoi(number)
		if err != nil || axle < 1 || one && side != "left" && side != "right" {
			return nil, Usagef("--%s %s: write axles by number, or wheels like 1:left", option, text)
		}
		if one {
			out = append(out, rig.Wheel{Axle: axle, Side: align.Side(side)})
		} else {
			out = append(out, rig.Wheel{Axle: axle, Side: align.Left}, rig.Wheel{Axle: axle, Side: align.Right})
		}
	}
	return out, nil
}

func (a *App) station(o stationOptions) (err error) {
	if o.stop.Moved, err = wheelList("moved", o.moved); err != nil {
		return err
	}
	if o.stop.Lifted, err = wheelList("lifted", o.lifted); err != nil {
		return err
	}
	text, err := rig.AddStation(o.dir, o.stop)
	if err != nil {
		return BadInput(err)
	}
	err = writeFile(filepath.Join(o.dir, rig.JobFile), these(text))
	if err != nil {
		return err
	}
	return a.next(nextOptions{dir: o.dir})
}
