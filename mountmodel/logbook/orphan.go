package logbook

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
)

// writerName tells this process, and this writer in it, from all others: machine, process and when that began.
func writerName() string {
	host, _ := os.Hostname()
	pid := os.Getpid()
	return fmt.Sprintf("%s/%d/%s/%s", strings.ReplaceAll(host, "/", "-"), pid, processBegan(pid), rand.Text())
}

// processBegan is when a process began, in ticks since the machine did (proc(5), stat, field 22); empty where that is not
// known or there is no such process.
func processBegan(pid int) string {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return ""
	}
	_, rest, _ := strings.Cut(string(b[max(0, strings.LastIndexByte(string(b), ')')):]), " ")
	if fields := strings.Fields(rest); len(fields) > 19 && fields[0] != "Z" {
		return fields[19]
	}
	return ""
}

// gone tells that the process of a writer has ended, as far as this machine can know.
func gone(writer string) bool {
	if writer == "" { // it let go
		return true
	}
	host, _ := os.Hostname()
	part := strings.Split(writer, "/")
	if len(part) != 4 || part[0] != strings.ReplaceAll(host, "/", "-") || part[2] == "" {
		return false
	}
	pid, err := strconv.Atoi(part[1])
	return err == nil && processBegan(pid) != part[2]
}

// Orphaned tells that nobody keeps a session any more.
func (b *Book) Orphaned(ctx context.Context, id int64) (bool, error) {
	var writer string
	err := b.db.QueryRowContext(ctx, `SELECT keeper FROM sessions WHERE id = $1`, id).Scan(&writer)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return false, nil
	case err != nil:
		return false, troubleFrom(err)
	}
	return gone(writer), nil
}

// Release lets go of a session, so that another may keep it.
func (b *Book) Release(ctx context.Context, id int64, writer string) error {
	if _, err := b.db.ExecContext(ctx, `UPDATE sessions SET keeper = '' WHERE id = $1 AND keeper = $2`, id, writer); err != nil {
		return troubleFrom(err)
	}
	return nil
}

// Progress is the number of a session's last entry, and the sums of its files.
func (b *Book) Progress(ctx context.Context, id int64) (last int64, sums map[uint64]bool, err error) {
	if err := b.db.QueryRowContext(ctx, `SELECT entries FROM sessions WHERE id = $1`, id).Scan(&last); err != nil {
		return 0, nil, troubleFrom(err)
	}
	sums = make(map[uint64]bool)
	for text, err := range rowsOf(ctx, b, func(row *sql.Rows) (t string, err error) { err = row.Scan(&t); return t, err }, `SELECT sum FROM frames WHERE session = $1`, id) {
		if err != nil {
			return 0, nil, err
		}
		if sum, err := strconv.ParseUint(text, 16, 64); err == nil && sum != 0 {
			sums[sum] = true
		}
	}
	return last, sums, nil
}

// errRetaken: the session is this writer's again; what waits is to be written under other numbers.
var errRetaken = errors.New("the session was taken back")

// retake takes back a session that nobody keeps any more. What the other kept meanwhile stays; of what waits, files that it
// kept too are dropped, and the rest follows under new numbers.
func (w *Writer) retake(ctx context.Context, id int64) error {
	if orphaned, err := w.store.Orphaned(ctx, id); err != nil || !orphaned {
		return err
	}
	if err := w.store.TakeOver(ctx, id, w.name); err != nil {
		return err
	}
	last, sums, err := w.store.Progress(ctx, id)
	if err != nil {
		return err
	}
	w.renumber(last, sums)
	return errRetaken
}

// behind renumbers what waits if another has written since the session was read, and says so by errRetaken: entries of the
// same numbers would be taken for those.
func (w *Writer) behind(ctx context.Context, session *Session) error {
	last, sums, err := w.store.Progress(ctx, session.ID)
	if err != nil || last <= session.Count {
		return err
	}
	w.renumber(last, sums)
	return errRetaken
}

// renumber has what waits follow an entry, without the files that are in the store.
func (w *Writer) renumber(last int64, sums map[uint64]bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.next = max(w.next, last+1)
	waiting := w.waiting
	w.waiting = nil
	for _, e := range waiting {
		if f := e.Frame; f != nil && sums[f.Sum] {
			w.bytes -= len(f.Sighting.Pairs) * pairBytes
			continue
		}
		w.lost[e.Seq] = true // nobody who waits for that number is told that it is kept
		e.Seq = w.next
		w.next++
		w.waiting = append(w.waiting, e)
	}
}
