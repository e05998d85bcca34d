// Package sqlite keeps the log of a bench in one SQLite file.
//
// The table entries holds each entry's canonical JSON exactly as session.Entry
// encodes it; the columns beside it repeat what the indexes need and are checked
// against it whenever an entry is read. Times are inside that JSON: the log is
// ordered by sequence, never by time, so no column holds one. Triggers make the
// table append-only and its sequence free of gaps.
//
// Append returns nil only after a commit under write-ahead logging with full
// synchronisation, so that an acknowledged entry survives the loss of power.
// Every connection sets the pragmas this rests on and reads them back.
//
// # Start-up
//
// Replay reads what a daemon needs to go on and no more, each part by an index:
//
//   - the entries of every open job (begun, not ended), of the six jobs begun last and
//     of the job of the last entry, whatever run wrote them;
//   - of the entries without a job, those of the last run only. Each run logs its
//     start, settings and profiles in full, so those of earlier runs are no longer
//     in force.
//
// The open jobs are listed in a small table that triggers keep in step with the
// entries, so that start-up does not grow with the number of jobs ever done.
//
// # Evidence
//
// The hashes of a Merkle tree (RFC 6962) over the stored bytes are written in the
// transaction of their entries: entry n is leaf n-1. A transaction that closes a step
// or ends a job also holds a checkpoint, size and root of the tree in the text of
// C2SP tlog-checkpoint, signed with the key that lies beside the log. Open starts
// from the last checkpoint and works out from the bytes what came after it; so
// nothing is signed that does not go on from what was signed before.
//
// Verify works everything out again and names what was changed. The stored hash of
// an entry outlives a change of its bytes, so it tells which entry is which after
// some were removed, moved or copied, and it proves what an edited value was, once a
// likely one fits. Whoever makes the hashes anew too is found by the signatures, and
// whoever has the key by checkpoints that were kept elsewhere, and by nothing else:
// see VerifyOptions. Prove makes proofs of single entries for third parties.
//
// The checkpoint that was signed last also lies beside the key (CheckpointPath), and Open
// refuses a log that contradicts it: an older copy, or one that went on elsewhere. It
// is written after the commit, so that it never says more than the log; if it cannot be
// written, the next Append fails.
//
// # Failures
//
// After a failed write nobody knows whether the batch reached the disk: a commit
// whose synchronisation failed can come back when the file is opened again. So the
// connection is given up, and the next Append opens the file afresh and looks. If
// the batch is not there, it goes on; if it is there after all, it says so with a
// KeptError. Before, the write-ahead log is written once more in its place: what a
// failed synchronisation had in hand counts as written for the machine, and would never
// reach the disk.
//
// If the disk is full, the reserve (Options.Reserve) is given up. Then only last words
// are taken, that nothing more is recorded and the end of a job, until the reserve can
// be made again; Append of nothing tries that. Open gives it up too if it finds no room
// for what SQLite shares.
//
// # What it costs
//
// A reading, with the entries that follow from it, writes 27 kB to the disk: whole pages
// go to the write-ahead log, and now and then to the file; an entry itself has 0.9 kB
// (BenchmarkWrittenPerReading). Start-up and opening for review take the same time with
// 10,000 entries as with 1,000,000 (BenchmarkStart, BenchmarkReview). What Verify takes
// beside bare hashing shows BenchmarkVerifyBesideHashing.
package sqlite
