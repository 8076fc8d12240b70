package service

import (
	"testing"
	"time"

	"polard/web"
)

// What the page is told of files on their way: a frame whose numbers are there no longer counts as one that waits.
func TestActivity(t *testing.T) {
	told := 0
	a := activity{now: time.Now, changed: func() { told++ }}
	for i, step := range []struct {
		do      func()
		stage   string // empty: nothing goes on
		waiting int
	}{
		{func() {}, "", 0},
		{func() { a.wait(1, false) }, web.StageWaiting, 1},
		{func() { a.begin("a.fits", time.Now()) }, web.StageReading, 0},
		{func() { a.wait(2, true) }, web.StageReading, 1},
		{func() { a.end() }, web.StageWaiting, 1},
		{func() { a.wait(1, false); a.begin("b.fits", time.Now()) }, web.StageReading, 0},
		{func() { a.deepen(t.Context()) }, web.StageSearching, 0},
		{func() { a.end() }, "", 0},
		{func() { a.end() }, "", 0},
		{func() { a.wait(0, false) }, "", 0},
		{func() { a.wait(1, false) }, web.StageWaiting, 1},
	} {
		step.do()
		switch r := a.wire(); {
		case r == nil && step.stage != "":
			t.Errorf("step %d: nothing goes on, want %s", i, step.stage)
		case r != nil && (r.Stage != step.stage || r.Waiting != step.waiting):
			t.Errorf("step %d: %s and %d wait, want %s and %d", i, r.Stage, r.Waiting, step.stage, step.waiting)
		}
	}
	if told != 8 {
		t.Errorf("told %d times", told)
	}
}
