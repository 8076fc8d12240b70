package match

import (
	"fmt"
	"math"

	"polard/catalogs"
	"polard/catalogs/deep"
	"polard/mountmodel/sky"
	"polard/solve/index"
	"polard/solve/match/proof"

	"gonum.org/v1/gonum/spatial/r3"
)

// Why an image found no match, as far as numbers tell: with a known scale, a field too small for the stars at hand,
// how deep stars must be known for it, and where more stand.

// neededInField is the number of catalogue stars in the field from which nearly every
// frame is solved (TestSurvey).
const neededInField = 12

// likelyCause says what of its field most probably kept an image from being matched; "" when that is wide enough or its scale
// not known.
func likelyCause(x *index.Index, image proof.Detections, hint Hint) string {
	if hint.Scale <= 0 {
		return ""
	}
	if hint.Scale < FinestScale*(1-hintTolerance) || hint.Scale > CoarsestScale {
		return fmt.Sprintf("its scale should be %.3g arcsec per pixel, and %.3g to %.3g are searched; bin the pixels, or correct the scale",
			hint.Scale.Arcseconds(), FinestScale.Arcseconds(), CoarsestScale.Arcseconds())
	}
	w, h := sky.Angle(image.Width)*hint.Scale, sky.Angle(image.Height)*hint.Scale
	if long := max(w, h); long > widestField {
		return fmt.Sprintf("at its scale it would see %.0f degrees, and lenses for up to %.0f are known; use a longer focal length, or correct the scale",
			long.Degrees(), widestField.Degrees())
	}
	area := w.Degrees() * h.Degrees()
	field := fmt.Sprintf("a field of %.2f by %.2f degrees", w.Degrees(), h.Degrees())
	if hint.Near == nil {
		expected := float64(x.Catalogue.Len()) / wholeSky * area
		if expected >= neededInField {
			return ""
		}
		return fmt.Sprintf("%s holds about %.0f of the bundled stars on average over the sky, and about %d are needed: %suse a shorter focal length, a reducer or a larger sensor",
			field, expected, neededInField, adding(w, h, x))
	}
	there := counter(x, area)
	expected := there(*hint.Near)
	if expected >= neededInField {
		return ""
	}
	deeper := "even Gaia knows too few there; "
	if depth, ok := deep.DepthFor(x.Catalogue, neededInField/area, *hint.Near); ok {
		deeper = fmt.Sprintf("those to magnitude %.1f would do; %s", depth, adding(w, h, x))
	}
	return fmt.Sprintf("%s holds about %.2g of the known stars there, and about %d are needed; %s%suse a shorter focal length, a reducer or a larger sensor",
		field, expected, neededInField, deeper, richer(*hint.Near, there))
}

// adding is the advice to add stars, where a field is so narrow that it helps.
func adding(w, h sky.Angle, x *index.Index) string {
	if max(w, h) > addedField {
		return ""
	}
	where := ""
	if x.Added != nil {
		where = " there"
	}
	return fmt.Sprintf("add stars%s ('polard catalogue plan --field %.2g' says how), ", where, max(w, h).Degrees())
}

// counter tells how many stars that can be matched a field of so many square degrees holds about a place, counted
// in a circle of at least a degree, for the place is not known better.
func counter(x *index.Index, area float64) func(sky.ICRS) float64 {
	radius := max(sky.Angle(math.Sqrt(area/math.Pi))*sky.Degree, sky.Degree)
	circle := 2 * math.Pi * (1 - radius.Cos()) * sq(180/math.Pi)
	return func(at sky.ICRS) float64 {
		n := 0
		if _, ok := addedAt(x, at); ok {
			n = x.Added.Count(at, radius, math.Inf(1))
		} else {
			x.Catalogue.Cone(at, radius, math.Inf(1), func(catalogs.Star) { n++ })
		}
		return float64(n) / circle * area
	}
}

func addedAt(x *index.Index, at sky.ICRS) (float64, bool) {
	if x.Added == nil {
		return 0, false
	}
	return x.Added.Depth(at)
}

// Places around are looked at in rings, a step apart, as far as it is worth turning there.
const (
	ringStep     = 3 * sky.Degree
	farthestRing = 30 * sky.Degree
)

// richer says which way the nearest place lies where a field holds enough, and how far.
func richer(at sky.ICRS, there func(sky.ICRS) float64) string {
	directions := []string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}
	for r := ringStep; r <= farthestRing; r += ringStep {
		best, most := -1, float64(neededInField)
		for i := range directions {
			if n := there(offset(at, sky.Angle(i)*45*sky.Degree, r)); n >= most {
				best, most = i, n
			}
		}
		if best >= 0 {
			ra, dec := sky.RADecFromICRS(offset(at, sky.Angle(best)*45*sky.Degree, r))
			return fmt.Sprintf("or turn %.0f degrees to the %s in the sky (right ascension %.0f, declination %+.0f), where it holds about %.0f, ",
				r.Degrees(), directions[best], ra.Positive().Degrees(), dec.Degrees(), most)
		}
	}
	return ""
}

// offset is the place at an angle from another, at a position angle counted from north through east.
func offset(at sky.ICRS, towards, by sky.Angle) sky.ICRS {
	east, north := eastAndNorth(at)
	way := r3.Add(r3.Scale(towards.Cos(), north), r3.Scale(towards.Sin(), east))
	return sky.Unit(sky.ICRS(r3.Add(r3.Scale(by.Cos(), sky.Vec(at)), r3.Scale(by.Sin(), way))))
}

// Failure says why an image has no match, in words for the person at the
// mount.
type Failure struct {
	Code    string // few_stars or no_match
	Message string
}

func (f *Failure) Error() string { return f.Message }

// noMatch is the failure of the passes made so far.
func noMatch(s *Search) *Failure {
	why := likelyCause(s.index, s.image, s.hint)
	if why == "" {
		why = "check focus and exposure, and that the frame shows stars"
		if s.hint.Scale <= 0 {
			why = fmt.Sprintf("check focus and exposure, that the frame shows stars, and that the lens sees no more than %.0f degrees", widestField.Degrees())
		}
	}
	return &Failure{Code: "no_match", Message: fmt.Sprintf("%d star-like spots found, but no part of the sky fits them with proof: %s", len(s.image.At), why)}
}

// fewStars is the failure where too few are seen for any proof.
func fewStars(s *Search) *Failure {
	seen := fmt.Sprintf("only %d stars", len(s.image.At))
	switch len(s.image.At) {
	case 0:
		seen = "no star"
	case 1:
		seen = "only one star"
	}
	why := "expose longer, focus, or wait for clouds to pass"
	if field := likelyCause(s.index, s.image, s.hint); field != "" {
		why += "; " + field
	}
	return &Failure{Code: "few_stars", Message: fmt.Sprintf("%s found, at least %d are needed: %s", seen, FewestStars, why)}
}
