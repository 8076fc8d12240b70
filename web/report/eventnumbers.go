package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// The numbers of events stand in one row above the plot. Where they would run into each other they become one label, as
// "3–5": a row for each would grow without end when many things are done within a minute.

const (
	// labelCharacter is at least as wide as any character of a label in the type of a phone, the largest: 25 units high
	// (report.css). The browser's own boxes are held apart by TestReportInBrowser.
	labelCharacter = 17.0
	// labelGap keeps two labels from being read as one: half a character.
	labelGap = labelCharacter / 2
)

// mark is an event in the plot: its number in the table of what was done, and its place.
type mark struct {
	number int
	x      float64
}

// marks are the events that the plot's time holds, from left to right.
func (s scale) marks(events []Event) []mark {
	var out []mark
	for i, e := range events {
		if at, err := time.Parse(time.RFC3339, e.TimeUTC); err == nil && !at.Before(s.from) && !at.After(s.to) {
			out = append(out, mark{i + 1, s.x(at)})
		}
	}
	slices.SortStableFunc(out, func(a, b mark) int { return cmp.Compare(a.x, b.x) })
	return out
}

// label names the events that share one place in the row of numbers.
type label struct{ marks []mark }

// mostParts are how many numbers, or rows of them, a label names: with more it would not be read, and outgrow the plot.
const mostParts = 3

// text has the numbers in their order, those in a row as "3–5"; of very many, after a clock was set back, the first and the last.
func (l label) text() string {
	numbers := make([]int, len(l.marks))
	for i, m := range l.marks {
		numbers[i] = m.number
	}
	slices.Sort(numbers)
	var parts []string
	for i := 0; i < len(numbers); {
		end := i + 1
		for end < len(numbers) && numbers[end] == numbers[end-1]+1 {
			end++
		}
		if part := fmt.Sprint(numbers[i]); end-i == 1 {
			parts = append(parts, part)
		} else {
			parts = append(parts, fmt.Sprintf("%s–%d", part, numbers[end-1]))
		}
		i = end
	}
	if len(parts) > mostParts {
		return fmt.Sprintf("%d … %d", numbers[0], numbers[len(numbers)-1])
	}
	return strings.Join(parts, ", ")
}

// box is where the label begins and ends: over the middle of its events, and right of the labels of the upright scale.
func (l label) box() (left, right float64) {
	width := labelCharacter * float64(utf8.RuneCountInString(l.text()))
	middle := (l.marks[0].x + l.marks[len(l.marks)-1].x) / 2
	left = max(min(middle-width/2, plotWidth-width), plotLeft)
	return left, left + width
}

// labels are those of marks from left to right; no two of them touch.
func labels(marks []mark) []label {
	var out []label
	for i := range marks {
		out = append(out, label{marks[i : i+1]})
		for n := len(out); n > 1; n = len(out) {
			_, right := out[n-2].box()
			if left, _ := out[n-1].box(); left >= right+labelGap {
				break
			}
			out = append(out[:n-2], label{slices.Concat(out[n-2].marks, out[n-1].marks)})
		}
	}
	return out
}
