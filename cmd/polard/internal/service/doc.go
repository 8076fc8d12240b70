// Package service is the live service behind a page: frames that arrive in a folder become numbers at a browser.
//
// In come arrivals from [watch.Watcher], what people do on the page, and the session that the journal holds; out go states
// for the page, lines of the log, metrics, and messages to a broker. One goroutine owns the alignment: see [Controller].
//
//   - service.go: all parts, started and stopped together; health and readiness.
//   - controller.go: the goroutine that owns the alignment; frames and commands reach it as messages.
//   - activity.go: what goes on with frames that have no numbers yet.
//   - contain.go: a panic costs what it happened in, and no more.
//   - attempts.go: which file is being read, so that one that ends the service is passed over next time.
//   - operator.go: what the page can ask for.
//   - alignment.go: what the entries of a journal make, live and on replay.
//   - replay.go: going on with the session of the journal.
//   - entry.go: what the journal keeps of a frame, and what the page shows of it.
//   - overlay.go: where in a frame the pole and the axis lie.
//   - putstar.go: which star goes where, for rigs without two bolts.
//   - planner.go: what the exposures planned ask of the alignment.
//   - notifiers.go: alarms, metrics, the broker.
//   - headers.go: what frames' headers give to say.
//   - rig.go: the simulated rig of a rehearsal.
//   - memory_linux.go, memory_other.go: the memory that the process has and may have.
package service
