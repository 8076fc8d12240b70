// Command gsc prints stars of the bundled catalogue in the form that the INDI camera simulator
// asks a program of this name for (indi_simulator_ccd 1.9.9, which runs it from PATH and reads
// twelve fields a line). It is for tests and practice with the simulators and is not released.
//
// What comes in: -c RA DEC (degrees, J2000), -r ARCMIN, -m BRIGHTEST FAINTEST, -n MOST. What goes
// out, a line a star, brightest first: number, right ascension, declination, error of the place,
// magnitude, its error, band, class, plate, multiplicity, distance from the centre in arcminutes,
// position angle from it.
package main

import (
	"bufio"
	"fmt"
	"os"
	"strconv"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "gsc:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	var ra, dec, radius, bright, faint float64
	most := 1000.0
	take := func(i int, to ...*float64) error {
		for k, p := range to {
			if i+1+k >= len(args) {
				return fmt.Errorf("%s wants %d numbers", args[i], len(to))
			}
			x, err := strconv.ParseFloat(args[i+1+k], 64)
			if err != nil {
				return fmt.Errorf("%s %s: give a number", args[i], args[i+1+k])
			}
			*p = x
		}
		return nil
	}
	for i := range args {
		var err error
		switch args[i] {
		case "-c":
			err = take(i, &ra, &dec)
		case "-r":
			err = take(i, &radius)
		case "-m":
			err = take(i, &bright, &faint)
		case "-n":
			err = take(i, &most)
		}
		if err != nil {
			return err
		}
	}
	cat, err := catalogs.Open()
	if err != nil {
		return err
	}
	centre := sky.ICRSFromRADec(sky.Angle(ra)*sky.Degree, sky.Angle(dec)*sky.Degree)
	out := bufio.NewWriter(os.Stdout)
	for _, s := range cat.Brightest(centre, sky.Angle(radius)*sky.Arcminute, int(most)) {
		if v := float64(s.V); v < bright || v > faint {
			continue
		}
		a, d := sky.RADecFromICRS(s.Dir)
		fmt.Fprintf(out, "%d %.6f %.6f 0.2 %.2f 0.1 1 0 0 0 %.2f 0\n",
			s.ID+1, a.Degrees(), d.Degrees(), s.V, sky.Separation(centre, s.Dir).Arcminutes())
	}
	return out.Flush()
}
