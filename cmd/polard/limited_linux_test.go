package main

import (
	"bufio"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
)

// memoryGroup makes a control group whose processes may have so many bytes together, and gives
// the words that start a program in it: cgroups(7), of either version. It gives none where none can be made.
func memoryGroup(t *testing.T, bytes int64) (words []string) {
	t.Helper()
	root, limit := "/sys/fs/cgroup/memory", "memory.limit_in_bytes"
	if _, err := os.Stat("/sys/fs/cgroup/cgroup.controllers"); err == nil {
		root, limit = "/sys/fs/cgroup", "memory.max"
	}
	group, err := os.MkdirTemp(root, "polard-test-")
	if err != nil {
		t.Logf("no control group: %v", err)
		return nil
	}
	t.Cleanup(func() {
		for end := time.Now().Add(10 * time.Second); os.Remove(group) != nil && time.Now().Before(end); {
			time.Sleep(20 * time.Millisecond) // its last process is about to end
		}
	})
	if err := os.WriteFile(filepath.Join(group, limit), fmt.Append(nil, bytes), 0); err != nil {
		t.Logf("no control group of memory: %v", err)
		return nil
	}
	for _, swap := range []string{"memory.swap.max", "memory.memsw.limit_in_bytes"} { // where there is any
		_ = os.WriteFile(filepath.Join(group, swap), fmt.Append(nil, map[bool]int64{true: 0, false: bytes}[swap == "memory.swap.max"]), 0)
	}
	return []string{"sh", "-c", `echo $$ >"$1" && shift && exec "$@"`, "sh", filepath.Join(group, "cgroup.procs")}
}

// sparse writes a plain FITS file, its pixels all 0, that takes no disk.
func sparse(t *testing.T, path string, bitpix, width, height int) {
	t.Helper()
	var header strings.Builder
	for _, card := range []string{"SIMPLE  =                    T", fmt.Sprintf("BITPIX  = %20d", bitpix), "NAXIS   =                    2",
		fmt.Sprintf("NAXIS1  = %20d", width), fmt.Sprintf("NAXIS2  = %20d", height), "END"} {
		fmt.Fprintf(&header, "%-80s", card)
	}
	fmt.Fprintf(&header, "%*s", 2880-header.Len(), "")
	if err := os.WriteFile(path, []byte(header.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, int64(2880+(width*height*max(bitpix, -bitpix)/8+2879)/2880*2880)); err != nil {
		t.Fatal(err)
	}
}

// A service that may have little memory dies of a frame that takes more, by the kernel's hand and by its own, while it
// reads the file and while it makes an image of it: the third start passes the frame over, says so on the page, and reads the next.
func TestCrashesOnAFrameTwice(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a service nine times")
	}
	harness.NotUnderRace(t)
	const mayHave = 400 << 20
	// Of that limit what was asked for counts, not what was touched: the program itself needs some 300 MB, and the file has 1040.
	byItself := []string{"sh", "-c", `ulimit -d 900000 && exec "$@"`, "sh"}
	for _, c := range []struct {
		name                  string
		limited               []string
		bitpix, width, height int
	}{
		{"killed while it decodes", memoryGroup(t, mayHave), 16, 12000, 8000},
		{"killed while it reads", memoryGroup(t, mayHave), 16, 20000, 13000},
		{"out of memory", byItself, 32, 20000, 13000},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.limited == nil {
				t.Skip("there is no control group here")
			}
			n, state := harness.NewNight(t, 31), t.TempDir()
			large := filepath.Join(n.Folder, "large.fits")
			sparse(t, large, c.bitpix, c.width, c.height)
			args := append(append([]string{}, c.limited...), os.Args[0], "serve", n.Folder, "--state", state, "--lat", "46.318", "--lon", "13.072", "--addr", "127.0.0.1:0")
			deaths := 0
			var said string
			for ; deaths < 4; deaths++ {
				died, log := untilFrame(t, args, n)
				if said = log; !died {
					break
				}
			}
			most := 2
			if c.bitpix == 32 { // where every allocation may be the last, it may also die between reading and decoding
				most = 3
			}
			if deaths < 2 || deaths > most {
				t.Errorf("died %d times; log of the last: %.3000s", deaths, said)
			}
			if !strings.Contains(said, "large.fits") || !strings.Contains(said, "passes it over") {
				t.Errorf("not told: %s", said)
			}
		})
	}
}

// untilFrame runs a service until it dies, or has said that it passes a frame over and has read another.
func untilFrame(t *testing.T, words []string, n *harness.Night) (died bool, log string) {
	t.Helper()
	p, out := asProcess(t, words)
	addresses, ended := make(chan string, 1), make(chan struct{})
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			if url := harness.PageAddress.FindString(lines.Text()); url != "" {
				addresses <- url
			}
		}
		_ = p.cmd.Wait()
		close(ended)
	}()
	t.Cleanup(func() { _ = p.cmd.Process.Kill(); <-ended })
	passedOver := false
	for end := time.Now().Add(harness.Patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		select {
		case <-ended:
			return true, p.Stderr.String()
		case p.URL = <-addresses:
		default:
		}
		if p.URL == "" {
			continue
		}
		if answer, err := http.Get(p.URL + "api/v1/state"); err != nil {
			continue // it has died, or is about to
		} else {
			answer.Body.Close()
		}
		if !passedOver && strings.Contains(p.Stderr.String(), "passes it over") {
			passedOver = true
			if s := p.State(t); s.Latest == nil || s.Latest.Problem == nil || !strings.Contains(s.Latest.Problem.Message, "passes it over") {
				t.Errorf("the page says %+v", s.Latest)
			}
			n.Expose()
			p.After(t, n.Names[len(n.Names)-1])
			return false, p.Stderr.String()
		}
	}
	t.Fatalf("neither died nor passed over: %s", p.Stderr.String())
	return false, ""
}
