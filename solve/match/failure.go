package match

import (
	"fmt"
	"math"
	"polard/catalogs"
	"polard/mountmodel/sky"
)

// Failure says why an image has no match, in words for the person at the
// mount.
type Failure struct {
	Code    string // few_stars or no_match
	Message string
}

func (f *Failure) Error() string { return f.Message }

// noMatch is the failure of the passes made so far.
func (s *Search) noMatch() *Failure {
	return &Failure{Code: "no_match", Message: fmt.Sprintf("%d star-like spots found, but no part of the sky fits them with proof: %s",
		len(s.image.At), s.likelyCause())}
}

// neededInField is the number of catalogue stars in the field from which nearly every
// frame is solved (TestSurvey).
const neededInField = 12

// likelyCause says what most probably kept an image from being matched: with a known
// scale, a field too small for the catalogue or a scale beyond the search.
func (s *Search) likelyCause() string {
	cat, image, hint := s.index.Catalogue, s.image, s.hint
	const look = "check focus and exposure, and that the frame shows stars"
	if hint.Scale <= 0 {
		return look
	}
	if hint.Scale < FinestScale || hint.Scale > CoarsestScale {
		return fmt.Sprintf("its scale should be %.3g arcsec per pixel, and %g to %g are searched; bin the pixels, or correct the scale",
			hint.Scale.Arcseconds(), FinestScale.Arcseconds(), CoarsestScale.Arcseconds())
	}
	w, h := sky.Angle(image.Width)*hint.Scale, sky.Angle(image.Height)*hint.Scale
	area := w.Radians() * h.Radians()
	where := "on average over the sky"
	expected := float64(cat.Len()) * area / (4 * math.Pi)
	if hint.Near != nil {
		// Counted in a circle of at least a degree, for the place is not known better.
		radius := max(sky.Angle(math.Sqrt(area/math.Pi)), sky.Degree)
		n := 0
		cat.Cone(*hint.Near, radius, math.Inf(1), func(catalogs.Star) { n++ })
		where, expected = "there", float64(n)*area/(2*math.Pi*(1-radius.Cos()))
	}
	if expected >= neededInField {
		return look
	}
	return fmt.Sprintf("a field of %.2f by %.2f degrees holds about %.0f stars of the catalogue %s, and about %d are needed: use a shorter focal length, a reducer or a larger sensor",
		w.Degrees(), h.Degrees(), expected, where, neededInField)
}
