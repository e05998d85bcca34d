// Package export writes a job for other programs: the entries of the log as they
// are stored, the readings as a table, and the results of the measurement.
//
// Each form has a JSON Schema (2020-12) in testdata/schema: entry.json for a line of
// Entries, reading.json for a row of Readings with the names of the columns as keys,
// results.json for Results. The package does no arithmetic and no I/O but the writing.
package export
