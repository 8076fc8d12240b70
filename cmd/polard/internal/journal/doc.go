// Package journal keeps a running service's session in the logbook and finds it again.
//
// In come the entries of a session as they happen: frames, what was done at the mount, settings, notes.
// They are written by [logbook.Writer] on a goroutine of its own, so that nobody waits for a disk. Out come, when
// the service starts again, the session to go on with, its entries in their order with the sightings prepared on all
// cores ([Journal.Replay]), the files that were dealt with, and what was noted ([Notes]).
//
//   - journal.go: opening, appending, what the page says of trouble.
//   - replay.go: the entries of the session to go on with.
//   - notes.go: notes, marks and earlier nights, for the page.
package journal
