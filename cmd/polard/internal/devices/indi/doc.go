// Package indi is a client of INDI servers: version 1.7 of the protocol, XML over TCP (Downey 2007,
// "INDI: Instrument-Neutral Distributed Interface Control Protocol"; names of standard properties
// from Debian's libindi-dev 1.9.9, indistandardproperty.h).
//
// What comes in: bytes of a server, whatever they are, and requests through the seam of
// [polard/cmd/polard/internal/devices]. What goes out: devices, their properties, pictures as FITS,
// and the few properties that are set to expose, turn, stop and track. Nothing else is ever set,
// but that a chosen device is connected and a camera sends its pictures here.
//
// A [Client] keeps one connection, takes it up again when it is lost, and holds the newest value of
// each property; [Camera] and [Mount] work on it.
//
// Finding aid: message.go reads the stream, property.go keeps what it says, client.go the
// connection, blob.go unpacks pictures, camera.go and mount.go are the adapters.
package indi
