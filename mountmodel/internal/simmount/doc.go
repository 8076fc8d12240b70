// Package simmount is a mount with a known axis, drawn at random, that makes
// matched stars with known noise: the truth that tests measure against. It draws
// no pixels (package rehearsal does) and is for tests only: mount.go.
package simmount
