// Package wording writes numbers and counts as people read them, the same in
// tables, sentences and on paper.
package wording

import (
	"fmt"
	"math"
	"strings"
)

// Decimal writes v with so many decimals, and never as -0.
func Decimal(v float64, decimals int) string {
	if math.Abs(v) < 0.5*math.Pow(10, -float64(decimals)) {
		v = 0
	}
	return fmt.Sprintf("%.*f", decimals, v)
}

// Count is "1 photo", "2 photos"; "1 entry", "2 entries".
func Count(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	if stem, ok := strings.CutSuffix(one, "ry"); ok {
		one = stem + "rie"
	}
	return fmt.Sprintf("%d %ss", n, one)
}
