package calc

import "flag"

// oracleSets is how many random sets the oracles work out, more by hand or at night:
// go test ./calc -run Big -args -oracle-sets 100000
var oracleSets = flag.Int("oracle-sets", 2000, "random sets for each high-precision oracle")
