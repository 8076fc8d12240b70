// Package harness holds what the tests of several packages share: practice frames, a rehearsed night, and a service that is
// started and asked over HTTP. Only tests import it.
//
//   - harness.go: waiting for what is to come.
//   - practice.go: frames below testdata/.
//   - night.go: a rehearsed rig in the hands of a test.
//   - running.go: a service that a command started.
//   - processor_linux.go: the processor time of a test.
//   - race.go, norace.go: whether the race detector looks on.
package harness

import (
	"bytes"
	"database/sql"
	"flag"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"polard/mountmodel/logbook"
)

// Patience is how long a test waits for what takes a second or so on an
// idle machine: a busy one under the race detector takes thirty times that, and
// one that is emulated longer still.
var Patience = 2 * time.Minute

func init() {
	flag.DurationVar(&Patience, "patience", Patience, "how long a test waits for what takes a second on an idle machine")
}

// NotUnderRace skips a test under the race detector, which makes sums many times
// slower, where it has nothing to find: no goroutines meet, or they do so in
// another test already.
func NotUnderRace(t *testing.T) {
	t.Helper()
	if underRace {
		t.Skip("nothing for the race detector here")
	}
}

// Output takes what a command prints, from any goroutine.
type Output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *Output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *Output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// Book opens the logbook in a state folder as another process would.
func Book(t testing.TB, state string) *logbook.Book {
	t.Helper()
	b, err := logbook.Open(t.Context(), filepath.Join(state, logbook.FileName))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// Intact has the database look over the whole file of the logbook in a state folder.
func Intact(t testing.TB, state string) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(state, logbook.FileName)) // by the driver of package logbook
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var verdict string
	if err := db.QueryRowContext(t.Context(), `PRAGMA integrity_check`).Scan(&verdict); err != nil || verdict != "ok" {
		t.Errorf("the logbook is damaged: %s, %v", verdict, err)
	}
}

// Eventually waits until something holds; what it tells meanwhile goes into
// the failure.
func Eventually(t *testing.T, what string, holds func() (bool, string)) {
	t.Helper()
	var told string
	for end := time.Now().Add(Patience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		var yes bool
		if yes, told = holds(); yes {
			return
		}
	}
	t.Fatalf("waited in vain for %s; last: %s", what, told)
}

// WithoutAdded keeps a catalogue that whoever runs the tests has added for themselves out of their sight: a
// TestMain calls it before all else, with a folder of its own.
func WithoutAdded(folder string) {
	for _, name := range []string{"XDG_DATA_HOME", "XDG_DATA_DIRS", "LOCALAPPDATA"} {
		os.Setenv(name, filepath.Join(folder, "data"))
	}
}

// Logger writes lines for a test to look for words in.
func Logger(w io.Writer) *slog.Logger { return slog.New(slog.NewTextHandler(w, nil)) }

// Emulator is for tests that start this program again as a process.
var Emulator = flag.String("emulator", "", "the program that runs this one, such as qemu-aarch64-static, for tests that start it again as a process")

// StopsWithin is how long a service may take to end: who has pressed Ctrl-C
// waits so long before pressing it again. An emulated processor has fifteen times
// as long: under qemu-user detection takes 11 to 14 times as long as on the
// machine itself ('go test -bench Detect ./solve' on both).
func StopsWithin() time.Duration {
	const limit = 2 * time.Second
	if *Emulator != "" {
		return 15 * limit
	}
	return limit
}
