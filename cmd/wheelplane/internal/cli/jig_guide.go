package cli

import (
	"fmt"
	"math"
	"strings"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/wording"
)

// jigGuideText tells how to build a jig; its numbers are those of jig.Budgets.
func jigGuideText() string {
	var b strings.Builder
	list := jig.Budgets()
	bar, beam, square, tape, wire := list[0], list[1], list[2], list[3], list[4]
	para := func(text string) { b.WriteString(fold("", text) + "\n") }
	item := func(text string) { b.WriteString(fold("- ", text)) }
	worth := func(x jig.Budget) string {
		return fmt.Sprintf("%s %s", wording.Decimal(x.U(), digits(x.U()/2, x.Unit)), x.Unit)
	}
	const base = 2.7 // m between the axles
	// A middle is good to u / √2, the line between two of them to u over their distance.
	worthDeg := func(x jig.Budget) string {
		return wording.Decimal(math.Atan(x.U()/1e3/base)*180/math.Pi, 4) + " deg"
	}
	budget := func(x jig.Budget) {
		t := newTable(left(x.Name), right("limit"), left(""), left("shape"), right("u, "+x.Unit))
		d := digits(x.U()/2, x.Unit) + 1
		for _, i := range x.Inputs {
			t.row("  "+i.Name, fmt.Sprintf("%.3g", i.Limit), i.Unit, string(i.Shape), wording.Decimal(i.U(), d))
		}
		t.row("  all together: U = 2 u", "", "", "", wording.Decimal(x.U(), d))
		b.WriteString(t.String() + "\n")
	}

	b.WriteString("A jig to prove the measurement by\n\n")
	para("A jig is a rigid frame with a flat disc in place of each wheel, two axles or more, whose planes are known by other means, better than what is to be proved. It is photographed, rolled and measured exactly as a vehicle is; then 'wheelplane jig jig.yaml JOB...' compares. Measure it five times or more, boards taken off and clamped anew each time: one measurement shows errors, repeats show bias and spread.")
	para(fmt.Sprintf("How good must it be? Common practice, no source: its expanded uncertainty at most a quarter of what is claimed, so that guard bands leave room. For a claim of 0.05 degrees the sine bar below (U = %s) has room to spare, beam and feeler gauges (toe: U = %s) just do, camber by a square on a floor (U = %s) does not.", worth(bar), worth(beam), worth(square)))

	b.WriteString("The frame\n\n")
	item("Two cross beams on a longitudinal one, of square steel tube, 100 mm or more deep, welded and then stress-relieved or left alone for some weeks. It must not twist while it rolls, for hundredths of a degree count: look with a dial indicator from a second beam while it is pushed.")
	item("Discs of 500 to 650 mm, ground or turned on one face, on preloaded taper bearings: no play, wobble at the rim below 0.02 mm. The disc's rim is the tyre: it rolls on the floor. Clamp the boards to them as to wheels.")
	item("Each disc's spindle on a plate that can be set and pinned: a few tenths of a degree of camber and toe, different at every disc. A jig with all planes at nought proves nothing of signs.")
	item("Keep it out of the sun and off a warm floor for some hours before: the bending by warmth between its faces is a line of every budget. Note its temperature.")
	item("The frame is heavy and rolls: two people, wheels chocked, nobody before or behind it, nothing under it; lift it with slings rated for it. The makers' manuals of tools and lifting gear come first.")
	b.WriteString("\nBy surface plate, sine bar and angle blocks\n\n")
	item("Set the cross beam with its two discs on a surface plate on three supports; its own bottom is the datum. An angle plate carries a dial indicator down the disc.")
	item("Camber: set the sine bar with gauge blocks, sine of the angle times 200 mm, until the indicator, led along the bar's face and then along the disc's, stands still. Small whole angles are set with angle blocks instead; they count as the gauge blocks do.")
	item("Toe: the same with the sine bar on its side, against the ground edge of the beam.")
	item("Turn the disc by 180 degrees and read again: the mean is the spin axis, half the difference the wobble.")
	b.WriteString("\n")
	budget(bar)
	b.WriteString("By straight beam and feeler gauges\n\n")
	item("Toe: lay a straight beam (a surveyor's or plasterer's, its straightness checked against a taut wire or its own reverse) along the discs of one side, 1 mm clear of both on distance pieces; measure the gaps at front and rear of each disc with feeler gauges, 500 mm apart. Toe is their difference over 500 mm. The beam's own direction to the centreline comes from its distance to the middle of both axles.")
	item("Camber: a machinist's square of 500 mm upright on a levelled plate or floor; gaps at the disc's top and bottom.")
	item("Turn the disc by 180 degrees and take the mean, as above.")
	b.WriteString("\n")
	budget(beam)
	budget(square)
	b.WriteString("Places of the discs' centres\n\n")
	para(fmt.Sprintf("Toe of a single wheel is against the line through the middles of both axles. With axles %g m apart, each centre known to %s by tape, that line is good to %s; by a stretched wire, %s, to %s. Total toe, camber and scrub do not hang on it.",
		base, worth(tape), worthDeg(tape), worth(wire), worthDeg(wire)))
	budget(tape)
	budget(wire)
	para("Limits are half widths; rectangular ones are divided by the root of 3, U-shaped ones by the root of 2 (GUM, JCGM 100:2008, 4.3; JCGM 101:2008, 6.4). The lines are independent and add by squares. They are those of usual workshop tools (common practice, no source): put your own tools' certificates in their place, and read the plane three times or more, for the spread of these readings is one more line. Write the result into jig.yaml (wheelplane jig --help) with date, temperature and k = 2, and have somebody else read a disc or two.")
	para("To try it without a jig: 'wheelplane demo /tmp/jig --scene jig' draws one with its jig.yaml and measures it; then 'wheelplane jig /tmp/jig/jig.yaml /tmp/jig'.")
	return strings.TrimRight(b.String(), "\n") + "\n"
}
