package sqlite

import (
	"bytes"
	"errors"
	"maps"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/session"
)

// An examination is a log being verified: first everything is read and worked out,
// then judged.
type examination struct {
	options  VerifyOptions
	evidence evidence
	report   Report

	keys     note.Verifiers
	stored   []attested // the log's own checkpoints
	outside  []attested
	wanted   []int64             // sizes at which the root is wanted, rising
	roots    map[int64]tlog.Hash // by size, worked out
	nodes    []byte              // the stored hashes, one after another
	hashed   int64               // entries that have stored hashes
	leaves   []tlog.Hash         // worked out, by place from 0
	seqs     []int64             // the column, by place; nil while it counts from 1
	unlike   int64               // the first stored hash that is not the one worked out; -1 if none
	contents []Damage            // found in single entries
	open     map[string]bool     // jobs begun and not ended
	closing  int64               // the last entry that closes a step or a job
	folding  bool
	trusted  int64 // entries 1 to trusted are as a believed key signed them
	repairs  int   // hashes that may still be tried to find out what an entry was
}

// An attested is a checkpoint with what its signature is worth.
type attested struct {
	signed
	name   string // of one from outside
	beside bool
	checkpoint
	err error
}

func (x *examination) add(d Damage) {
	if len(x.report.Damage) < listed {
		x.report.Damage = append(x.report.Damage, d)
		return
	}
	x.report.More++
}

// readSignatures reads all checkpoints and checks their signatures.
func (x *examination) readSignatures() error {
	stored, err := x.evidence.checkpoints()
	if err != nil {
		return err
	}
	if err := x.believe(stored); err != nil {
		return err
	}
	x.stored = make([]attested, len(stored))
	for i, s := range stored {
		x.stored[i].signed = s
	}
	for _, o := range x.options.Outside {
		x.outside = append(x.outside, attested{signed: signed{text: o.Text}, name: o.Name, beside: o.Beside})
	}
	x.report.Checkpoints = len(stored)
	for _, a := range slices.Concat(pointers(x.stored), pointers(x.outside)) {
		a.checkpoint, a.err = unsignedCheckpoint(a.text)
		x.wanted = append(x.wanted, a.checkpoint.size)
	}
	slices.Sort(x.wanted)
	x.wanted = slices.Compact(x.wanted)
	return nil
}

// checkSignatures checks the signatures of all checkpoints; if quick, of the log's
// own only the last of each key, since all that it covers is covered.
func (x *examination) checkSignatures() {
	all := slices.Concat(pointers(x.outside), pointers(x.stored))
	if x.options.Quick {
		last := map[string]*attested{}
		for _, a := range pointers(x.stored) {
			last[a.public] = a
			if !slices.Contains(x.report.Keys, a.public) {
				a.err = errOtherKey
			}
		}
		all = slices.Concat(pointers(x.outside), slices.Collect(maps.Values(last)))
	}
	eachOf(len(all), func(i int) {
		a := all[i]
		if c, err := openCheckpoint(a.text, x.keys); errors.Is(err, errOtherKey) {
			a.err = err // what it says stays of interest
		} else {
			a.checkpoint, a.err = c, err
		}
	})
}

func pointers(list []attested) []*attested {
	all := make([]*attested, len(list))
	for i := range list {
		all[i] = &list[i]
	}
	return all
}

// eachOf does n things on all processors.
func eachOf(n int, do func(i int)) {
	workers := min(runtime.GOMAXPROCS(0), n)
	var all sync.WaitGroup
	for w := range workers {
		all.Go(func() {
			for i := w; i < n; i += workers {
				do(i)
			}
		})
	}
	all.Wait()
}

// believe takes the keys that were given, else those that the log names.
func (x *examination) believe(stored []signed) error {
	keys := slices.Clone(x.options.Keys)
	x.report.KeysGiven = len(keys) > 0
	if len(keys) == 0 {
		for _, s := range stored {
			if !slices.Contains(keys, s.public) {
				keys = append(keys, s.public)
			}
		}
	}
	var verifiers []note.Verifier
	for _, k := range keys {
		v, err := note.NewVerifier(k)
		switch {
		case err == nil:
			verifiers = append(verifiers, v)
			x.report.Keys = append(x.report.Keys, k)
		case x.report.KeysGiven:
			return errors.New("the key that was given is not a verifier key; copy it whole, as logctl status shows it")
		}
	}
	x.keys = note.VerifierList(verifiers...)
	return nil
}

// readHashes reads the stored hashes as far as they follow one another.
func (x *examination) readHashes() error {
	pieces, err := x.evidence.pieces()
	if err != nil {
		return err
	}
	size := 0
	for _, p := range pieces {
		size += len(p.nodes)
	}
	x.nodes = make([]byte, 0, size)
	for _, p := range pieces {
		if p.start != int64(len(x.nodes))/tlog.HashSize {
			break
		}
		x.nodes = append(x.nodes, p.nodes...)
	}
	for tlog.StoredHashCount(x.hashed+1) <= int64(len(x.nodes))/tlog.HashSize {
		// Doubling first keeps this short for a long log.
		step := int64(1)
		for tlog.StoredHashCount(x.hashed+2*step) <= int64(len(x.nodes))/tlog.HashSize {
			step *= 2
		}
		x.hashed += step
	}
	x.leaves = make([]tlog.Hash, 0, x.hashed)
	return nil
}

// storedNode is a stored hash by its index; false if there is none.
func (x *examination) storedNode(index int64) (h tlog.Hash, ok bool) {
	if (index+1)*tlog.HashSize > int64(len(x.nodes)) {
		return tlog.Hash{}, false
	}
	copy(h[:], x.nodes[index*tlog.HashSize:])
	return h, true
}

// storedLeaf is the stored hash of the entry at a place from 0.
func (x *examination) storedLeaf(place int64) tlog.Hash {
	h, _ := x.storedNode(tlog.StoredHashIndex(0, place))
	return h
}

// blockRows is how many rows are worked on at a time.
const blockRows = 256

// A block is some rows on their way through: read by one goroutine, worked on by
// any, taken in order by one.
type block struct {
	rows    []row
	leaves  []tlog.Hash
	entries []session.Entry // decoded; nil if quick
	faults  []Damage
	done    chan struct{}
}

// readEntries reads every entry, hashes it and looks into it.
func (x *examination) readEntries() error {
	all, err := x.evidence.count()
	if err != nil {
		return err
	}
	x.roots, x.open, x.unlike = map[int64]tlog.Hash{}, map[string]bool{}, -1
	x.folding = x.options.Fold != nil && !x.options.Quick
	ready := make(chan *block, 8)
	var failed error
	go func() {
		defer close(ready)
		failed = x.readBlocks(ready)
	}()
	var signatures sync.WaitGroup
	signatures.Go(x.checkSignatures)
	defer signatures.Wait()
	var t tree
	x.want(&t)
	for b := range ready {
		<-b.done
		x.take(b, &t)
		if x.options.Progress != nil {
			x.options.Progress(t.size, max(all, t.size))
		}
	}
	x.report.Entries = t.size
	if failed != nil {
		x.contents = append(x.contents, Damage{Change: Unreadable, First: t.size + 1, Last: max(all, t.size+1), Detail: failed.Error()})
	}
	return nil
}

// readBlocks reads the rows and has them worked on.
func (x *examination) readBlocks(ready chan<- *block) error {
	work := make(chan *block, 8)
	defer close(work)
	for range runtime.GOMAXPROCS(0) {
		go func() {
			for b := range work {
				x.work(b)
				close(b.done)
			}
		}()
	}
	b := &block{done: make(chan struct{})}
	send := func() {
		if len(b.rows) > 0 {
			work <- b
			ready <- b
			b = &block{done: make(chan struct{}), rows: make([]row, 0, blockRows)}
		}
	}
	err := x.evidence.rows(leastSeq, mostSeq, func(r row) error {
		b.rows = append(b.rows, r)
		if len(b.rows) == blockRows {
			send()
		}
		return nil
	})
	send()
	return err
}

// work does what needs no other block.
func (x *examination) work(b *block) {
	b.leaves = make([]tlog.Hash, len(b.rows))
	for i, r := range b.rows {
		b.leaves[i] = tlog.RecordHash(r.body)
		if d, ok := columns(r); !ok {
			b.faults = append(b.faults, d)
		}
	}
	if x.options.Quick {
		return
	}
	b.entries = make([]session.Entry, len(b.rows))
	for i, r := range b.rows {
		e, err := session.DecodeEntry(r.body)
		if err == nil {
			var again []byte
			if again, err = e.Encode(); err == nil && !bytes.Equal(again, r.body) {
				err = errors.New("its bytes are not as this program writes them")
			}
		}
		b.entries[i] = e
		if err != nil {
			b.faults = append(b.faults, Damage{Change: Form, First: r.seq, Last: r.seq, Detail: err.Error()})
		}
	}
}

// take takes a block in its turn.
func (x *examination) take(b *block, t *tree) {
	x.contents = append(x.contents, b.faults...)
	var nodes []tlog.Hash
	for i, r := range b.rows {
		if r.seq != t.size+1 && x.seqs == nil {
			x.seqs = make([]int64, t.size)
			for i := range x.seqs {
				x.seqs[i] = int64(i) + 1
			}
		}
		if x.seqs != nil {
			x.seqs = append(x.seqs, r.seq)
		}
		x.leaves = append(x.leaves, b.leaves[i])
		at := tlog.StoredHashIndex(0, t.size)
		nodes = t.add(b.leaves[i], nodes[:0])
		x.compare(at, nodes)
		x.want(t)
		x.note(r, t.size)
		if x.folding {
			x.fold(b.entries[i], r.seq)
		}
	}
}

// compare finds the first stored hash that differs.
func (x *examination) compare(at int64, nodes []tlog.Hash) {
	for i := range nodes {
		if x.unlike >= 0 {
			return
		}
		if h, ok := x.storedNode(at + int64(i)); ok && h != nodes[i] {
			x.unlike = at + int64(i)
		}
	}
}

// want keeps the root where a checkpoint needs it.
func (x *examination) want(t *tree) {
	for len(x.wanted) > 0 && x.wanted[0] < t.size {
		x.wanted = x.wanted[1:]
	}
	if len(x.wanted) > 0 && x.wanted[0] == t.size {
		x.roots[t.size] = t.root()
	}
}

// note follows what is derived from the entries.
func (x *examination) note(r row, place int64) {
	switch r.kind {
	case "begin", "reopen":
		x.open[r.job] = true
	case "end":
		delete(x.open, r.job)
		x.closing = place
	case "step closed":
		x.closing = place
	}
}

// fold lets an entry follow those before, until one cannot.
func (x *examination) fold(e session.Entry, seq int64) {
	err := errors.New("it cannot be read")
	if e.Body != nil {
		err = x.options.Fold(e)
	}
	if err != nil {
		x.folding = false
		x.contents = append(x.contents, Damage{Change: Unfit, First: seq, Last: seq, Detail: err.Error()})
	}
}

// columns compares what stands beside an entry with what it says.
func columns(r row) (Damage, bool) {
	if saysSo(r) {
		return Damage{}, true
	}
	h, ok := readHeader(r.body)
	if !ok {
		return Damage{Change: Form, First: r.seq, Last: r.seq, Detail: "its bytes are not as this program writes them"}, false
	}
	d := Damage{Change: Column, First: r.seq, Last: r.seq}
	switch {
	case h.seq != r.seq:
		d.Field, d.Was, d.Is = "seq", decimal(h.seq), decimal(r.seq)
	case h.run != r.run:
		d.Field, d.Was, d.Is = "run", decimal(h.run), decimal(r.run)
	case string(h.job) != r.job:
		d.Field, d.Was, d.Is = "job", string(h.job), r.job
	case string(h.kind) != r.kind:
		d.Field, d.Was, d.Is = "kind", string(h.kind), r.kind
	default:
		return Damage{}, true
	}
	return d, false
}

// saysSo says quickly whether an entry, written as this program does, says what stands
// beside it. Where it cannot tell, readHeader can.
func saysSo(r row) bool {
	const escapes = "\"\\"
	if strings.ContainsAny(r.job, escapes) || strings.ContainsAny(r.kind, escapes) {
		return false
	}
	var start [64]byte
	b := strconv.AppendInt(append(start[:0], `{"seq":`...), r.seq, 10)
	b = append(strconv.AppendInt(append(b, `,"run":`...), r.run, 10), `,"at":"`...)
	rest, ok := bytes.CutPrefix(r.body, b)
	const at, mono = "2006-01-02T15:04:05.000000000Z", `","mono_ns":`
	if !ok || len(rest) < len(at) || bytes.IndexByte(rest[:len(at)], '"') >= 0 {
		return false
	}
	s := scanner{rest: rest[len(at):]}
	s.want(mono)
	s.digits()
	if r.job != "" {
		s.want(`,"job":"`)
		s.want(r.job)
		s.want(`"`)
	}
	if s.take(`,"operator":`) {
		s.text()
	}
	s.take(`,"operator_proved":true`)
	s.want(`,"door":`)
	s.text()
	s.want(`,"kind":"`)
	s.want(r.kind)
	s.want(`","body":`)
	return !s.bad
}
