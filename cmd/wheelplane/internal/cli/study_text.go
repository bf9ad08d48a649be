package cli

import (
	"fmt"
	"strings"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/proof"
	"wheelplane/cmd/wheelplane/internal/wording"
)

// studyText tells one study whole, several as a table.
func studyText(s *studies) string {
	if len(s.Studies) == 1 {
		return oneStudyText(s.Studies[0])
	}
	first := s.Studies[0]
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s; parts by %s, operators by %s\n", s.Title, proof.SizeText(first.Study), s.Parts, s.By)
	fmt.Fprintf(&b, "standard deviations; %% of %g of them; intervals of %s\n\n", first.Sigmas, percentOf(first.Confidence))
	columns := []column{left("reading"), left("unit"), right("repeat"), right("operators"), right("gauge"), right("from"), right("to"), right("stated u"), right("parts"), right("% study"), right("from"), right("to"), right("% tol"), right("categories"), left("interaction")}
	t := newTable(columns...)
	for _, x := range s.Studies {
		gauge, parts := x.Component(jig.Gauge), x.Component(jig.Part)
		d := twoDigits(gauge.SD)
		operators := "-"
		if c := x.Component(jig.Reproducibility); c != nil {
			operators = wording.Decimal(c.SD, d)
		}
		tolerance := "-"
		if x.Tolerance > 0 {
			tolerance = wording.Decimal(gauge.PctTolerance, 1)
		}
		kept := "pooled"
		if x.Kept {
			kept = "kept"
		}
		t.row(x.Name, x.Unit, wording.Decimal(x.Component(jig.Repeatability).SD, d), operators, wording.Decimal(gauge.SD, d), wording.Decimal(gauge.SDInterval.Low, d), wording.Decimal(gauge.SDInterval.High, d),
			wording.Decimal(x.StatedU, d), wording.Decimal(parts.SD, d), wording.Decimal(gauge.PctStudy, 1), wording.Decimal(x.PctStudyInterval.Low, 1), wording.Decimal(x.PctStudyInterval.High, 1), tolerance, fmt.Sprint(x.Categories), kept)
	}
	b.WriteString(t.String())
	b.WriteString("\n" + fold("", proof.ScaleText+" One reading whole: --reading \""+first.Name+"\"."))
	return b.String()
}

// percentOf writes a probability such as 0.95 as 95 %.
func percentOf(p float64) string { return fmt.Sprintf("%g %%", 100*p) }

func oneStudyText(x proof.Study) string {
	var b strings.Builder
	unit := x.Unit
	if unit == "" {
		unit = "unit not stated"
	}
	fmt.Fprintf(&b, "%s, %s: %s, mean %s\n", x.Name, unit, proof.SizeText(x.Study), wording.Decimal(x.Mean, twoDigits(x.Component(jig.Total).SD)+2))
	if x.Unequal != "" {
		b.WriteString(fold("", "Unequal cells ("+x.Unequal+"): analysis of variance of unweighted means, trials at their harmonic mean."))
	}
	if x.Full != nil {
		fmt.Fprintf(&b, "\nanalysis of variance, with interaction\n%s", anovaTable(x.Full))
	}
	fmt.Fprintf(&b, "\nanalysis of variance, without interaction\n%s\n%s\n", anovaTable(x.Pooled), x.Why)
	fmt.Fprintf(&b, "\ncomponents (intervals of %s)\n%s", percentOf(x.Confidence), componentTable(x.Components, x.Study))
	fmt.Fprintf(&b, "\ndistinct categories: %d (%s, %s to %s)\ngauge, percent of the study variation: %s (%s to %s)\n", x.Categories,
		wording.Decimal(x.CategoriesExact, 2), wording.Decimal(x.CategoriesInterval.Low, 2), wording.Decimal(x.CategoriesInterval.High, 2),
		wording.Decimal(x.Component(jig.Gauge).PctStudy, 2), wording.Decimal(x.PctStudyInterval.Low, 1), wording.Decimal(x.PctStudyInterval.High, 1))
	if gauge := x.Component(jig.Gauge); x.Tolerance > 0 {
		k := 100 * x.Sigmas / x.Tolerance
		fmt.Fprintf(&b, "gauge, percent of the tolerance: %s (%s to %s)\n", wording.Decimal(gauge.PctTolerance, 2), wording.Decimal(k*gauge.SDInterval.Low, 1), wording.Decimal(k*gauge.SDInterval.High, 1))
	}
	if x.StatedU > 0 {
		fmt.Fprintf(&b, "the measurements state a standard uncertainty of %s\n", wording.Decimal(x.StatedU, twoDigits(x.StatedU)))
	}
	if r := x.Range; r != nil {
		d := twoDigits(r.RangeMean) + 2
		t := newTable(left("average and range"), right("mean"), right("mean range"))
		for i, o := range x.Operators {
			t.row(o, wording.Decimal(r.OperatorMeans[i], d), wording.Decimal(r.RangeMeans[i], d))
		}
		fmt.Fprintf(&b, "\n%s\nmean range %s, limit %s (D4 %s); operators differ by %s, parts by %s; K1 %s, K2 %s, K3 %s\n%s", t,
			wording.Decimal(r.RangeMean, d), wording.Decimal(r.Limit, d), wording.Decimal(r.D4, 3), wording.Decimal(r.Difference, d), wording.Decimal(r.PartRange, d), wording.Decimal(r.K1, 4), wording.Decimal(r.K2, 4), wording.Decimal(r.K3, 4),
			componentTable(r.Components, x.Study))
		fmt.Fprintf(&b, "distinct categories: %d (%s)\n", r.Categories, wording.Decimal(r.CategoriesExact, 2))
		for _, y := range r.Beyond {
			fmt.Fprintf(&b, "beyond the limit of ranges: part %s by %s, %s\n", y.Part, y.Operator, wording.Decimal(y.Range, d))
		}
	} else {
		fmt.Fprintf(&b, "\nno average and range: %s\n", x.NoRange)
	}
	b.WriteString("\n" + fold("", proof.ScaleText))
	return b.String()
}

func anovaTable(lines []jig.Line) string {
	t := newTable(left("source"), right("df"), right("SS"), right("MS"), right("F"), right("p"))
	for _, l := range lines {
		cells := proof.AnovaCells(l)
		t.row(cells[:]...)
	}
	return t.String()
}

func componentTable(list []jig.Component, s *jig.Study) string {
	heads, rows := proof.ComponentTable(list, s)
	columns := []column{left(heads[0])}
	for _, h := range heads[1:] {
		columns = append(columns, right(h))
	}
	t := newTable(columns...)
	for _, r := range rows {
		t.row(r...)
	}
	return t.String()
}
