package observed

import (
	"bufio"
	"fmt"
	"os"
	"strings"
	"testing"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// What the shortened series may lose against the full one: 2.4e-9 of the speed
// of light is 0.0005 arcsec of aberration, a fortieth of the promise for
// observed places; 2e-5 au is 4 arcsec in the direction of the Sun and changes
// its bending of light, at 1 degree from it, by 0.0005 arcsec.
const (
	earthVelocityError = 2.4e-9
	earthPlaceErrorAU  = 2e-5
)

// Source: testdata/erfa/earth.tsv, ERFA epv00, years 1972 to 2100.
func TestEarthAgainstERFA(t *testing.T) {
	f, err := os.Open("../../testdata/erfa/earth.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const auPerDayInC = astronomicalUnitM / (secondsPerDay * float64(speedOfLightMS))
	var worstV, worstP float64
	n := 0
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") || strings.HasPrefix(s.Text(), "tdb_days") {
			continue
		}
		var days float64
		var v, p sky.Vec
		if _, err := fmt.Sscan(s.Text(), &days, &v.X, &v.Y, &v.Z, &p.X, &p.Y, &p.Z); err != nil {
			t.Fatal(err)
		}
		gotV, gotP := earthState(days / daysPerCentury)
		worstV = max(worstV, r3.Norm(r3.Sub(gotV, r3.Scale(auPerDayInC, v))))
		worstP = max(worstP, r3.Norm(r3.Sub(gotP, p)))
		n++
	}
	t.Logf("%d dates: velocity within %.2g c, place within %.2g au", n, worstV, worstP)
	if n < 400 {
		t.Errorf("%d dates read, want 400", n)
	}
	if worstV > earthVelocityError {
		t.Errorf("velocity off by %.2g c, allowed %.2g", worstV, earthVelocityError)
	}
	if worstP > earthPlaceErrorAU {
		t.Errorf("place off by %.2g au, allowed %.2g", worstP, earthPlaceErrorAU)
	}
}
