package mountmodel

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"polard/mountmodel/sky"
)

var update = flag.Bool("update", false, "write the drawing of the session's states into DEVELOPERS.md")

const (
	drawingFile  = "../DEVELOPERS.md"
	drawingBegin = "<!-- states: drawn by go test ./mountmodel -run TestDrawing -update -->\n"
	drawingEnd   = "<!-- end of states -->\n"
)

// drawing is the table of transitions in the language of Mermaid state diagrams.
func drawing() string {
	var b strings.Builder
	b.WriteString("```mermaid\nstateDiagram-v2\n    [*] --> waiting\n")
	for _, t := range transitions {
		if t.refuse != nil {
			continue
		}
		label := string(t.event)
		if t.guard != "" {
			label += " [" + t.guard + "]"
		}
		label += " / " + t.action
		from := string(t.from)
		if t.from == anyPhase {
			from = "[*]"
			label = "at any time, " + label
		}
		fmt.Fprintf(&b, "    %s --> %s : %s\n", from, t.to, label)
	}
	b.WriteString("```\n")
	return b.String()
}

// The drawing in DEVELOPERS.md is that of the table.
func TestDrawing(t *testing.T) {
	text, err := os.ReadFile(drawingFile)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(text), drawingBegin)
	old, after, end := strings.Cut(rest, drawingEnd)
	if !ok || !end {
		t.Fatalf("%s has no place for the drawing, between %q and %q", drawingFile, drawingBegin, drawingEnd)
	}
	if old == drawing() {
		return
	}
	if !*update {
		t.Fatalf("the drawing in %s is not that of the table: go test ./mountmodel -run TestDrawing -update", drawingFile)
	}
	if err := os.WriteFile(drawingFile, []byte(before+drawingBegin+drawing()+drawingEnd+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Every event has an answer in every phase: a row that goes somewhere, or one that
// says why not. Every action makes the state that its row promises.
func TestTransitions(t *testing.T) {
	phases := []Phase{Waiting, Measuring, Adjusting, Confirming, Done, Watching}
	bring := map[Phase]func(d *desk){
		Waiting:   func(*desk) {},
		Measuring: func(d *desk) { d.shoot(0); d.shoot(25 * sky.Degree) },
		Watching:  func(d *desk) { d.tell(t, WatchOnly) },
	}
	bring[Adjusting] = func(d *desk) { bring[Measuring](d); d.tell(t, Measured); d.shoot(0) }
	bring[Confirming] = func(d *desk) {
		bring[Adjusting](d)
		d.tell(t, Locked)
		d.shoot(0)
		d.shoot(25 * sky.Degree)
	}
	bring[Done] = func(d *desk) { bring[Confirming](d); d.tell(t, Measured) }
	for _, from := range phases {
		for _, event := range []Event{StartOver, Measured, Locked, Unlocked, WatchOnly, TurnAltitude, TurnAzimuth} {
			d := newDesk(t, 81, 45*sky.Degree, 20*sky.Degree, func(c *Config) { c.MeasureFrames = 5 })
			bring[from](d)
			if d.Phase() != from {
				t.Fatalf("the session is %s, want %s", d.Phase(), from)
			}
			want := from
			var refusal error
			for _, row := range transitions {
				if row.event == event && (row.from == from || row.from == anyPhase) {
					if refusal = row.refuse; refusal == nil {
						want = row.to
					}
					break
				}
			}
			if err := d.Do(d.m.Now, event); !errors.Is(err, refusal) || refusal == nil && err != nil || d.Phase() != want {
				t.Errorf("%s while %s: %v, then %s; want %v, %s", event, from, err, d.Phase(), refusal, want)
			}
		}
		d := newDesk(t, 82, 45*sky.Degree, 20*sky.Degree, func(c *Config) { c.MeasureFrames = 5 })
		bring[from](d)
		d.shoot(25 * sky.Degree) // every phase takes frames, or it panics
		if err := d.Do(d.m.Now, frameRead); !errors.Is(err, ErrEvent) {
			t.Errorf("the user told of a frame: %v", err)
		}
	}
}

func (d *desk) tell(t *testing.T, event Event) {
	t.Helper()
	if err := d.Do(d.m.Now, event); err != nil {
		t.Fatal(err)
	}
}
