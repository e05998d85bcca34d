// Package plans holds the example plans, for the demo and for tests.
package plans

import "embed"

// Files are the plans in this folder.
//
//go:embed *.toml shared/*.toml
var Files embed.FS
