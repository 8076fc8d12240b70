// Package alpaca is a client of Alpaca devices: HTTP and JSON, pictures as ImageBytes, discovery by
// UDP (Alpaca API Reference, version 12; Device API v1 and Management API v1 as OpenAPI documents;
// Alpaca ImageBytes, version 1.0, 2022).
//
// What comes in: addresses that the user named, or that answer on the local network when that was
// asked for, and requests through the seam of [polard/cmd/polard/internal/devices]. What goes out:
// devices, pictures as FITS files, and the requests that expose, turn, stop and track.
//
// A picture's time is that of this machine: the moment at which the device took the order.
//
// Finding aid: client.go asks and lists devices, discover.go finds servers, image.go reads pictures,
// camera.go and mount.go are the adapters.
package alpaca
