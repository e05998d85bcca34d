package main

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/sqlite"
)

// defaultBench is the bench of a daemon without a configuration.
const defaultBench = "bench-1"

// review opens the log for reading, with the daemon on or off: --log, else the one
// that a daemon without a configuration keeps.
func (a *app) review() (*sqlite.Reader, error) {
	path := a.log
	if path == "" {
		path = sqlite.PathOf(sqlite.DefaultFolder(a.env), defaultBench)
	}
	r, err := sqlite.OpenForReview(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && a.log == "":
		return nil, fail(exitNotFound, "there is no log at %s; name it with --log FILE%s", path, beside(path))
	case errors.Is(err, fs.ErrNotExist):
		return nil, fail(exitNotFound, "there is no log at %s; name the file that the daemon writes, which ends in .log.db", path)
	case err != nil:
		return nil, unusable(err)
	}
	return r, nil
}

// unusable is the failure of a log that is there and cannot be read. The store says
// what to do where it can.
func unusable(err error) *failure {
	sentence := err.Error()
	if !strings.Contains(sentence, ";") {
		sentence += "; see with logctl verify what is wrong with the log"
	}
	return &failure{exit: exitFailed, sentence: sentence, cause: err}
}

// beside names the other logs in the folder of a log that is not there.
func beside(path string) string {
	others, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*.log.db"))
	if err != nil || len(others) == 0 {
		return ""
	}
	text := "; in that folder there is "
	for i, other := range others {
		if i > 0 {
			text += " and "
		}
		text += filepath.Base(other)
	}
	return text
}

// reviewed opens the log, lets use read it, and closes it.
func (a *app) reviewed(use func(*sqlite.Reader) error) error {
	r, err := a.review()
	if err != nil {
		return err
	}
	err = use(r)
	var said *failure
	if err != nil && !errors.As(err, &said) && a.page.err == nil {
		err = unusable(err)
	}
	return errors.Join(err, r.Close())
}

// errEnough ends the reading of a log early.
var errEnough = errors.New("enough was read")

// entries yields those from first to last. One that is missing between them is an
// error: the daemon leaves no gap.
func entries(r *sqlite.Reader, first, last int64, yield func(session.Entry) error) error {
	next := first
	err := r.Entries(first, func(e session.Entry) error {
		switch {
		case next > last:
			return errEnough
		case e.Seq != next:
			return fmt.Errorf("entry %d is missing, so somebody changed the log", next)
		}
		next++
		return yield(e)
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

// fold gives the state that the daemon had after entry last.
func fold(r *sqlite.Reader, m *calc.Method, last int64) (*session.State, error) {
	first, err := r.FoldFrom(last)
	if err != nil {
		return nil, err
	}
	state := session.NewState(m)
	return state, entries(r, first, last, state.Apply)
}

// jobOf finds a job of the log.
func jobOf(r *sqlite.Reader, number string) (sqlite.Job, error) {
	jobs, err := r.Jobs()
	if err != nil {
		return sqlite.Job{}, err
	}
	for _, j := range jobs {
		if j.Number == number {
			return j, nil
		}
	}
	if len(jobs) == 0 {
		return sqlite.Job{}, fail(exitNotFound, "the log has no job %q, nor any other; begin one with logctl begin PLANFILE", number)
	}
	return sqlite.Job{}, fail(exitNotFound, "the log has no job %q; see which there are with logctl job", number)
}
