package fits

import (
	"runtime"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The time that a tile takes is that of its pixels and of its bytes, not of the bit
// planes that a few bytes claim. When each plane was spread over the image,
// 62 took 8 times as long as one. What counts is the time of this thread alone, by
// getrusage(2), whatever else the machine does.
func TestHostilePlanesCostTheirBits(t *testing.T) {
	const side, attempts = 1024, 5
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	worked := func() time.Duration {
		var u unix.Rusage
		if err := unix.Getrusage(unix.RUSAGE_THREAD, &u); err != nil {
			t.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	least := func(planes int) time.Duration {
		dst, src := make([]int64, side*side), hostileTile(side, planes)
		fastest := time.Hour
		for range attempts {
			begin := worked()
			if err := hdecompress(dst, src, false); err != nil {
				t.Fatal(err)
			}
			fastest = min(fastest, worked()-begin)
		}
		return fastest
	}
	const atMost = 3 // times: between 1, and 8 and more
	one, most := least(1), least(mostPlanes)
	t.Logf("%d megapixel: one plane %v, %d planes %v", side*side>>20, one, mostPlanes, most)
	if most > atMost*one {
		t.Errorf("%d planes of nothing take %v, one takes %v", mostPlanes, most, one)
	}
}
