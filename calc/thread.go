package calc

import (
	"strconv"
	"strings"
)

// coarse are the pitches of the coarse series of metric threads by nominal diameter, in
// mm (ISO 261).
func coarse(diameter string) (pitch float64, ok bool) {
	switch diameter {
	case "3":
		return 0.5, true
	case "4":
		return 0.7, true
	case "5":
		return 0.8, true
	case "6", "7":
		return 1, true
	case "8", "9":
		return 1.25, true
	case "10", "11":
		return 1.5, true
	case "12":
		return 1.75, true
	case "14", "16":
		return 2, true
	case "18", "20", "22":
		return 2.5, true
	case "24", "27":
		return 3, true
	case "30", "33":
		return 3.5, true
	case "36", "39":
		return 4, true
	}
	return 0, false
}

// ParseThread reads a metric thread: M6 has the coarse pitch, M8x1 the pitch that it
// names. Diameter and pitch are in mm. The error is a *FieldError: no metric thread, no
// coarse pitch known, a pitch that is none.
func ParseThread(text string) (diameter, pitch float64, err error) {
	const want = "write M6, or M8x1 with its pitch"
	name, named, fine := strings.Cut(strings.ReplaceAll(text, "×", "x"), "x")
	d, metric := strings.CutPrefix(name, "M")
	diameter, wrong := strconv.ParseFloat(d, 64)
	if !metric || wrong != nil || !(diameter >= 1 && diameter <= 64) {
		return 0, 0, refuse("thread", "is %q; %s", text, want)
	}
	if fine {
		pitch, wrong = strconv.ParseFloat(named, 64)
		if wrong != nil || !(pitch >= 0.2 && pitch <= diameter/2) {
			return 0, 0, refuse("thread", "is %q, with no pitch that such a thread has; %s", text, want)
		}
		return diameter, pitch, nil
	}
	pitch, known := coarse(d)
	if !known {
		return 0, 0, refuse("thread", "is %q, whose coarse pitch is not known; name it, as M8x1", text)
	}
	return diameter, pitch, nil
}

// ProofStress is the stress under proof load in N/mm² of a property class of steel
// screws at a nominal diameter in mm (ISO 898-1, table 3; from memory). The error is a
// *FieldError: a class that is none of 4.6 to 12.9.
func ProofStress(class string, diameter float64) (float64, error) {
	switch class {
	case "4.6":
		return 225, nil
	case "4.8":
		return 310, nil
	case "5.6":
		return 280, nil
	case "5.8":
		return 380, nil
	case "6.8":
		return 440, nil
	case "8.8":
		if diameter > 16 {
			return 600, nil
		}
		return 580, nil
	case "9.8":
		return 650, nil
	case "10.9":
		return 830, nil
	case "12.9":
		return 970, nil
	}
	return 0, refuse("class", "is %q; it must be 4.6, 4.8, 5.6, 5.8, 6.8, 8.8, 9.8, 10.9 or 12.9", class)
}
