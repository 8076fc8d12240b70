// Package setup computes what to set at a place, on a night, before the first
// frame: the person's half of the work, done by hand and eye.
//
//	stage            file            source
//	place            place.go        geometry; ICAO standard atmosphere
//	ground, level    ground.go       derivation in the file
//	compass          magnetic.go     World Magnetic Model 2025
//	sun's shadow     sun.go          Observer.Sun
//	balance          balance.go      law of the lever
//	pole star        polestar.go     Hipparcos, Tycho-2; Observer
//	finder, eyepiece eyepiece.go     geometry
//	kinds of mount   mounts.go       common practice, said so
//	words            words.go        common practice, said so
//	all of it        data.go
//
// The package is pure: the time of night is given to it. Numbers carry their
// uncertainty where one is known. What is a rule of the trade and not a result
// says "common practice" beside it; the makers' manuals come before it.
package setup
