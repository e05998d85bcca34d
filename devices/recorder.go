package devices

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"shimwright/session"
)

// A Recorder writes what is heard of one instrument into captures in a folder. When
// a file is full the next begins; beyond a number of files the oldest of the
// instrument is removed, and the next file says so. It is not safe for concurrent use.
type Recorder struct {
	Dir     string
	Profile session.Profile
	From    string // where: bench, run, software
	Limit   int64  // bytes of a file; 4 MiB if 0
	Keep    int    // files of the instrument in the folder; 8 if 0

	file    *os.File
	to      *bufio.Writer
	written int64
	began   time.Duration
	before  string // the file before
	remarks []string
}

const (
	recordLimit = 4 << 20
	recordKeep  = 8
)

// Record writes one thing that was heard. Readings and frames are left out: they
// follow from the bytes. What could not be recorded is stated in the file.
func (r *Recorder) Record(h Heard) error {
	event, remark, ok := eventOf(h)
	if h.Lost > 0 {
		r.remarks = append(r.remarks, fmt.Sprintf("# not recorded: %d things before this line, because the disk was slower than the line", h.Lost))
	}
	if remark != "" {
		r.remarks = append(r.remarks, remark)
	}
	if !ok && (remark == "" || r.file == nil) {
		return nil
	}
	if r.file == nil || r.written >= r.limit() {
		if err := r.begin(h); err != nil {
			return err
		}
	}
	if remark := strings.Join(r.remarks, "\n"); remark != "" {
		if err := r.line(remark); err != nil {
			return err
		}
		r.remarks = nil
	}
	if !ok {
		return nil
	}
	event.At = h.Mono - r.began
	return r.line(event.String())
}

// eventOf is what a capture says of a thing that was heard: an event, or a remark.
func eventOf(h Heard) (e CaptureEvent, remark string, ok bool) {
	switch {
	case h.Bytes != nil && h.Unread:
		return CaptureEvent{Do: Unread, Bytes: h.Bytes}, "", true
	case h.Bytes != nil:
		return CaptureEvent{Do: Sent, Bytes: h.Bytes}, "", true
	case h.Take:
		return CaptureEvent{Do: Asked}, "", true
	case h.Gather != "":
		e, err := gatherEvent(h.Gather)
		return e, "", err == nil
	case h.Port != nil && h.Port.State == session.PortLost:
		return CaptureEvent{Do: WasLost}, "# port: lost: " + h.Port.Detail, true
	case h.Port != nil:
		return e, strings.TrimSpace("# port: " + string(h.Port.State) + " " + h.Port.Detail), false
	}
	return e, "", false
}

func (r *Recorder) limit() int64 {
	if r.Limit > 0 {
		return r.Limit
	}
	return recordLimit
}

func (r *Recorder) keep() int {
	if r.Keep > 0 {
		return r.Keep
	}
	return recordKeep
}

func (r *Recorder) line(text string) error {
	n, err := r.to.WriteString(text + "\n")
	r.written += int64(n)
	if err != nil {
		return fmt.Errorf("cannot write capture %q: %w", r.file.Name(), err)
	}
	return nil
}

// begin ends the file and opens the next.
func (r *Recorder) begin(h Heard) error {
	if err := r.Close(); err != nil {
		return err
	}
	removed, err := r.makeRoom()
	if err != nil {
		return err
	}
	file, err := r.create(h.At)
	if err != nil {
		return fmt.Errorf("cannot begin a capture: %w", err)
	}
	r.file, r.to, r.written, r.began = file, bufio.NewWriter(file), 0, h.Mono
	full, err := json.Marshal(r.Profile)
	if err != nil {
		return fmt.Errorf("cannot write a profile: %w", err)
	}
	header := []string{
		"# what: recorded from " + r.Profile.Name + ", a " + string(r.Profile.Kind),
		"# from: " + r.From,
		fmt.Sprintf("# begun: %s, %d ms after the run began", h.At.UTC().Format(time.RFC3339Nano), h.Mono.Milliseconds()),
		"# port: " + r.Profile.Port,
		"# settings: " + settings(r.Profile.Line),
		"# profile: " + r.Profile.Name,
		"# profile in full: " + string(full),
		fmt.Sprintf("# limit: %d bytes a file, %d files of this instrument; then the oldest is removed", r.limit(), r.keep()),
	}
	if r.before != "" {
		header = append(header, "# continues: "+r.before)
	}
	for _, name := range removed {
		header = append(header, "# removed: "+name)
	}
	r.before = filepath.Base(file.Name())
	return r.line(strings.Join(header, "\n"))
}

// settings writes the settings of a line in words.
func settings(l session.Line) string {
	set := session.Line{Baud: 9600, DataBits: 8, Parity: "none", StopBits: "1"}
	if l.Baud != 0 {
		set.Baud = l.Baud
	}
	if l.DataBits != 0 {
		set.DataBits = l.DataBits
	}
	if l.Parity != "" {
		set.Parity = l.Parity
	}
	if l.StopBits != "" {
		set.StopBits = l.StopBits
	}
	return fmt.Sprintf("%d baud, %d data bits, parity %s, stop bits %s", set.Baud, set.DataBits, set.Parity, set.StopBits)
}

// create makes a file that is not there yet, named by instrument and time.
func (r *Recorder) create(at time.Time) (*os.File, error) {
	for n := range 1000 {
		name := fmt.Sprintf("%s.%s-%03d.capture", r.Profile.Name, at.UTC().Format("20060102T150405Z"), n)
		file, err := os.OpenFile(filepath.Join(r.Dir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if !errors.Is(err, fs.ErrExist) {
			return file, err
		}
	}
	return nil, errors.New("there are a thousand captures of one second already")
}

// makeRoom removes the oldest captures of the instrument beyond the limit.
func (r *Recorder) makeRoom() (removed []string, err error) {
	files, err := filepath.Glob(filepath.Join(r.Dir, r.Profile.Name+".*.capture"))
	if err != nil {
		return nil, fmt.Errorf("cannot look for older captures: %w", err)
	}
	slices.Sort(files)
	for ; len(files) >= r.keep(); files = files[1:] {
		if err := os.Remove(files[0]); err != nil {
			return removed, fmt.Errorf("cannot remove an old capture: %w", err)
		}
		removed = append(removed, filepath.Base(files[0]))
	}
	return removed, nil
}

// Flush brings to the file what was recorded.
func (r *Recorder) Flush() error {
	if r.file == nil {
		return nil
	}
	if err := r.to.Flush(); err != nil {
		return fmt.Errorf("cannot write capture %q: %w", r.file.Name(), err)
	}
	return nil
}

// Close ends the file. Recording may go on in the next.
func (r *Recorder) Close() error {
	if r.file == nil {
		return nil
	}
	err := r.Flush()
	if closed := r.file.Close(); err == nil && closed != nil {
		err = fmt.Errorf("cannot close capture %q: %w", r.file.Name(), closed)
	}
	r.file, r.to = nil, nil
	return err
}
