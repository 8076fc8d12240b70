package deep

import (
	"fmt"
	"math"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// Plan is what a field asks of a catalogue.
type Plan struct {
	G       float64 // magnitude to which it must go
	Enough  bool    // whether the bundled stars do
	Short   bool    // whether even Gaia has too few
	InField float64 // stars expected in the field at G, where stars are sparsest
	Stars   float64 // expected in the whole area
	Queries []string
	Sparse  sky.ICRS // where stars are sparsest
}

// Region is the part of the sky that is asked for: a circle, or all between two declinations.
type Region struct {
	Center       sky.ICRS
	Radius       sky.Angle // 0 for a belt
	South, North sky.Angle // of the belt
}

const (
	// wantedInField is how many stars a field should hold on average where they are sparsest: then five in six hold
	// the dozen with which nearly all are solved (Poisson's distribution).
	wantedInField = 15

	// fieldShape is the shorter side to the longer one of most sensors.
	fieldShape = 2.0 / 3

	// mostRows is how many rows the Gaia archive gives at once to whoever is not registered (from memory).
	mostRows = 3e6

	// brightestAsked is the least depth worth asking for: the bundled stars go nearly so deep.
	brightestAsked = 12
)

// PlanFor says how deep stars must be known for a field with the longer side given, over a region.
func PlanFor(cat *catalogs.Catalogue, field sky.Angle, region Region) Plan {
	p := Plan{}
	area := fieldShape * sq(field.Degrees())
	places := region.samples()
	sparsest := math.Inf(1)
	for _, at := range places {
		if n := starsPerSquareDegree(cat, countedTo+4, at); n < sparsest {
			sparsest, p.Sparse = n, at
		}
	}
	v := float64(countedTo)
	for ; v < deepestCounted; v += 0.1 {
		if starsPerSquareDegree(cat, v, p.Sparse)*area >= wantedInField {
			break
		}
	}
	p.InField = starsPerSquareDegree(cat, v, p.Sparse) * area
	p.Short = p.InField < wantedInField
	p.G = math.Ceil((v-medianColour)*5) / 5
	p.Enough = p.G < brightestAsked
	for _, at := range places {
		p.Stars += starsPerSquareDegree(cat, p.G+medianColour, at) * region.area() / float64(len(places))
	}
	p.Queries = region.queries(p.G, int(math.Ceil(p.Stars/mostRows)))
	return p
}

// DepthFor is the G to which there are so many stars a square degree about a place; not ok when even Gaia has fewer.
func DepthFor(cat *catalogs.Catalogue, perSquareDegree float64, at sky.ICRS) (g float64, ok bool) {
	for v := float64(countedTo); v <= deepestCounted; v += 0.1 {
		if starsPerSquareDegree(cat, v, at) >= perSquareDegree {
			return v - medianColour, true
		}
	}
	return 0, false
}

// area of the region in square degrees.
func (r Region) area() float64 {
	height := 1 - r.Radius.Cos()
	if r.Radius == 0 {
		height = r.North.Sin() - r.South.Sin()
	}
	return 2 * math.Pi * height * sq(180/math.Pi)
}

// samples are places spread evenly over the region (a spiral of equal steps in area).
func (r Region) samples() []sky.ICRS {
	const n = 150
	golden := math.Pi * (3 - math.Sqrt(5))
	var out []sky.ICRS
	pole, bottom, top := sky.ICRS{Z: 1}, r.South.Sin(), r.North.Sin()
	if r.Radius > 0 {
		pole, bottom, top = sky.Unit(r.Center), r.Radius.Cos(), 1
	}
	across := sky.Vec{X: 1}
	if math.Abs(pole.X) > 0.7 {
		across = sky.Vec{Y: 1}
	}
	x := sky.Unit(sky.Vec{X: pole.Y*across.Z - pole.Z*across.Y, Y: pole.Z*across.X - pole.X*across.Z, Z: pole.X*across.Y - pole.Y*across.X})
	y := sky.Vec{X: pole.Y*x.Z - pole.Z*x.Y, Y: pole.Z*x.X - pole.X*x.Z, Z: pole.X*x.Y - pole.Y*x.X}
	for i := range n {
		h := bottom + (top-bottom)*(float64(i)+0.5)/n
		s, c := math.Sincos(golden * float64(i))
		w := math.Sqrt(math.Max(1-h*h, 0))
		out = append(out, sky.ICRS{
			X: h*pole.X + w*(c*x.X+s*y.X), Y: h*pole.Y + w*(c*x.Y+s*y.Y), Z: h*pole.Z + w*(c*x.Z+s*y.Z),
		})
	}
	return out
}

// queries asks the Gaia archive for the region, in ADQL 2.1 (IVOA Recommendation), in parts of equal area.
func (r Region) queries(g float64, parts int) []string {
	const ask = "SELECT source_id, ra, dec, pmra, pmdec, parallax, phot_g_mean_mag, phot_bp_mean_mag, phot_rp_mean_mag\nFROM gaiadr3.gaia_source\nWHERE phot_g_mean_mag < %.1f"
	base := fmt.Sprintf(ask, g)
	if r.Radius > 0 {
		ra, dec := sky.RADecFromICRS(r.Center)
		base += fmt.Sprintf("\n  AND 1 = CONTAINS(POINT('ICRS', ra, dec), CIRCLE('ICRS', %.4f, %.4f, %.3f))", ra.Degrees(), dec.Degrees(), r.Radius.Degrees())
	}
	parts = max(parts, 1)
	if parts == 1 && r.Radius == 0 && r.South <= -90*sky.Degree && r.North >= 90*sky.Degree {
		return []string{base}
	}
	south, north := r.South.Sin(), r.North.Sin()
	if r.Radius > 0 {
		if parts == 1 {
			return []string{base}
		}
		_, dec := sky.RADecFromICRS(r.Center)
		south, north = math.Max(dec.Degrees()-r.Radius.Degrees(), -90), math.Min(dec.Degrees()+r.Radius.Degrees(), 90)
		south, north = math.Sin(south*math.Pi/180), math.Sin(north*math.Pi/180)
	}
	var out []string
	for i := range parts {
		at := func(k int) float64 {
			return math.Asin(math.Min(math.Max(south+(north-south)*float64(k)/float64(parts), -1), 1)) * 180 / math.Pi
		}
		out = append(out, base+fmt.Sprintf("\n  AND dec >= %.4f AND dec < %.4f", at(i), at(i+1)+endOf(i, parts)))
	}
	return out
}

// endOf lets the last part hold its own northern end.
func endOf(i, parts int) float64 {
	if i == parts-1 {
		return 0.0001
	}
	return 0
}
