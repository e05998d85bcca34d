package sqlite

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"

	"golang.org/x/mod/sumdb/tlog"

	"shimwright/session"
)

// A Log is the log of a bench, open for one daemon. It is used by one goroutine,
// but for Checkpoint and PublicKey.
type Log struct {
	path   string
	disk   disk
	lock   *lock
	db     *sql.DB
	insert *sql.Stmt // an entry
	hash   *sql.Stmt // a piece of hashes

	key       *key
	last, run int64  // sequence and run of the last entry known to be on disk
	tree      tree   // over the entries up to last
	doubt     *batch // the batch whose append failed; it may be on disk all the same

	latest     atomic.Pointer[string] // the text of the latest checkpoint
	remembered string                 // the one that lies beside the key
	aside      string                 // the one that lay there before the key was changed

	reserve int64 // bytes kept free for last words
	spent   bool  // they were given up, and there is no room for them yet

	commit func(*sql.Tx) error // (*sql.Tx).Commit; tests put failures here
}

// A batch is what goes to disk in one transaction: entries and their encodings,
// the hashes that they complete, and a checkpoint if a step or job was closed.
type batch struct {
	entries    []session.Entry
	bodies     [][]byte
	piece      piece
	tree       tree // with the entries
	checkpoint string
}

// A KeptError says that a batch whose Append had failed is on disk after all.
// Entries are that batch. They count: the caller takes them over and numbers
// what it has to append after them. The batch given to this Append was not written.
type KeptError struct{ Entries []session.Entry }

// Error names the entries and the remedy.
func (e *KeptError) Error() string {
	return fmt.Sprintf("entries %d to %d were kept although their append had failed; take them over and append again",
		e.Entries[0].Seq, e.Entries[len(e.Entries)-1].Seq)
}

// Kept returns the entries that were kept.
func (e *KeptError) Kept() []session.Entry { return e.Entries }

// Options are how a log is opened.
type Options struct {
	// Reserve is how many bytes a file beside the log keeps free, so that last words
	// can be written on a full disk (see ReservePath); 0 for none.
	Reserve int64
	// NewKey sets the key of the log aside and goes on with a new one, whatever the old
	// one has signed. The caller records why.
	NewKey bool

	disk disk
}

// Open opens the log at path for writing. It creates folder and file, readable by
// their owner only, if they are missing, and beside the log the key that signs its
// checkpoints (see KeyPath). It refuses a log that does not go on from the
// checkpoint that was signed last, be it the log's own or the one that lies beside
// the key (see CheckpointPath). While the log is open, a second Open is
// refused, from any process; OpenForReview is not. Errors read
// `cannot open log "path": reason; remedy`.
func Open(path string) (*Log, error) { return OpenWith(path, Options{}) }

// OpenWith is Open with options.
func OpenWith(path string, o Options) (*Log, error) {
	l, err := open(path, o)
	if full(err) {
		err = fmt.Errorf("there is no room on its disk (%w); make room there, then start again", unexplained(err))
	}
	if err != nil {
		return nil, fmt.Errorf("cannot open log %q: %w", path, err)
	}
	return l, nil
}

func open(path string, o Options) (*Log, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := makeFolder(filepath.Dir(path)); err != nil {
		return nil, err
	}
	held, err := acquire(path)
	if err != nil {
		return nil, err
	}
	l := &Log{path: path, lock: held, commit: (*sql.Tx).Commit, disk: o.disk, reserve: o.Reserve}
	if err := l.start(o.NewKey); err != nil {
		l.drop()
		return nil, errors.Join(err, held.release())
	}
	return l, nil
}

// start clears away what was left half done, and opens the file.
func (l *Log) start(newKey bool) (err error) {
	for _, file := range []string{KeyPath(l.path), CheckpointPath(l.path), ReservePath(l.path)} {
		if err := l.disk.remove(file + ".new"); err != nil { // left where the power was lost
			return err
		}
	}
	if newKey {
		if l.aside, err = l.setAside(); err != nil {
			return err
		}
	}
	err = l.load()
	if full(err) && exists(ReservePath(l.path)) { // to open it takes a little room
		l.drop()
		if err = l.disk.remove(ReservePath(l.path)); err == nil {
			err = l.load()
		}
	}
	if err != nil {
		return err
	}
	l.spent = l.stock() != nil // whoever appends is told
	return nil
}

// load opens the file and works out what there is.
func (l *Log) load() (err error) {
	if err := l.disk.create(l.path); err != nil {
		return err
	}
	if err := l.connect(); err != nil {
		return err
	}
	if l.last, l.run, err = l.end(); err != nil {
		return err
	}
	if err := l.resume(); err != nil {
		return err
	}
	return l.heed()
}

// makeFolder makes a folder and those above it as far as they are missing, and
// makes their names durable.
func makeFolder(dir string) error {
	if exists(dir) {
		return nil
	}
	above := filepath.Dir(dir)
	if err := makeFolder(above); err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return disk{}.syncFolder(above)
}

// connect opens the one connection that writes and prepares its statement.
//
// What lies in the write-ahead log may not be durable, though it reads well: after a
// synchronisation that failed, the machine takes what that had in hand for written, and
// a later one leaves it out and succeeds. So it is written once more.
func (l *Log) connect() error {
	if err := l.disk.rewrite(l.path + "-wal"); err != nil {
		return fmt.Errorf("cannot make what was written last durable (%w); check its disk, recording goes on by itself once it can be written to", err)
	}
	query := url.Values{"mode": {"rw"}, "_txlock": {"immediate"}, "_busy_timeout": {"5000"}}
	db := connectTo(l.path, query, writerPragmas())
	db.SetMaxOpenConns(1)
	l.db = db
	if err := db.Ping(); err != nil { // it is a log, or a new file
		return explain(err)
	}
	var err error
	if l.key == nil {
		if l.key, err = openKey(l.disk, l.path); err != nil {
			return err
		}
	}
	if err := migrate(db, l.key); err != nil {
		return explain(err)
	}
	if !exists(l.path + "-wal") { // though the setting reads back as it should
		return errors.New("SQLite does not write ahead, so the log would not be safe; start again, and if it stays so put the log on another disk")
	}
	if l.insert, err = db.Prepare(`INSERT INTO entries (seq, run, job, kind, body) VALUES (?, ?, ?, ?, ?)`); err != nil {
		return explain(err)
	}
	l.hash, err = db.Prepare(`INSERT INTO hashes (start, nodes) VALUES (?, ?)`)
	return explain(err)
}

// drop closes the connection. What it has to say no longer matters.
func (l *Log) drop() {
	for _, s := range []*sql.Stmt{l.insert, l.hash} {
		if s != nil {
			s.Close()
		}
	}
	if l.db != nil {
		l.db.Close()
	}
	l.insert, l.hash, l.db = nil, nil, nil
}

// end reads sequence and run of the last entry on disk; zeros if there is none.
func (l *Log) end() (seq, run int64, err error) {
	err = l.db.QueryRow(`SELECT seq, run FROM entries ORDER BY seq DESC LIMIT 1`).Scan(&seq, &run)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, 0, nil
	}
	return seq, run, explain(err)
}

// Last returns the sequence and the run of the last entry known to be on disk;
// zeros for an empty log.
func (l *Log) Last() (seq, run int64) { return l.last, l.run }

var errClosed = errors.New("the log is closed")

// Append writes entries in one transaction and returns nil only once they are on
// disk. Their sequences follow the last one without a gap, their runs do not fall.
//
// On an error none of them counts. Whether they reached the disk is found out by
// the next Append, which may be one of no entries: if they did, it writes nothing
// and returns a *KeptError.
func (l *Log) Append(entries []session.Entry) error {
	err := l.append(entries)
	var kept *KeptError
	if err == nil || errors.As(err, &kept) {
		return err
	}
	return fmt.Errorf("cannot append to log %q: %w", l.path, err)
}

func (l *Log) append(entries []session.Entry) error {
	if l.lock == nil {
		return errClosed
	}
	err := l.put(entries)
	var kept *KeptError
	if err == nil || errors.As(err, &kept) {
		return err
	}
	return errors.Join(err, l.spend(err))
}

func (l *Log) put(entries []session.Entry) error {
	if l.doubt != nil {
		if err := l.settle(); err != nil {
			return err
		}
	}
	if !lastWords(entries) {
		if err := l.ready(); err != nil {
			return err
		}
	}
	if len(entries) == 0 {
		return nil
	}
	b, err := l.encode(entries)
	if err != nil {
		return err
	}
	if err := l.write(b); err != nil {
		l.doubt = b
		return explain(err)
	}
	l.adopt(b)
	// If this fails nothing more is appended until it succeeds: see ready.
	l.remember() //nolint:errcheck // the next append tries again and says so
	return nil
}

// ready makes good what a failure left undone.
func (l *Log) ready() error {
	if l.spent {
		if err := l.stock(); err != nil {
			return err
		}
	}
	return l.remember()
}

// adopt counts a batch that is on disk.
func (l *Log) adopt(b *batch) {
	end := b.entries[len(b.entries)-1]
	l.last, l.run, l.tree = end.Seq, end.Run, b.tree
	if b.checkpoint != "" {
		l.latest.Store(&b.checkpoint)
	}
}

// encode checks that entries follow the log's end, encodes and hashes them, and
// signs what they make of the tree if they close a step or a job.
func (l *Log) encode(entries []session.Entry) (*batch, error) {
	b := &batch{entries: slices.Clone(entries), bodies: make([][]byte, len(entries)), tree: l.tree}
	seq, run, closed := l.last, l.run, false
	nodes := make([]tlog.Hash, 0, 2*len(entries)+8)
	for i, e := range entries {
		if e.Seq != seq+1 {
			return nil, fmt.Errorf("entry %d cannot follow entry %d; number it %d", e.Seq, seq, seq+1)
		}
		if e.Run < run {
			return nil, fmt.Errorf("entry %d belongs to run %d, but run %d has begun", e.Seq, e.Run, run)
		}
		body, err := e.Encode()
		if err != nil {
			return nil, err
		}
		seq, run, b.bodies[i] = e.Seq, e.Run, body
		nodes = b.tree.add(tlog.RecordHash(body), nodes)
		closed = closed || closes(e)
	}
	b.piece = pieceOf(tlog.StoredHashCount(l.tree.size), nodes)
	if !closed {
		return b, nil
	}
	var err error
	b.checkpoint, err = l.key.sign(&b.tree)
	return b, err
}

// write puts b on disk in one transaction.
func (l *Log) write(b *batch) error {
	tx, err := l.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	insert := tx.Stmt(l.insert)
	for i, e := range b.entries {
		if _, err := insert.Exec(e.Seq, e.Run, e.Job, e.Kind(), b.bodies[i]); err != nil {
			return err
		}
	}
	if _, err := tx.Stmt(l.hash).Exec(b.piece.start, b.piece.nodes); err != nil {
		return err
	}
	if b.checkpoint != "" {
		if err := storeCheckpoint(tx, signed{b.tree.size, b.checkpoint, l.key.public}); err != nil {
			return err
		}
	}
	return l.commit(tx)
}

// settle opens the file afresh after a failed write and finds out what became of
// the batch in doubt. It returns a *KeptError if that batch is on disk, and any
// other error if this is still not known.
func (l *Log) settle() error {
	l.drop()
	if err := l.connect(); err != nil {
		return err
	}
	seq, _, err := l.end()
	if err != nil {
		return err
	}
	b := l.doubt
	switch {
	case seq == l.last:
		l.doubt = nil
		return nil
	case seq == l.last+int64(len(b.entries)):
		if err := l.keep(b); err != nil {
			return err
		}
		l.adopt(b)
		l.doubt = nil
		return &KeptError{b.entries}
	}
	return l.foreign(seq)
}

// keep checks that what stands after the acknowledged entries is b. It is durable, as
// connect made it so.
func (l *Log) keep(b *batch) error {
	rows, err := l.db.Query(`SELECT body FROM entries WHERE seq > ? ORDER BY seq`, l.last)
	if err != nil {
		return explain(err)
	}
	defer rows.Close()
	for i := 0; rows.Next(); i++ {
		var body sql.RawBytes
		if err := rows.Scan(&body); err != nil {
			return explain(err)
		}
		if i >= len(b.bodies) || !bytes.Equal(body, b.bodies[i]) {
			return l.foreign(l.last + int64(i) + 1)
		}
	}
	return explain(rows.Err())
}

func (l *Log) foreign(seq int64) error {
	return fmt.Errorf("somebody else changed it: entry %d was acknowledged last, and now it ends with or differs at entry %d; stop the daemon and see who writes to the file", l.last, seq)
}

// checkpoint moves everything from the write-ahead log into the file and
// synchronises it. It fails if a reader is in the way.
func (l *Log) checkpoint(mode string) error {
	var busy, frames, moved int64
	row := l.db.QueryRow(`PRAGMA wal_checkpoint(` + mode + `)`)
	if err := row.Scan(&busy, &frames, &moved); err != nil {
		return explain(err)
	}
	if busy != 0 || moved < frames {
		return errors.New("a reader is in the way of writing it back; close what is reading the log")
	}
	return nil
}

// Close writes everything back into the one file and gives up the log. Nothing
// stays beside the file unless somebody is still reading it; then Close says so,
// and what stays beside it belongs to it. A second Close does nothing.
func (l *Log) Close() error {
	if l.lock == nil {
		return nil
	}
	var err error
	if l.doubt == nil {
		err = errors.Join(l.remember(), l.checkpoint("TRUNCATE"))
	}
	l.drop()
	if err == nil && exists(l.path+"-wal") {
		name := filepath.Base(l.path)
		err = fmt.Errorf("a reader is still using it; keep the files %q and %q together", name, name+"-wal")
	}
	if full(err) {
		err = fmt.Errorf("there is no room on its disk (%w); make room there and start again, what was recorded is not lost", unexplained(err))
	}
	err = errors.Join(err, l.lock.release())
	l.lock = nil
	if err != nil {
		return fmt.Errorf("cannot close log %q cleanly: %w", l.path, err)
	}
	return nil
}
