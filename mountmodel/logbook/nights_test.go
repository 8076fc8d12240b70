package logbook

import (
	"testing"
	"time"

	"polard/mountmodel"
)

// Nights run from noon to noon of the place, over sessions, and only what was watched
// counts.
func TestNights(t *testing.T) {
	b := openTest(t, inFolder(t))
	at := func(day, hour int) time.Time { return time.Date(2026, 11, day, hour, 0, 0, 0, time.UTC) }
	id := begin(t, b, "me")
	seq := int64(0)
	add := func(id int64, when time.Time, phase mountmodel.Phase, total float64) {
		t.Helper()
		seq++
		r := result()
		r.Phase, r.OffsetTotalArcmin = phase, total
		if err := b.Append(t.Context(), id, "me", []Entry{{Seq: seq, At: when, Frame: frame("a.fits", 3), Result: r}}); err != nil {
			t.Fatal(err)
		}
	}
	add(id, at(7, 18), mountmodel.Adjusting, 99)
	add(id, at(7, 20), mountmodel.Watching, 1)
	add(id, at(8, 4), mountmodel.Watching, 2) // after midnight, the same night
	add(id, at(8, 19), mountmodel.Watching, 3)
	again := begin(t, b, "me") // another session, the same night
	seq = 0
	add(again, at(9, 2), mountmodel.Done, 4)
	nights, err := b.Nights(t.Context(), "/nights", time.Time{})
	if err != nil || len(nights) != 2 {
		t.Fatalf("%+v %v", nights, err)
	}
	if n := nights[0]; n.Frames != 2 || !n.Since.Equal(at(7, 20)) || !n.Until.Equal(at(8, 4)) || n.Result.OffsetTotalArcmin != 2 || n.Result.SigmaAltArcsec != 0.4 {
		t.Errorf("%+v", n)
	}
	if n := nights[1]; n.Frames != 2 || n.Result.OffsetTotalArcmin != 4 {
		t.Errorf("%+v", n)
	}
	if later, err := b.Nights(t.Context(), "/nights", at(8, 12)); err != nil || len(later) != 1 {
		t.Errorf("%+v %v", later, err)
	}
	if other, err := b.Nights(t.Context(), "/elsewhere", time.Time{}); err != nil || len(other) != 0 {
		t.Errorf("%+v %v", other, err)
	}
}

// At 150 degrees east the night of the 7th begins at 2 h UTC.
func TestNightOfLongitude(t *testing.T) {
	if nightOf(time.Date(2026, 11, 7, 1, 59, 0, 0, time.UTC), 10) == nightOf(time.Date(2026, 11, 7, 2, 1, 0, 0, time.UTC), 10) {
		t.Error("noon at 150 degrees east is at 2 h UTC")
	}
	if nightOf(time.Date(2026, 11, 7, 2, 1, 0, 0, time.UTC), 10) != nightOf(time.Date(2026, 11, 8, 1, 59, 0, 0, time.UTC), 10) {
		t.Error("a night was parted")
	}
}
