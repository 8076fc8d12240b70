// Package watch turns files that come into a folder into frames.
//
// In comes a folder, with everything below it; out go [Arrival]s, one for each frame, once by content, or the reason why a
// file is none. A file passes two gates. Still: its writer has closed it or renamed it into place, where the system tells
// that (Linux: inotify(7), IN_CLOSE_WRITE and IN_MOVED_TO), or else nothing has happened to it for a while. Whole: as long as
// its header says (FITS Standard 4.0, sections 3 and 4.4.1). Files may grow slowly, be rewritten in place, have any time of
// modification, lie in folders by date or behind symbolic links; the folder may go away and come back.
//
//   - watch.go: options, and the loop that owns what is known of the files.
//   - gates.go: from a change to a file that is whole.
//   - deliver.go: which of those that wait comes next; reading and decoding beside the loop.
//   - search.go: looking through the folder for what no event reported.
//   - access.go: calls to a folder that may not answer, one at a time and with a deadline.
//   - events.go, events_linux.go, events_other.go: what the operating system tells.
//   - older.go: files that were there before.
//   - sum.go: the sum of a file, by which it is known again.
package watch
