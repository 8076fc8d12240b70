package report

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Numbers that have room stand alone over their events; those that have none share a label.
func TestEventNumbers(t *testing.T) {
	at := func(x ...float64) (out []mark) {
		for i, x := range x {
			out = append(out, mark{i + 1, x})
		}
		return out
	}
	many := make([]float64, 120)
	for i := range many {
		many[i] = 400
	}
	for _, c := range []struct {
		name  string
		marks []mark
		want  []string
	}{
		{"none", nil, nil},
		{"apart", at(100, 200, 300), []string{"1", "2", "3"}},
		{"two in a minute", at(100, 200, 209, 300), []string{"1", "2–3", "4"}},
		{"a pair pushes into its neighbour", at(200, 226, 230), []string{"1–3"}},
		{"very many at once", at(many...), []string{"1–120"}},
		{"at both ends", at(plotLeft, plotLeft, plotWidth-plotRight, plotWidth-plotRight), []string{"1–2", "3–4"}},
		{"the clock was set back", []mark{{1, 100}, {5, 101}, {2, 102}}, []string{"1–2, 5"}},
		{"it was set back again and again", []mark{{1, 100}, {5, 101}, {3, 102}, {9, 103}, {7, 104}}, []string{"1 … 9"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got []string
			for _, l := range labels(c.marks) {
				got = append(got, l.text())
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("%q, want %q", got, c.want)
			}
		})
	}
}

// However many events there are, and whenever, with a clock that was set back or not: no two labels touch, all lie in the
// plot, and each event has one.
func TestEventNumbersKeepApart(t *testing.T) {
	begin := time.Date(2026, 11, 24, 17, 42, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		minutes := rapid.SliceOfN(rapid.IntRange(0, 599), 0, 150).Draw(t, "minutes")
		sorted := rapid.Bool().Draw(t, "sorted")
		if sorted {
			slices.Sort(minutes)
		}
		events := make([]Event, len(minutes))
		for i, m := range minutes {
			events[i].TimeUTC = begin.Add(time.Duration(m) * time.Minute).Format(time.RFC3339)
		}
		s := scale{from: begin, to: begin.Add(599 * time.Minute)}
		last, named := plotLeft-labelGap, 0
		for _, l := range labels(s.marks(events)) {
			left, right := l.box()
			if left < last+labelGap-1e-9 || right > plotWidth+1e-9 {
				t.Fatalf("%s from %g to %g; the one before ends at %g", l.text(), left, right, last)
			}
			want := fmt.Sprint(named + 1)
			if named += len(l.marks); len(l.marks) > 1 {
				want += fmt.Sprintf("–%d", named)
			}
			if sorted && l.text() != want {
				t.Fatalf("%s, want %s", l.text(), want)
			}
			last = right
		}
		if named != len(events) {
			t.Fatalf("%d of %d events are named", named, len(events))
		}
	})
}
