// Package session is the domain: what a bench measures, how each reading is
// ruled, and what follows from it.
//
// A Plan says what to measure. Readings and Commands enter Bench.Run, the one
// goroutine that owns State. Each is ruled and turned into Entries; the entries
// are on disk before anyone sees what they change; State.Apply folds them. The
// log alone therefore reproduces every number that was ever shown.
//
// The package does no I/O of its own. The log and the clock are given to it.
package session
