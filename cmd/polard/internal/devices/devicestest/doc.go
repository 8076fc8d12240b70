// Package devicestest stands in for a camera and a mount in tests, and makes them fail: the real
// INDI server of Debian's indi-bin with its simulators or with a rig of the rehearsal behind it,
// and the same rig behind Alpaca. Nothing of the program imports it.
//
// Finding aid: server.go starts the INDI server, rig.go is the rig, driver.go its INDI driver, alpaca.go its Alpaca server.
package devicestest
