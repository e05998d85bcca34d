// Package history says what closed jobs teach: how well repeats agreed beside what the
// profiles state, how well what was measured directly agreed with what was expected, and
// at which steps more presses were needed.
//
// It reads nothing but entries: a [Fold] is given those of a log in their order and keeps,
// of each job that ends, the few sums that the [Report] is made of. Jobs that are open are
// left out, and the report names them. The same entries give the same report.
//
// Only lengths are looked at: a torque or a temperature is not the same from one press to
// the next.
package history
