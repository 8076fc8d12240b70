package watch

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// Where only the newest frame is wanted it comes first, and those that waited with it are told and counted as taken, without
// being decoded. What has the same time as a frame, as a copy of it has, does not supersede it.
func TestNewestOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		order := OldestFirst
		for i := range 3 {
			put(t, filepath.Join(folder, fmt.Sprintf("%d.fits", i)), exposure(i))
		}
		n := startNight(t, Options{Folder: folder, Order: func() Order { return order }})
		n.expect(long, "0.fits 1.fits 2.fits")
		n.stop()
		order = NewestOnly
		for i := 3; i < 6; i++ {
			put(t, filepath.Join(folder, fmt.Sprintf("%d.fits", i)), exposure(i))
		}
		put(t, filepath.Join(folder, "copy of 5.fits"), exposure(5))
		n.start(notices{})
		defer n.stop()
		const all = "0.fits 1.fits 2.fits 5.fits copy of 5.fits(repeated) 3.fits(superseded) 4.fits(superseded)"
		n.expect(long, all)
		for _, a := range n.arrivals {
			if a.Sum == 0 || a.Size == 0 || a.Modified.IsZero() {
				t.Errorf("%s would be taken again after a restart: %+v", a.Path, a)
			}
		}
		// Touched, or the only one that is left, it is not taken again.
		put(t, filepath.Join(folder, "4.fits"), exposure(4))
		n.expect(time.Minute, all)
		put(t, filepath.Join(folder, "6.fits"), exposure(6))
		n.expect(long, all+" 6.fits")
		// An older frame that comes by itself has nothing to give way to.
		put(t, filepath.Join(folder, "late.fits"), exposure(-1))
		n.expect(long, all+" 6.fits late.fits")
	})
}

// The newest first: one that is asked for again comes once more in its turn, after those of earlier exposure, and one that
// is not does not.
func TestNewestFirst(t *testing.T) {
	for _, again := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			folder := t.TempDir()
			order := NewestFirst
			for i := range 3 {
				put(t, filepath.Join(folder, fmt.Sprintf("%d.fits", i)), exposure(i))
			}
			n := &night{t: t, folder: folder, watcher: New(Options{Folder: folder, PollOnly: true, Order: func() Order { return order }})}
			n.again = func(a Arrival) bool {
				if again {
					order = OldestFirst
				}
				return again
			}
			n.start(notices{})
			defer n.stop()
			want := "2.fits 1.fits 0.fits"
			if again {
				want = "2.fits 0.fits 1.fits 2.fits"
			}
			n.expect(long, want)
			if a := n.arrivals[0].Ahead; a != 2 {
				t.Errorf("the newest came ahead of %d", a)
			}
			// Whatever came, it came: touched, it does not come again.
			for i := range 3 {
				put(t, filepath.Join(folder, fmt.Sprintf("%d.fits", i)), exposure(i))
			}
			n.expect(time.Minute, want)
		})
	}
}

// Frames that are ready together come in order of exposure, whatever their
// names and times of modification; also those that arrive while others are
// being delivered.
func TestOrderOfExposure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		old := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
		for i := range 30 {
			path := filepath.Join(folder, fmt.Sprintf("%02d.fits", (i*7)%30))
			put(t, path, exposure(i))
			if err := os.Chtimes(path, old, old.Add(-time.Duration(i)*time.Hour)); err != nil {
				t.Fatal(err)
			}
		}
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.after(long)
		var order []float32
		for _, a := range n.arrivals {
			order = append(order, a.Frame.Pix[0])
		}
		if len(order) != 30 || !slices.IsSorted(order) {
			t.Errorf("order of exposure %v", order)
		}
	})
}
