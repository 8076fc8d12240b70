package pairing

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"polard/web"

	"rsc.io/qr"
)

// Services that share a folder of state change its list at the same time, and nothing
// is lost.
func TestDevicesAtOnce(t *testing.T) {
	file := filepath.Join(t.TempDir(), "state", DevicesName)
	const services, each = 8, 20
	var all sync.WaitGroup
	for n := range services {
		all.Go(func() {
			for i := range each {
				err := DeviceFile(file).Update(func(kept web.DeviceList) web.DeviceList {
					kept.Devices = append(kept.Devices, web.Device{ID: int64(n*each + i)})
					return kept
				})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	kept, err := DeviceFile(file).Load()
	if err != nil {
		t.Fatal(err)
	}
	ids := make(map[int64]bool)
	for _, d := range kept.Devices {
		ids[d.ID] = true
	}
	if len(kept.Devices) != services*each || len(ids) != services*each {
		t.Errorf("%d devices with %d numbers, want %d", len(kept.Devices), len(ids), services*each)
	}
}

// The picture holds the squares of the code: two rows of them in each line, a
// border of four light ones around.
func TestSquares(t *testing.T) {
	const text = "http://192.168.7.1:8467/pair#7kq2mh4xzp"
	got, err := squares(text)
	if err != nil {
		t.Fatal(err)
	}
	code, err := qr.Encode(text, qr.L)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(got, "\n"), "\n")
	if len(lines) != (code.Size+2*quietZone+1)/2 {
		t.Fatalf("%d lines for %d squares", len(lines), code.Size)
	}
	for row, line := range lines {
		signs := []rune(line)
		if len(signs) != code.Size+2*quietZone {
			t.Fatalf("line %d has %d signs", row, len(signs))
		}
		for column, sign := range signs {
			x, y := column-quietZone, 2*row-quietZone
			inside := x >= 0 && x < code.Size
			upper := !(inside && y >= 0 && y < code.Size && code.Black(x, y))
			lower := !(inside && y+1 >= 0 && y+1 < code.Size && code.Black(x, y+1))
			want := map[[2]bool]rune{{true, true}: '█', {true, false}: '▀', {false, true}: '▄', {false, false}: ' '}[[2]bool{upper, lower}]
			if sign != want {
				t.Fatalf("column %d, row %d: %q, want %q", column, row, sign, want)
			}
		}
	}
}

// A lock that another program holds is waited for shortly; then the caller is told, and
// the list is what it was.
func TestDevicesLocked(t *testing.T) {
	t.Parallel() // it waits until the time is up
	file := DeviceFile(filepath.Join(t.TempDir(), DevicesName))
	add := func(l web.DeviceList) web.DeviceList {
		l.Devices = append(l.Devices, web.Device{ID: 1})
		return l
	}
	if err := file.Update(add); err != nil {
		t.Fatal(err)
	}
	held, err := os.OpenFile(string(file)+".lock", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	if err := lockFile(held, 0); err != nil {
		t.Fatal(err)
	}
	if err := file.Update(add); err == nil {
		t.Error("updated although another holds the lock")
	}
	if l, err := file.Load(); err != nil || len(l.Devices) != 1 {
		t.Errorf("%+v (%v)", l, err)
	}
}

// The key is made once, for its owner alone, whoever comes first.
func TestLocalKey(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "state")
	keys := make(chan string, 8)
	for range cap(keys) {
		go func() {
			key, err := LocalKey(folder)
			if err != nil {
				t.Error(err)
			}
			keys <- key
		}()
	}
	first := <-keys
	for range cap(keys) - 1 {
		if key := <-keys; key != first || len(key) != 43 {
			t.Errorf("key %q, another has %q", key, first)
		}
	}
	if info, err := os.Stat(filepath.Join(folder, localKeyName)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v (%v)", info, err)
	}
	if left, _ := os.ReadDir(folder); len(left) != 1 {
		t.Errorf("left: %v", left)
	}
}
