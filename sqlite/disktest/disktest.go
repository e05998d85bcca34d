// Package disktest lets a test see what a program does to its disk, and what would
// be left of it had the power gone at any moment. It is for tests only.
//
// Under starts the test again in a process into which a small C library is loaded
// before any other (testdata/recorder.c, compiled on the spot). Whatever SQLite does
// there to the files below one folder is recorded in order, and fails when told to.
// What Go code does to files does not pass through the C library: it is handed to
// Around. From the record, Images makes the disks that a loss of power could leave.
package disktest

import (
	_ "embed" // the library
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
)

//go:embed testdata/recorder.c
var library string

const (
	controlKey = "DISKTEST_CONTROL"
	traceKey   = "DISKTEST_TRACE"
)

// A Disk is what is known of the files below the watched folder.
type Disk struct {
	control *control
	trace   *os.File
	root    string
}

// control is the page shared with the library; its layout is that of the C struct.
type control struct {
	root                                                               [256]byte
	recording, ops, failAt, failCount, fault, kept, full, room, failed int64
}

// Under runs the calling test again with the library loaded, with the same flags,
// and returns nil once that has passed. In the second process it returns the disk.
func Under(t *testing.T) *Disk {
	t.Helper()
	if os.Getenv(controlKey) != "" {
		return attach(t)
	}
	folder := t.TempDir()
	shared, page, trace := filepath.Join(folder, "recorder.so"), filepath.Join(folder, "control"), filepath.Join(folder, "trace")
	source := filepath.Join(folder, "recorder.c")
	require.NoError(t, os.WriteFile(source, []byte(library), 0o600))
	out, err := exec.CommandContext(t.Context(), compiler(), "-shared", "-fPIC", "-O1", "-o", shared, source, "-ldl", "-lpthread").CombinedOutput()
	require.NoError(t, err, "cannot compile the recorder: %s", out)
	require.NoError(t, os.WriteFile(page, make([]byte, 4096), 0o600))
	require.NoError(t, os.WriteFile(trace, nil, 0o600))

	args := []string{"-test.run", "^" + strings.ReplaceAll(t.Name(), "/", "$/^") + "$", "-test.v"}
	flag.Visit(func(f *flag.Flag) {
		if !strings.HasPrefix(f.Name, "test.") || f.Name == "test.timeout" {
			args = append(args, "-"+f.Name+"="+f.Value.String())
		}
	})
	cmd := exec.CommandContext(t.Context(), "/proc/self/exe", args...)
	cmd.Env = append(os.Environ(), "LD_PRELOAD="+shared, controlKey+"="+page, traceKey+"="+trace)
	out, err = cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	t.Logf("%s", out)
	return nil
}

// compiler is the C compiler that Go uses too.
func compiler() string {
	if cc := os.Getenv("CC"); cc != "" {
		return cc
	}
	return "cc"
}

func attach(t *testing.T) *Disk {
	page, err := os.OpenFile(os.Getenv(controlKey), os.O_RDWR, 0)
	require.NoError(t, err)
	defer page.Close()
	shared, err := syscall.Mmap(int(page.Fd()), 0, 4096, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_SHARED)
	require.NoError(t, err)
	trace, err := os.OpenFile(os.Getenv(traceKey), os.O_RDWR|os.O_APPEND, 0)
	require.NoError(t, err)
	return &Disk{control: (*control)(unsafe.Pointer(&shared[0])), trace: trace}
}

// Watch makes folder the one whose files are watched, with nothing recorded, no
// fault and room without end.
func (d *Disk) Watch(folder string) {
	*d.control = control{}
	copy(d.control.root[:255], folder)
	d.root = folder
}

// Record drops what was recorded and begins anew.
func (d *Disk) Record() error {
	d.control.recording = 1
	return d.trace.Truncate(0)
}

// Stop ends recording.
func (d *Disk) Stop() { d.control.recording = 0 }

// Ops is how many operations there were since Watch.
func (d *Disk) Ops() int64 { return atomic.LoadInt64(&d.control.ops) }

// Failed is how many operations failed since Watch.
func (d *Disk) Failed() int64 { return atomic.LoadInt64(&d.control.failed) }

// A Fault says which operations fail, and how.
type Fault struct {
	At    int64 // how many operations from now the first one is; 1 is the next
	Count int64 // how many fail; -1: all until Heal
	Short bool  // a write writes half of it and says so; else: an input/output error
	Kept  bool  // it is done all the same, and only said to have failed
}

// Fail arms a fault.
func (d *Disk) Fail(f Fault) {
	c := d.control
	c.fault, c.kept, c.failCount = 1, 0, f.Count
	if f.Short {
		c.fault = 2
	}
	if f.Kept {
		c.kept = 1
	}
	c.failAt = c.ops + f.At
}

// Fill leaves room for so many bytes more.
func (d *Disk) Fill(room int64) { d.control.full, d.control.room = 1, room }

// Heal ends all faults and makes room.
func (d *Disk) Heal() { d.control.fault, d.control.failAt, d.control.full = 0, 0, 0 }

// A Kind is a kind of operation.
type Kind uint32

// The kinds of operations, as the library numbers them.
const (
	Create Kind = iota + 1
	Write
	Truncate
	Sync
	Unlink
	Rename     // Data is the new name
	SyncFolder // Path is a folder, "." the watched one
	Mark       // a note of the test; nothing happens
)

// What became of an operation.
const (
	done = iota
	kept // it was said to have failed
	lost // it failed; of a sync: what it should have made durable may never be
)

// An Op is one operation. Paths are below the watched folder.
type Op struct {
	Kind   Kind
	State  uint32
	Path   string
	Offset int64 // of a write; the size of a truncate
	Data   []byte
}

// Around does what Go code does to a file: it counts it, records it or lets it fail.
// path is whole; data is what is written, or the new name of a rename.
func (d *Disk) Around(kind Kind, path string, data []byte, do func() error) error {
	name, watched := strings.CutPrefix(path, d.root+"/")
	if path == d.root {
		name, watched = ".", true
	}
	if !watched {
		return do()
	}
	c := d.control
	n := atomic.AddInt64(&c.ops, 1)
	bad := c.fault == 1 && c.failAt > 0 && n >= c.failAt && (c.failCount < 0 || n < c.failAt+c.failCount)
	if c.full == 1 && !d.fits(kind, path, data) {
		c.failed++
		return &os.PathError{Op: "write", Path: path, Err: syscall.ENOSPC}
	}
	state := uint32(done)
	if bad {
		state = lost
		c.failed++
	}
	if !bad || c.kept == 1 {
		if err := do(); err != nil {
			return err
		}
		if bad {
			state = kept
		}
	}
	if kind == Rename {
		data = []byte(strings.TrimPrefix(string(data), d.root+"/"))
	}
	if err := d.record(Op{Kind: kind, State: state, Path: name, Data: data}); err != nil {
		return err
	}
	if bad {
		return &os.PathError{Op: "write", Path: path, Err: syscall.EIO}
	}
	return nil
}

// fits takes room for an operation and gives back what it frees.
func (d *Disk) fits(kind Kind, path string, data []byte) bool {
	c := d.control
	info, err := os.Stat(path)
	switch {
	case kind == Unlink && err == nil:
		c.room += info.Size()
	case kind == Create && err != nil && c.room <= 0:
		return false
	case kind == Write:
		if int64(len(data)) > c.room {
			return false
		}
		c.room -= int64(len(data))
	}
	return true
}

// Mark notes something between two operations.
func (d *Disk) Mark(text string) error { return d.record(Op{Kind: Mark, Data: []byte(text)}) }

// headSize is that of a record before the name and the data.
const headSize = 24

func (d *Disk) record(op Op) error {
	if d.control.recording == 0 {
		return nil
	}
	text := make([]byte, headSize, headSize+len(op.Path)+len(op.Data))
	binary.NativeEndian.PutUint32(text[0:], uint32(op.Kind))
	binary.NativeEndian.PutUint32(text[4:], op.State)
	binary.NativeEndian.PutUint64(text[8:], uint64(op.Offset))
	binary.NativeEndian.PutUint32(text[16:], uint32(len(op.Path)))
	binary.NativeEndian.PutUint32(text[20:], uint32(len(op.Data)))
	_, err := d.trace.Write(append(append(text, op.Path...), op.Data...))
	return err
}

// Recorded reads what was recorded.
func (d *Disk) Recorded() ([]Op, error) {
	info, err := d.trace.Stat()
	if err != nil {
		return nil, err
	}
	text := make([]byte, info.Size())
	if _, err := d.trace.ReadAt(text, 0); err != nil && len(text) > 0 {
		return nil, fmt.Errorf("cannot read the trace: %w", err)
	}
	var ops []Op
	for len(text) > 0 {
		if len(text) < headSize {
			return nil, errors.New("the trace ends within a record")
		}
		op := Op{Kind: Kind(binary.NativeEndian.Uint32(text)), State: binary.NativeEndian.Uint32(text[4:]),
			Offset: int64(binary.NativeEndian.Uint64(text[8:]))}
		name, data := int(binary.NativeEndian.Uint32(text[16:])), int(binary.NativeEndian.Uint32(text[20:]))
		if len(text) < headSize+name+data {
			return nil, errors.New("the trace ends within a record")
		}
		op.Path = string(text[headSize : headSize+name])
		op.Data = text[headSize+name : headSize+name+data]
		ops = append(ops, op)
		text = text[headSize+name+data:]
	}
	return ops, nil
}
