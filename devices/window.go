package devices

import "github.com/shopspring/decimal"

// A Window keeps the latest values of a stream in mm, at most 8192 of them: at 50
// frames a second nearly three minutes. Its zero value is empty. It is not safe for
// concurrent use.
type Window struct {
	values []decimal.Decimal
	from   int // where the oldest is, once it is full
	lost   int // values that fell out at the old end
}

// windowSize bounds a window.
const windowSize = 8192

// Add takes the next value of the stream.
func (w *Window) Add(mm decimal.Decimal) {
	if len(w.values) < windowSize {
		w.values = append(w.values, mm)
		return
	}
	w.values[w.from] = mm
	w.from = (w.from + 1) % windowSize
	w.lost++
}

// Values returns the raw window, the oldest first, and how many values came before it.
func (w *Window) Values() (values []decimal.Decimal, lost int) {
	values = append(make([]decimal.Decimal, 0, len(w.values)), w.values[w.from:]...)
	return append(values, w.values[:w.from]...), w.lost
}
