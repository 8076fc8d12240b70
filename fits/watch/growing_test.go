package watch

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"
)

func TestFileThatGrows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(time.Second, "")
		data := exposure(0)
		path := filepath.Join(folder, "slow.fits")
		// Pieces with pauses that are far longer than the quiet time: only the
		// length that the header says tells when it is whole.
		const pixelsEnd = 2880 + 2*64*48
		for i := range 10 {
			put(t, path, data[:pixelsEnd*(i+1)/11])
			n.expect(3*time.Second, "")
		}
		// Some programs never fill the last block, so its zeros are not waited
		// for; when they come, the frame is still the same.
		put(t, path, data[:pixelsEnd])
		n.expect(long, "slow.fits")
		put(t, path, data)
		n.expect(long, "slow.fits")
		n.expect(time.Hour, "slow.fits")
	})
}

func TestFileThatStaysIncomplete(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		data := exposure(0)
		path := filepath.Join(folder, "cut.fits")
		put(t, path, data[:5000])
		n := startNight(t, Options{Folder: folder, Patience: 20 * time.Second})
		defer n.stop()
		n.expect(19*time.Second, "")
		n.expect(2*time.Second, "cut.fits(incomplete)")
		n.expect(time.Hour, "cut.fits(incomplete)")
		put(t, path, data)
		n.expect(long, "cut.fits(incomplete) cut.fits")
	})
}

// Lost is only an extension behind the image: after the wait the frame comes.
func TestImageWholeExtensionNeverComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		// Its header, without its 60 by 60 pixels.
		extension := blocks("XTENSION= 'IMAGE   '", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 60", "NAXIS2  = 60", "PCOUNT  = 0", "GCOUNT  = 1", "END")
		put(t, filepath.Join(folder, "cut.fits"), append(exposure(0), extension...))
		n := startNight(t, Options{Folder: folder, Patience: 20 * time.Second})
		defer n.stop()
		n.expect(19*time.Second, "")
		n.expect(5*time.Second, "cut.fits")
	})
}

func TestPackedFileThatGrows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "fits", "packed.fits.gz"))
		if err != nil {
			t.Fatal(err)
		}
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		put(t, filepath.Join(folder, "p.fits.gz"), data[:len(data)-20])
		n.expect(10*time.Second, "")
		put(t, filepath.Join(folder, "p.fits.gz"), data)
		n.expect(long, "p.fits.gz")
	})
}

func TestMalformedOnceThenRewritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		path := filepath.Join(folder, "x.fits")
		put(t, path, []byte("this is no frame"))
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(long, "x.fits(malformed)")
		n.expect(time.Hour, "x.fits(malformed)")
		put(t, path, exposure(0))
		n.expect(long, "x.fits(malformed) x.fits")
	})
}

// A header of many blocks is read in pieces; a file removed before its time is
// forgotten.
func TestLongHeaderAndRemovedFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		cards := []string{"SIMPLE  =                    T", "BITPIX  =                   16", "NAXIS   =                    2", "NAXIS1  =                   64", "NAXIS2  =                   64", "DATE-OBS= '2026-03-07T20:00:00'"}
		for i := range 36 * 100 {
			cards = append(cards, fmt.Sprintf("HISTORY step %d", i))
		}
		data := append(blocks(append(cards, "END")...), make([]byte, 3*2880)...) // 64 x 64 pixels of two bytes
		put(t, filepath.Join(folder, "long.fits"), data[:len(data)-4000])
		put(t, filepath.Join(folder, "gone.fits"), exposure(0))
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(DefaultQuiet/2, "")
		if err := os.Remove(filepath.Join(folder, "gone.fits")); err != nil {
			t.Fatal(err)
		}
		n.expect(10*time.Second, "")
		put(t, filepath.Join(folder, "long.fits"), data)
		n.expect(long, "long.fits")
	})
}

// One file that every exposure overwrites, as live views do; and one that is
// only touched.
func TestRewrittenInPlaceAndTouched(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		path := filepath.Join(folder, "latest.fits")
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		modified := time.Date(2026, 3, 7, 20, 0, 0, 0, time.UTC)
		for i := range 3 {
			put(t, path, exposure(i))
			modified = modified.Add(time.Second)
			if err := os.Chtimes(path, modified, modified); err != nil {
				t.Fatal(err)
			}
			n.after(long)
		}
		n.expect(0, "latest.fits latest.fits latest.fits")
		for i, a := range n.arrivals {
			if a.Frame.Pix[0] != float32(i) {
				t.Errorf("arrival %d is exposure %g", i, a.Frame.Pix[0])
			}
		}
		if err := os.Chtimes(path, modified, modified.Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		n.expect(long, "latest.fits latest.fits latest.fits")
	})
}
