package wording

// A Language writes for one reader.
type Language struct{}

// English is the language that the sentences of this package are written in.
var English = &Language{}
