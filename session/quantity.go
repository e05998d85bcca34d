package session

import (
	"bytes"
	"fmt"
)

// A value leaves with its unit in the key. In memory it is one field whatever its
// quantity, which is that of the instrument; its key in an entry is made here. Of a
// length the text is what the encoder wrote.

// unitKeys are the keys of a body whose unit is that of its quantity.
func unitKeys() []string { return []string{"value", "resolution", "repeatability"} }

// encodeBody writes a body with its values' units in their keys.
func encodeBody(b Body) ([]byte, error) {
	text, err := marshal(b)
	if err != nil {
		return nil, err
	}
	q := OfLength
	switch x := b.(type) {
	case ReadingTaken:
		q = x.Kind.Quantity()
	case StepClosed:
		q = x.Quantity
	}
	if q == "" || q == OfLength {
		return text, nil
	}
	return rekey(text, OfLength, q), nil
}

// rekey gives the keys with a unit another one. A quotation mark within a text is
// escaped, so that what looks like a key is one.
func rekey(text []byte, from, to Quantity) []byte {
	for _, key := range unitKeys() {
		text = bytes.ReplaceAll(text, unitKey(key, from), unitKey(key, to))
	}
	return text
}

func unitKey(key string, q Quantity) []byte { return []byte(`"` + key + "_" + q.Key() + `":`) }

// lengthKeys gives keys of any quantity those of a length, and says which it was.
func lengthKeys(text []byte) ([]byte, Quantity) {
	for _, q := range []Quantity{OfTorque, OfTemperature} {
		if bytes.Contains(text, unitKey("value", q)) {
			return rekey(text, q, OfLength), q
		}
	}
	return text, OfLength
}

func decodeReading(text []byte) (Body, error) {
	plain, q := lengthKeys(text)
	b, err := bodyOf[ReadingTaken](plain)
	if err != nil {
		return nil, err
	}
	if r, ok := b.(ReadingTaken); ok && r.Kind.Quantity() != q {
		return nil, fmt.Errorf("a %s gives no value_%s", r.Kind, q.Key())
	}
	return b, nil
}

func decodeStepClosed(text []byte) (Body, error) {
	plain, q := lengthKeys(text)
	var b StepClosed
	if err := decodeStrictly(plain, &b); err != nil {
		return nil, err
	}
	if q != OfLength {
		b.Quantity = q
	}
	return b, nil
}

// amount is the one of three values that is there, and its quantity; nil if none is.
func amount(length, torque, temperature *Number) (*Number, Quantity) {
	switch {
	case torque != nil:
		return torque, OfTorque
	case temperature != nil:
		return temperature, OfTemperature
	}
	return length, OfLength
}

// put places a value where its quantity belongs.
func put(q Quantity, n *Number, length, torque, temperature **Number) {
	switch q {
	case OfTorque:
		*torque = n
	case OfTemperature:
		*temperature = n
	default:
		*length = n
	}
}
