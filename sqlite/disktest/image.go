package disktest

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
)

// sector is what a disk writes whole or not at all.
const sector = 512

// A Platter is a disk on its way through a record of operations: what is durable, and
// what only the machine knows. The zero value is not used; see NewPlatter.
type Platter struct {
	names   map[string]*file // durable
	current map[string]*file // as the machine sees them
	pending []naming         // done to names and not synchronised
	files   []*file          // all that were ever named
}

// A file is the content of a file, whatever its name.
type file struct {
	durable []byte
	pending []change // not synchronised, or lost in a failed synchronisation
}

// A change is a write or, without data, a truncation to size.
type change struct {
	offset int64
	data   []byte
	size   int64 // of a truncation; -1 of a write
	lost   bool  // no later synchronisation makes it durable
}

// A naming gives a file a name or, without a file, takes it away.
type naming struct {
	name string
	file *file
}

// NewPlatter begins with files that are all durable, by name.
func NewPlatter(files map[string][]byte) *Platter {
	p := &Platter{names: map[string]*file{}, current: map[string]*file{}}
	for name, content := range files {
		f := &file{durable: slices.Clone(content)}
		p.names[name], p.current[name] = f, f
		p.files = append(p.files, f)
	}
	return p
}

// ReadFolder reads the files of a folder, for NewPlatter.
func ReadFolder(folder string) (map[string][]byte, error) {
	entries, err := os.ReadDir(folder)
	files := map[string][]byte{}
	for _, e := range entries {
		if err == nil && e.Type().IsRegular() {
			files[e.Name()], err = os.ReadFile(filepath.Join(folder, e.Name()))
		}
	}
	return files, err
}

// Do lets an operation happen.
func (p *Platter) Do(op Op) error {
	if op.State == lost && op.Kind != Sync {
		return nil
	}
	f := p.current[op.Path]
	if f == nil && (op.Kind == Write || op.Kind == Truncate || op.Kind == Sync || op.Kind == Rename) {
		return fmt.Errorf("the record has an operation on %q, which is not there", op.Path)
	}
	switch op.Kind {
	case Create:
		f = &file{}
		p.files = append(p.files, f)
		p.name(op.Path, f)
	case Write:
		f.pending = append(f.pending, change{offset: op.Offset, data: op.Data, size: -1})
	case Truncate:
		f.pending = append(f.pending, change{size: op.Offset})
	case Sync:
		f.sync(op.State == lost)
	case Unlink:
		p.name(op.Path, nil)
	case Rename:
		p.name(string(op.Data), f)
		p.name(op.Path, nil)
	case SyncFolder:
		for _, n := range p.pending {
			give(p.names, n)
		}
		p.pending = nil
	}
	return nil
}

func (p *Platter) name(name string, f *file) {
	n := naming{name, f}
	give(p.current, n)
	p.pending = append(p.pending, n)
}

func give(names map[string]*file, n naming) {
	if n.file == nil {
		delete(names, n.name)
		return
	}
	names[n.name] = n.file
}

// sync makes changes durable; a failed one marks them as lost: the machine takes them
// for written and does not write them again.
func (f *file) sync(failed bool) {
	if failed {
		for i := range f.pending {
			f.pending[i].lost = true
		}
		return
	}
	var left []change
	for _, c := range f.pending {
		if c.lost {
			left = append(left, c)
			continue
		}
		f.durable = c.apply(f.durable)
		left = slices.DeleteFunc(left, func(old change) bool { return c.covers(old) })
	}
	f.pending = left
}

// covers says that after c nothing of an older change is to be seen.
func (c change) covers(old change) bool {
	if c.size >= 0 {
		return old.size >= 0 || old.offset >= c.size
	}
	return old.size < 0 && old.offset >= c.offset && old.offset+int64(len(old.data)) <= c.offset+int64(len(c.data))
}

func (c change) apply(content []byte) []byte {
	if c.size >= 0 {
		return resize(content, c.size)
	}
	if end := c.offset + int64(len(c.data)); end > int64(len(content)) {
		content = resize(content, end)
	}
	copy(content[c.offset:], c.data)
	return content
}

func resize(content []byte, size int64) []byte {
	if size <= int64(len(content)) {
		return content[:size]
	}
	return append(content, make([]byte, size-int64(len(content)))...)
}

// A Loss is a way in which unsynchronised changes are lost.
type Loss int

// The ways.
const (
	Dropped   Loss = iota // all of them
	None                  // none, as when only the process dies
	Prefix                // after a random moment; what was written at that moment is torn
	Reordered             // any of them, each whole
	Torn                  // any sectors of any of them
	NamesOnly             // the contents, and names are kept
	DataOnly              // the names, and contents are kept
	Losses                // how many ways there are
)

// String names it, for messages.
func (l Loss) String() string {
	return [...]string{"dropped", "none lost", "prefix", "reordered", "torn", "names only", "data only"}[l]
}

// Image is what the disk holds if the power goes now: files by name.
func (p *Platter) Image(way Loss, random *rand.Rand) map[string][]byte {
	names := maps.Clone(p.names)
	for _, n := range p.pending {
		if keeps(way, NamesOnly, random) {
			give(names, n)
		} else if way == Prefix {
			break
		}
	}
	image := map[string][]byte{}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		image[name] = names[name].image(way, random)
	}
	return image
}

// keeps says whether one change is kept. only is the way that keeps all of its kind.
func keeps(way, only Loss, random *rand.Rand) bool {
	switch way {
	case Dropped:
		return false
	case None:
		return true
	case Prefix:
		return random.IntN(4) > 0
	case NamesOnly, DataOnly:
		return way == only
	}
	return random.IntN(2) == 0
}

func (f *file) image(way Loss, random *rand.Rand) []byte {
	content := slices.Clone(f.durable)
	for i, c := range f.pending {
		switch {
		case way == Torn, way == Prefix && (i == len(f.pending)-1 || random.IntN(4) == 0):
			content = c.torn(content, random)
			if way == Prefix {
				return content
			}
		case way == Prefix || keeps(way, DataOnly, random):
			content = c.apply(content)
		}
	}
	return content
}

// torn applies some sectors of a change. A sector that was added to the file and not
// written holds zeros or anything.
func (c change) torn(content []byte, random *rand.Rand) []byte {
	if c.size >= 0 {
		if random.IntN(2) == 0 {
			return c.apply(content)
		}
		return content
	}
	for from := c.offset; from < c.offset+int64(len(c.data)); {
		to := min((from/sector+1)*sector, c.offset+int64(len(c.data)))
		switch part := c.data[from-c.offset : to-c.offset]; {
		case random.IntN(2) == 0:
			content = change{offset: from, data: part, size: -1}.apply(content)
		case to > int64(len(content)) && random.IntN(4) == 0:
			content = change{offset: from, data: junk(len(part), random), size: -1}.apply(content)
		}
		from = to
	}
	return content
}

func junk(n int, random *rand.Rand) []byte {
	text := make([]byte, n)
	for i := range text {
		text[i] = byte(random.Uint32())
	}
	return text
}

// Unsynchronised says whether anything would be lost if the power went now.
func (p *Platter) Unsynchronised() bool {
	return len(p.pending) > 0 || slices.ContainsFunc(p.files, func(f *file) bool { return len(f.pending) > 0 })
}

// WriteFolder writes an image into an empty folder.
func WriteFolder(folder string, image map[string][]byte) error {
	for name, content := range image {
		if err := os.WriteFile(filepath.Join(folder, name), content, 0o600); err != nil {
			return err
		}
	}
	return nil
}
