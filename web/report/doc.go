// Package report is the record of a night, for programs and for people.
//
// In comes the logbook; out comes a [Report], as JSON or as one page that loads nothing.
//
//   - report.go: what the logbook holds of a night.
//   - nights.go: the nights before it.
//   - page.go: the page; words.go: its sentences in each language, from words/; element.go: its elements; report.js: the switch
//     of its night look.
//   - habits.go: how the drive runs and what bends, by ordinary exposures.
//   - plot.go: how far the axis was off, over the night; eventnumbers.go: the numbers of events above it.
package report
