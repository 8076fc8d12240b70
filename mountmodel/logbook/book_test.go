package logbook

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/observed"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

func openTest(t testing.TB, path string) *Book {
	t.Helper()
	b, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

func inFolder(t testing.TB) string { return filepath.Join(t.TempDir(), "state", FileName) }

var evening = time.Date(2026, 11, 7, 18, 30, 0, 123456789, time.UTC)

func config() mountmodel.Config {
	site := sky.Site{Latitude: 46.318 * sky.Degree, Longitude: 13.072 * sky.Degree, ElevationM: 640}
	return mountmodel.Config{Site: site, Air: sky.StandardAir(site.ElevationM), Pole: observed.True, Tolerance: 1.1 * sky.Arcminute, MeasureFrames: 3, DUT1: -0.1}
}

func frame(name string, stars int) *Frame {
	f := &Frame{
		Sighting: mountmodel.Sighting{Name: name, Mid: evening.Add(-time.Second), Exposure: 2 * time.Second, Written: evening.Add(-500 * time.Millisecond)},
		Path:     "/nights/" + name, Size: 4 << 20, Modified: evening.Add(-500 * time.Millisecond), Sum: math.MaxUint64 - 5, Complete: evening,
		Took: 240 * time.Millisecond, Exposure: 2 * time.Second, Width: 1600, Height: 1200, Detected: 2 * stars, Matched: stars,
		RMSArcsec: 0.7, RADeg: 31.25, DecDeg: 76.5, FieldDeg: [2]float64{3.3, 2.5}, PixelUm: 3.6, ScaleArcsec: 7.4, ClockSuspect: true,
	}
	for i := range stars {
		x := 1 / float64(i+3)
		f.Sighting.Pairs = append(f.Sighting.Pairs, observed.Pair{Camera: sky.Camera{X: x, Y: -x * x, Z: 1 - x}, ICRS: sky.ICRS{X: -x, Y: 0.1 * x, Z: x}, Sigma: sky.Angle(x * 1e-6)})
	}
	return f
}

func result() *Result {
	return &Result{
		Phase: mountmodel.Adjusting, Pole: observed.True, AltDeg: 46.1, AzDeg: 0.3, OffsetAltArcmin: -13, OffsetAzArcmin: 18, OffsetTotalArcmin: 18.1,
		SigmaAltArcsec: 0.4, SigmaAzArcsec: 0.6, Correlation: -0.2, ToleranceArcmin: 1.1, Within: true, Doubt: true, TurnDeg: 61,
		Chi2Dof: 1.2, LockTotalArcmin: 0.3, LockSigmaArcsec: 0.5,
	}
}

func entries() []Entry {
	c := config()
	return []Entry{
		{Seq: 1, At: evening, Config: &c},
		{Seq: 2, At: evening.Add(1), Frame: frame("a ★.fits", 60), Result: result()},
		{Seq: 3, At: evening.Add(2), Frame: &Frame{Sighting: mountmodel.Sighting{Name: "b.fits", Refused: "it holds no pixels"}, Path: "b.fits", Code: "malformed"}},
		{Seq: 4, At: evening.Add(3), Event: mountmodel.Measured, Result: result()},
		{Seq: 5, At: evening.Add(4), Stroke: &adjust.Stroke{Bolt: adjust.AltitudeBolt, Turns: -0.1}},
		{Seq: 6, At: evening.Add(5), Plan: &Planned{plan.Plan{FocalMm: 530.3, Exposure: 2 * time.Minute, Declination: 0.3 * sky.Degree}, 1.5}},
		{Seq: 7, At: evening.Add(6), Note: &Note{"marks", `{"Words":"dew on the \"guide\" scope; wiped"}`}},
		{Seq: 8, At: evening.Add(7), Config: &mountmodel.Config{Tolerance: 2 * sky.Arcminute}, Unplaced: true},
	}
}

func session() Session {
	return Session{Program: "polard 0.1.0", Source: "folder", Folder: "/nights", Begun: evening, Heard: evening, Since: evening.Add(-2 * time.Hour), Called: config(), Placed: true}
}

func begin(t testing.TB, b *Book, writer string) int64 {
	t.Helper()
	id, err := b.Begin(t.Context(), session(), writer)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func read(t testing.TB, b *Book, id int64) []Entry {
	t.Helper()
	var got []Entry
	if err := b.Entries(t.Context(), id, true, func(e Entry) error { got = append(got, e); return nil }); err != nil {
		t.Fatal(err)
	}
	return got
}

// readParts holds what is read of a session in parts against all of it, where
// the frames that could be used are those with stars.
func readParts(t testing.TB, b *Book, id int64, all []Entry) {
	t.Helper()
	var told, others []Entry
	var moments []Moment
	for _, e := range all {
		if e.Frame == nil {
			told = append(told, e)
		} else if e.Frame.Code == "" {
			moments = append(moments, Moment{e.Seq, e.Frame.Sighting.Mid})
		}
		if e.Frame == nil || e.Frame.Code != "" || e.Seq != 2 {
			others = append(others, e)
		}
	}
	var got []Entry
	collect := func(e Entry) error { got = append(got, e); return nil }
	if err := b.ExceptFrames(t.Context(), id, collect); err != nil || !reflect.DeepEqual(got, told) {
		t.Errorf("told: %+v, want %+v, %v", got, told, err)
	}
	got = nil
	if err := b.EntriesBut(t.Context(), id, 1, 4, collect); err != nil || !reflect.DeepEqual(got, others) {
		t.Errorf("but the second: %+v, want %+v, %v", got, others, err)
	}
	got = nil
	if err := b.EntriesBut(t.Context(), id, 2, 2, collect); err != nil || !reflect.DeepEqual(got, all) {
		t.Errorf("but none: %+v, want %+v, %v", got, all, err)
	}
	for from, want := range map[int64][]Moment{1: moments, 3: moments[1:]} {
		if got, err := b.Moments(t.Context(), id, from); err != nil || !slices.EqualFunc(got, want, func(a, b Moment) bool { return a.Seq == b.Seq && a.Mid.Equal(b.Mid) }) {
			t.Errorf("moments from %d: %+v, want %+v, %v", from, got, want, err)
		}
	}
}

// What was written is read as it was, to the last bit, by another process
// too, and a batch written twice is there once.
func TestBookGivesBackWhatItTook(t *testing.T) {
	path := inFolder(t)
	b := openTest(t, path)
	id := begin(t, b, "one")
	want := entries()
	for range 2 {
		if err := b.Append(t.Context(), id, "one", want); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	b = openTest(t, path)
	got := read(t, b, id)
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	readParts(t, b, id, want)
	s, err := b.Last(t.Context(), "/nights", evening)
	if err != nil || s == nil {
		t.Fatal(s, err)
	}
	wantSession := session()
	wantSession.ID, wantSession.Heard, wantSession.Count = id, evening.Add(7), 8
	if !reflect.DeepEqual(*s, wantSession) {
		t.Errorf("got  %+v\nwant %+v", *s, wantSession)
	}
	var files []File
	if err := b.Files(t.Context(), "/nights", evening.Add(-time.Hour), 0, func(f File) { files = append(files, f) }); err != nil {
		t.Fatal(err)
	}
	if f := want[1].Frame; len(files) != 1 || files[0] != (File{f.Path, f.Size, f.Modified, f.Sum}) {
		t.Errorf("files %+v", files)
	}
	intact(t, b)
	// Without the stars: the same but for them.
	err = b.Entries(t.Context(), id, false, func(e Entry) error {
		if e.Frame != nil && e.Frame.Sighting.Pairs != nil {
			t.Error("stars were read without being asked for")
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// Notes are known again by the newest value of each key, over all sessions, and
// an outcome tells the first measurement and the end.
func TestNotesAndOutcome(t *testing.T) {
	b := openTest(t, inFolder(t))
	first, second := begin(t, b, "one"), begin(t, b, "one")
	note := func(seq int64, key, value string) Entry { return Entry{Seq: seq, At: evening, Note: &Note{key, value}} }
	c := config()
	standing := func(phase mountmodel.Phase, total float64) *Result {
		r := result()
		r.Phase, r.OffsetTotalArcmin = phase, total
		return r
	}
	for id, list := range map[int64][]Entry{
		first: {note(1, "place", "old"), note(2, "rig", "kept")},
		second: {
			note(1, "place", "new"),
			{Seq: 2, At: evening, Config: &c},
			{Seq: 3, At: evening, Frame: frame("a", 3), Result: standing(mountmodel.Measuring, 50)},
			{Seq: 4, At: evening, Frame: frame("b", 3), Result: standing(mountmodel.Measuring, 41)},
			{Seq: 5, At: evening, Frame: frame("c", 3), Result: standing(mountmodel.Adjusting, 42)},
			{Seq: 6, At: evening, Frame: frame("d", 3), Result: standing(mountmodel.Adjusting, 7)},
			{Seq: 7, At: evening, Event: mountmodel.Locked, Result: standing(mountmodel.Confirming, 6)},
			{Seq: 8, At: evening, Frame: frame("e", 3), Result: standing(mountmodel.Done, 5)},
			{Seq: 9, At: evening, Frame: &Frame{Sighting: mountmodel.Sighting{Name: "cloud"}}},
		},
	} {
		if err := b.Append(t.Context(), id, "one", list); err != nil {
			t.Fatal(err)
		}
	}
	notes, err := b.Notes(t.Context())
	if err != nil || len(notes) != 2 || notes["place"] != "new" || notes["rig"] != "kept" {
		t.Errorf("%v, %v", notes, err)
	}
	sessions, err := b.Sessions(t.Context(), time.Time{}, 0)
	if err != nil || len(sessions) != 2 || sessions[0].ID != second {
		t.Fatal(sessions, err)
	}
	o, err := b.Outcome(t.Context(), sessions[0])
	if err != nil {
		t.Fatal(err)
	}
	if o.First == nil || o.First.OffsetTotalArcmin != 42 || o.Last == nil || o.Last.OffsetTotalArcmin != 5 || o.Last.Phase != mountmodel.Done || *o.Config != c || o.Notes["place"] != "new" {
		t.Errorf("%+v", o)
	}
	if o, err := b.Outcome(t.Context(), sessions[1]); err != nil || o.First != nil || o.Last != nil || o.Config != nil {
		t.Errorf("%+v, %v", o, err)
	}
}

func TestLast(t *testing.T) {
	b := openTest(t, inFolder(t))
	if s, err := b.Last(t.Context(), "/nights", time.Time{}); s != nil || err != nil {
		t.Errorf("an empty book has %v, %v", s, err)
	}
	for range 3 { // the last comes to nothing
		if id := begin(t, b, "one"); id < 3 {
			if err := b.Append(t.Context(), id, "one", []Entry{{Seq: 1, At: evening, Event: mountmodel.Locked}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	const second = 2
	for _, c := range []struct {
		folder string
		since  time.Time
		want   int64
	}{{"/nights", time.Time{}, second}, {"/nights", evening, second}, {"/nights", evening.Add(time.Second), 0}, {"/other", time.Time{}, 0}} {
		s, err := b.Last(t.Context(), c.folder, c.since)
		if err != nil || (s == nil) != (c.want == 0) || s != nil && s.ID != c.want {
			t.Errorf("%s since %v: %+v, %v", c.folder, c.since, s, err)
		}
	}
}

// A session has one writer: the newest to take it over.
func TestTakeOver(t *testing.T) {
	b := openTest(t, inFolder(t))
	id := begin(t, b, "one")
	all := entries()
	if err := b.Append(t.Context(), id, "one", all[:2]); err != nil {
		t.Fatal(err)
	}
	if err := b.TakeOver(t.Context(), id, "two"); err != nil {
		t.Fatal(err)
	}
	if trouble, _ := errors.AsType[*Trouble](b.Append(t.Context(), id, "one", all[2:3])); trouble == nil || trouble.Code != TroubleTakenOver {
		t.Errorf("the first still writes: %v", trouble)
	}
	if err := b.Append(t.Context(), id, "two", all[2:]); err != nil {
		t.Error(err)
	}
	if trouble, _ := errors.AsType[*Trouble](b.Append(t.Context(), id+1, "two", all)); trouble == nil || trouble.Code != TroubleGone {
		t.Errorf("a session that is not there: %v", trouble)
	}
	if got := read(t, b, id); len(got) != len(all) {
		t.Errorf("%d entries, want %d", len(got), len(all))
	}
}

// Every double comes back bit for bit, NaN and infinities too.
func TestPairsKeepEveryBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bits := rapid.SliceOfN(rapid.Uint64(), 0, 70).Draw(t, "bits")
		var pairs []observed.Pair
		v := func(i int) float64 { return math.Float64frombits(bits[i]) }
		for i := 0; i+7 <= len(bits); i += 7 {
			pairs = append(pairs, observed.Pair{Camera: sky.Camera{X: v(i), Y: v(i + 1), Z: v(i + 2)}, ICRS: sky.ICRS{X: v(i + 3), Y: v(i + 4), Z: v(i + 5)}, Sigma: sky.Angle(v(i + 6))})
		}
		got, err := unpackPairs(packPairs(pairs))
		if err != nil || len(got) != len(pairs) {
			t.Fatal(err, len(got))
		}
		for i, p := range got {
			for k, x := range []float64{p.Camera.X, p.Camera.Y, p.Camera.Z, p.ICRS.X, p.ICRS.Y, p.ICRS.Z, float64(p.Sigma)} {
				if math.Float64bits(x) != bits[7*i+k] {
					t.Fatalf("pair %d, number %d: %v, want %v", i, k, x, v(7*i+k))
				}
			}
		}
	})
}

// FuzzPairs: whatever lies in the file, reading gives stars or a reason.
func FuzzPairs(f *testing.F) {
	f.Add([]byte{})
	f.Add(make([]byte, pairBytes-1))
	f.Add(packPairs(frame("x", 2).Sighting.Pairs))
	f.Fuzz(func(t *testing.T, b []byte) {
		pairs, err := unpackPairs(b)
		if (err == nil) != (len(b)%pairBytes == 0) || err == nil && len(pairs) != len(b)/pairBytes {
			t.Fatalf("%d bytes: %d pairs, %v", len(b), len(pairs), err)
		}
	})
}

// A configuration is stored under the names of its Go fields: renaming one
// would make older sessions come out differently.
func TestFieldNamesStay(t *testing.T) {
	c := config()
	for _, e := range []struct {
		entry Entry
		want  []string
	}{
		{Entry{Config: &c}, []string{"Site", "Latitude", "Longitude", "ElevationM", "Air", "PressureHPa", "TemperatureC", "Humidity", "WavelengthUm", "Pole", "Tolerance", "MeasureFrames", "DUT1"}},
		{Entry{Stroke: &adjust.Stroke{}}, []string{"Bolt", "Turns"}},
		{Entry{Choice: &mountmodel.FrameChoice{}}, []string{"Name", "Mid", "Counts"}},
	} {
		_, body, err := e.entry.packed()
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range e.want {
			if !strings.Contains(body, `"`+name+`":`) {
				t.Errorf("%s is missing in %s", name, body)
			}
		}
	}
}

// Files of a session are known by content whatever their times say; those of other sessions
// as far back as asked. What the folder held when a session began comes back with it.
func TestFilesOfASession(t *testing.T) {
	b := openTest(t, inFolder(t))
	before := begin(t, b, "one")
	own := session()
	own.Older = []Stamp{{4 << 20, evening.Add(-time.Hour)}, {0, time.Time{}}, {7, evening}}
	id, err := b.Begin(t.Context(), own, "two")
	if err != nil {
		t.Fatal(err)
	}
	for i, of := range []int64{before, id} {
		f := frame("a.fits", 3)
		f.Modified, f.Sum = evening.Add(-1000*24*time.Hour), uint64(i+1)
		if err := b.Append(t.Context(), of, []string{"one", "two"}[i], []Entry{{Seq: 1, At: evening, Frame: f}}); err != nil {
			t.Fatal(err)
		}
	}
	for session, want := range map[int64][]uint64{0: nil, id: {2}, before: {1}} {
		var got []uint64
		if err := b.Files(t.Context(), "/nights", evening.Add(-2*time.Hour), session, func(f File) { got = append(got, f.Sum) }); err != nil || !slices.Equal(got, want) {
			t.Errorf("session %d: %v, want %v (%v)", session, got, want, err)
		}
	}
	last, err := b.Last(t.Context(), "/nights", evening.Add(-time.Hour))
	if err != nil || last == nil || !reflect.DeepEqual(last.Older, own.Older) {
		t.Errorf("%+v (%v)", last, err)
	}
}

// From every earlier version the tables are brought to the present one.
func TestMigrate(t *testing.T) {
	for version := range len(steps) + 1 {
		path := inFolder(t)
		// A book as the program of that version made it.
		kept := steps
		steps = steps[:version]
		b := openTest(t, path)
		steps = kept
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
		b = openTest(t, path)
		id := begin(t, b, "one")
		if err := b.Append(t.Context(), id, "one", entries()); err != nil {
			t.Errorf("from version %d: %v", version, err)
		}
		if got := read(t, b, id); len(got) != len(entries()) {
			t.Errorf("from version %d: %d entries", version, len(got))
		}
	}
}

// An older program leaves a newer file alone and says what to do; so it does
// with a database of something else.
func TestNewerAndForeign(t *testing.T) {
	for _, c := range []struct {
		change string
		code   TroubleCode
		says   string
	}{
		{`UPDATE logbook_format SET version = 9999`, TroubleNewer, "update polard"},
		{`ALTER TABLE logbook_format RENAME TO invoices`, TroubleForeign, "something else"},
	} {
		path := inFolder(t)
		b := openTest(t, path)
		if _, err := b.db.Exec(c.change); err != nil {
			t.Fatal(err)
		}
		b.Close()
		before, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		_, err = Open(t.Context(), path)
		if trouble, _ := errors.AsType[*Trouble](err); trouble == nil || trouble.Code != c.code || !strings.Contains(trouble.Message, c.says) {
			t.Errorf("%s: %v", c.change, err)
		}
		if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
			t.Errorf("%s: the file was changed (%v)", c.change, err)
		}
	}
}

// A damaged file is set aside, whole, and a new one is begun.
func TestDamaged(t *testing.T) {
	for name, damage := range map[string]func([]byte) []byte{
		"text":     func([]byte) []byte { return []byte(strings.Repeat("not a database ", 1000)) },
		"zeroed":   func(b []byte) []byte { clear(b[4096:20480]); return b },
		"cut":      func(b []byte) []byte { return b[:len(b)/2] },
		"scramble": func(b []byte) []byte { copy(b[100:], strings.Repeat("x", 4000)); return b },
	} {
		t.Run(name, func(t *testing.T) {
			path := inFolder(t)
			b := openTest(t, path)
			id := begin(t, b, "one")
			if err := b.Append(t.Context(), id, "one", entries()); err != nil {
				t.Fatal(err)
			}
			b.Close()
			whole, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			bad := damage(whole)
			if err := os.WriteFile(path, bad, 0o600); err != nil {
				t.Fatal(err)
			}
			b = openTest(t, path)
			if b.SetAside == "" {
				t.Fatal("the damage was not noticed")
			}
			if fresh := read(t, b, id); len(fresh) != 0 {
				t.Errorf("the new book holds %d entries", len(fresh))
			}
			if kept, err := os.ReadFile(b.SetAside); err != nil || string(kept) != string(bad) {
				t.Errorf("the damaged file was not kept: %v", err)
			}
			if err := b.Append(t.Context(), begin(t, b, "one"), "one", entries()); err != nil {
				t.Error(err)
			}
		})
	}
}

// The lens comes back to the last bit: sightings after a restart are to be comparable with those before.
func TestLensIsGivenBack(t *testing.T) {
	b := openTest(t, inFolder(t))
	id := begin(t, b, "one")
	want := []Entry{{Seq: 1, At: evening, Lens: &Lens{
		Width: 960, Height: 640, ScaleRad: 3.9123456789e-5, AxisX: 480.25, AxisY: 310.1, K1: -0.021, K2: 0.0043, Mirrored: true, Stars: 90,
	}}}
	if err := b.Append(t.Context(), id, "one", want); err != nil {
		t.Fatal(err)
	}
	if got := read(t, b, id); !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got[0].Lens, want[0].Lens)
	}
}

// Whether a frame counts is kept as it was said.
func TestChoiceIsKept(t *testing.T) {
	said := Entry{Choice: &mountmodel.FrameChoice{Name: "a ★.fits", Mid: evening, Counts: true}}
	kind, body, err := said.packed()
	if err != nil {
		t.Fatal(err)
	}
	var back Entry
	if err := back.unpack(kind, body); err != nil || !reflect.DeepEqual(back, said) {
		t.Errorf("%s %s: %+v (%v)", kind, body, back.Choice, err)
	}
}
