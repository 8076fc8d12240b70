package logbook

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"polard/mountmodel"
)

// server is a real PostgreSQL of the test's own.
type server struct {
	bin, data, port string
	as              *syscall.SysProcAttr // it refuses to run as root
	cmd             *exec.Cmd
}

func startPostgres(t *testing.T) *server {
	t.Helper()
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if len(found) == 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("no PostgreSQL: install Debian's postgresql")
		}
		t.Skip("no PostgreSQL (Debian's postgresql)")
	}
	// Not t.TempDir: its parents belong to whoever runs the test alone.
	dir, err := os.MkdirTemp("", "polard-postgres-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	s := &server{bin: filepath.Dir(found[len(found)-1]), data: filepath.Join(dir, "data")}
	if os.Getuid() == 0 {
		u, err := user.Lookup("postgres")
		if err != nil {
			t.Skip(err)
		}
		uid, _ := strconv.Atoi(u.Uid)
		gid, _ := strconv.Atoi(u.Gid)
		s.as = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
		if err := os.Chown(dir, uid, gid); err != nil {
			t.Fatal(err)
		}
	}
	password := filepath.Join(dir, "password")
	if err := os.WriteFile(password, []byte("correct horse\n"), 0o644); err != nil { // of no use anywhere
		t.Fatal(err)
	}
	initdb := exec.Command(filepath.Join(s.bin, "initdb"), "-D", s.data, "-U", "polard", "-A", "scram-sha-256", "--pwfile", password, "-E", "UTF8", "--locale", "C.UTF-8", "--no-sync")
	initdb.SysProcAttr, initdb.Dir = s.as, dir
	if out, err := initdb.CombinedOutput(); err != nil {
		t.Fatalf("initdb: %v: %s", err, out)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, s.port, _ = net.SplitHostPort(ln.Addr().String())
	ln.Close()
	s.start(t)
	t.Cleanup(s.stop)
	return s
}

func (s *server) start(t *testing.T) {
	t.Helper()
	s.cmd = exec.Command(filepath.Join(s.bin, "postgres"), "-D", s.data, "-p", s.port, "-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=", "-c", "fsync=off")
	s.cmd.SysProcAttr, s.cmd.Dir = s.as, s.data
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		b, err := Open(t.Context(), s.url("correct%20horse"))
		if err == nil {
			b.Close()
			return
		}
		if time.Now().After(end) {
			t.Fatal(err)
		}
	}
}

func (s *server) stop() {
	if s.cmd != nil {
		_ = s.cmd.Process.Signal(syscall.SIGINT) // a fast shutdown
		_ = s.cmd.Wait()
		s.cmd = nil
	}
}

func (s *server) url(password string) string {
	return "postgres://polard:" + password + "@127.0.0.1:" + s.port + "/postgres"
}

// A real PostgreSQL keeps what SQLite keeps.
func TestPostgres(t *testing.T) {
	s := startPostgres(t)
	place := s.url("correct%20horse")
	b := openTest(t, place)
	id := begin(t, b, "me")
	want := entries()
	odd := frame("\xff\x00.fits", 3)
	odd.Path = "/nights/\xff\x00.fits"
	want = append(want, Entry{Seq: 9, At: evening.Add(8), Frame: odd})
	for range 2 { // the second time nothing is doubled
		if err := b.Append(t.Context(), id, "me", want); err != nil {
			t.Fatal(err)
		}
	}
	named := *odd
	named.Sighting.Name, named.Path = "\ufffd\ufffd.fits", "/nights/\ufffd\ufffd.fits"
	want[8].Frame = &named
	if got := read(t, b, id); !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	readParts(t, b, id, want)
	last, err := b.Last(t.Context(), "/nights", evening.Add(-time.Hour))
	if err != nil || last == nil || last.ID != id || last.Count != 9 || !last.Heard.Equal(evening.Add(8)) {
		t.Errorf("%+v %v", last, err)
	}
	notes, err := b.Notes(t.Context())
	if err != nil || !strings.Contains(notes["marks"], "dew") || len(notes) != 1 {
		t.Errorf("%v %v", notes, err)
	}
	files := 0
	if err := b.Files(t.Context(), "/nights", time.Time{}, 0, func(File) { files++ }); err != nil || files != 3 {
		t.Errorf("%d files, %v", files, err)
	}
	if _, err := b.Outcome(t.Context(), *last); err != nil {
		t.Error(err)
	}
	// Another writer has taken the session over.
	if err := b.TakeOver(t.Context(), id, "another"); err != nil {
		t.Fatal(err)
	}
	var trouble *Trouble
	if err := b.Append(t.Context(), id, "me", want[:1]); !errors.As(err, &trouble) || trouble.Code != TroubleTakenOver {
		t.Errorf("%v", err)
	}
	// The server goes away and comes back.
	s.stop()
	if err := b.Append(t.Context(), id, "another", want[:1]); err == nil {
		t.Error("kept without a server")
	}
	s.start(t)
	if err := b.Append(t.Context(), id, "another", want[:1]); err != nil {
		t.Errorf("after the server came back: %v", err)
	}
}

// Many piers open a new database at once, and each finds its own sessions.
func TestPostgresOfManyPiers(t *testing.T) {
	s := startPostgres(t)
	const piers = 8
	var all sync.WaitGroup
	for n := range piers {
		all.Go(func() {
			b, err := Open(t.Context(), s.url("correct%20horse"))
			if err != nil {
				t.Error(err)
				return
			}
			defer b.Close()
			mine := session()
			mine.Folder = fmt.Sprintf("pier-%d:/nights", n)
			id, err := b.Begin(t.Context(), mine, "writer")
			if err != nil {
				t.Error(err)
				return
			}
			r := result()
			r.Phase, r.OffsetTotalArcmin = mountmodel.Watching, float64(n)
			if err := b.Append(t.Context(), id, "writer", []Entry{{Seq: 1, At: evening, Frame: frame("a.fits", 5), Result: r}}); err != nil {
				t.Error(err)
			}
			b.Pier = fmt.Sprintf("pier-%d", n)
			if own, err := b.Sessions(t.Context(), time.Time{}, 0); err != nil || len(own) != 1 || own[0].ID != id {
				t.Errorf("pier %d: %+v %v", n, own, err)
			}
			if err := b.Append(t.Context(), id, "writer", []Entry{{Seq: 2, At: evening, Note: &Note{"marks", b.Pier}}}); err != nil {
				t.Error(err)
			}
			if notes, err := b.Notes(t.Context()); err != nil || notes["marks"] != b.Pier {
				t.Errorf("pier %d: %v %v", n, notes, err)
			}
			nights, err := b.Nights(t.Context(), mine.Folder, time.Time{})
			if err != nil || len(nights) != 1 || nights[0].Result.OffsetTotalArcmin != float64(n) {
				t.Errorf("pier %d: %+v %v", n, nights, err)
			}
		})
	}
	all.Wait()
}

// Names of folders and piers need not be UTF-8, and a server holds no other: they are kept
// even so, and two stay two. What no server takes costs one entry.
func TestPostgresTakesAnyName(t *testing.T) {
	s := startPostgres(t)
	b := openTest(t, s.url("correct%20horse"))
	ids := map[string]int64{}
	for _, folder := range []string{"pier\xff:/nights/\xfe", "pier\xff:/nights/\xfd", "pier:/nights/\x00"} {
		own := session()
		own.Folder = folder
		id, err := b.Begin(t.Context(), own, "writer")
		if err != nil {
			t.Fatalf("%q: %v", folder, err)
		}
		ids[folder] = id
		if err := b.Append(t.Context(), id, "writer", []Entry{{Seq: 1, At: evening, Frame: frame("\xff.fits", 3)}, {Seq: 2, At: evening, Note: &Note{"marks", "a\x00b\xff"}}}); err != nil {
			t.Errorf("%q: %v", folder, err)
		}
	}
	for folder, id := range ids {
		last, err := b.Last(t.Context(), folder, evening.Add(-time.Hour))
		if err != nil || last == nil || last.ID != id {
			t.Errorf("%q: %+v (%v), want session %d", folder, last, err, id)
		}
		files := 0
		if err := b.Files(t.Context(), folder, time.Time{}, 0, func(File) { files++ }); err != nil || files != 1 {
			t.Errorf("%q: %d files (%v)", folder, files, err)
		}
	}
	b.Pier = "pier\xff"
	if own, err := b.Sessions(t.Context(), time.Time{}, 0); err != nil || len(own) != 2 {
		t.Errorf("%d sessions of the pier (%v)", len(own), err)
	}
}

// What is wrong is told in words.
func TestPostgresTrouble(t *testing.T) {
	s := startPostgres(t)
	for place, says := range map[string]string{
		s.url("wrong"): "refuses the user or the password",
		strings.Replace(s.url("correct%20horse"), "/postgres", "/nowhere", 1): "no such database",
		"postgres://polard@127.0.0.1:1/postgres":                              "cannot be reached",
		"postgres://polard@127.0.0.1:99999/x":                                 "connection string",
	} {
		_, err := Open(t.Context(), strings.Replace(place, "postgres://", "postgresql://", 1))
		var trouble *Trouble
		if !errors.As(err, &trouble) || !strings.Contains(trouble.Message, says) || strings.Contains(trouble.Message, "horse") {
			t.Errorf("%s: %v", says, err)
		}
	}
	if err := CheckPostgres(s.url("x")); err != nil {
		t.Error(err)
	}
	if err := CheckPostgres("postgres://a@b:port/c"); err == nil || !strings.Contains(err.Error(), "postgres://USER@HOST") {
		t.Errorf("%v", err)
	}
}
