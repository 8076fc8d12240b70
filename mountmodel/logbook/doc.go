// Package logbook keeps what happened at the mount: every alignment session
// with the frames it saw, what the person did, and what came out of it, in an
// SQLite file that survives a killed process and a power cut.
//
//	stage                       file        what it owns
//	what is kept                entry.go    [Session], [Entry], [Frame], [Result]
//	tables and their versions   schema.go   one list of steps; a newer file is refused
//	the open file               book.go     [Open], [OpenToRead], [Book.Check]
//	writing, one transaction    write.go    [Book.Begin], [Book.Append]
//	questions                   read.go     [Book.Last], [Book.Entries], [Book.Outcome], [Book.Files]
//	what the nights said        nights.go   [Book.Nights]
//	values as columns           stored.go
//	matched stars as bytes      pairs.go
//	a database server           postgres.go
//	keeping without waiting     writer.go   [Writer]: a queue in memory and one goroutine that writes
//	a session nobody keeps      orphan.go   [Book.Orphaned], [Book.Release]
//	what the folder held before older.go    [Stamp]
//	what is wrong, in words     trouble.go  [Trouble], [EntryError]
//
// The entries of a session are its whole truth: config, frames, events and
// strokes in the order and with the times at which they reached it. Given to
// a new session in that order they bring it to where it stood, bit for bit,
// so numbers that a replay depends on are stored as they are in memory
// (radians, nanoseconds, IEEE 754 doubles). Results are derived from them;
// they are kept for histories and exports, in the units that their columns name.
package logbook
