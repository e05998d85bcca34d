package card

import (
	"fmt"

	"rsc.io/qr"
)

// quiet is the white border that ISO/IEC 18004 asks for around a symbol, in modules.
const quiet = 4

// seal draws a text as a QR code. The middle level of correction lets a fold or a
// smudge pass.
func seal(text string) (*figure, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return nil, fmt.Errorf("cannot draw the checkpoint as a code: %w", err)
	}
	size := float64(code.Size + 2*quiet)
	f := &figure{width: size, height: size}
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			run := 0
			for code.Black(x+run, y) { // beyond its edge it is white
				run++
			}
			if run > 0 {
				f.rect(filled(0), float64(x+quiet), float64(y+quiet), float64(run), 1)
			}
			x += run
		}
	}
	return f, nil
}
