// Package devicestest stands in for a camera and a mount in tests, and makes them fail: the real
// INDI server of Debian's indi-bin with its simulators or with a rig of the rehearsal behind it,
// the same rig behind Alpaca, and a line between client and server that can be cut, held or
// changed. Nothing of the program imports it.
//
// Finding aid: server.go starts the INDI server, line.go is the line with faults, rig.go the rig,
// driver.go its INDI driver, alpaca.go its Alpaca server.
package devicestest
