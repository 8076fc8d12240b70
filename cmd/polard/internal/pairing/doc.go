// Package pairing lets other devices reach the page of a running service.
//
// In come the address of the page and a right; out come a one-time link, as text and as a QR code (ISO/IEC 18004) for a
// phone's camera, and the list of devices that were paired, kept in a file of the program's state.
//
//   - invitation.go: the link and its picture.
//   - devices.go: the list of devices.
//   - localkey.go: the key of this machine, by which its own commands are known.
//   - lock_unix.go, lock_windows.go: the lock on a file, for one writer at a time.
//   - client.go: what commands ask of a service that runs already.
package pairing
