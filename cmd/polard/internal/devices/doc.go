// Package devices is the seam between the measurement and the camera and mount that it works
// through: what comes in are requests to expose and to turn the right ascension axis, what goes
// out are whole FITS files and what the mount reports.
//
// Two adapters stand behind it, each for an open protocol: [polard/cmd/polard/internal/devices/indi]
// (INDI 1.7, XML over TCP) and [polard/cmd/polard/internal/devices/alpaca] (HTTP and JSON).
// Which movements are allowed is decided above it, in [polard/cmd/polard/internal/devices/measure];
// an adapter moves nothing on its own.
//
// Finding aid: devices.go has the interfaces and what travels through them, sense.go which way a mount
// moves and when it stands.
package devices
