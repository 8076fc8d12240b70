// Package index: a catalogue goes in, levels of patterns come out: built, cached in a folder, looked up by shape.
package index
