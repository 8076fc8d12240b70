package sky

import (
	"fmt"
	"math"
)

// AngleWords writes the size of an angle as a person reads it at the mount:
// whole arcseconds below an arcminute (42"), tenths of arcminutes below a
// degree (7.0'), hundredths of degrees from there on (2.35°).
func AngleWords(a Angle) string {
	a = a.Abs()
	switch {
	case math.Round(a.Arcseconds()) < 60:
		return fmt.Sprintf("%.0f\"", a.Arcseconds())
	case math.Round(a.Arcminutes()*10) < 600:
		return fmt.Sprintf("%.1f'", a.Arcminutes())
	default:
		return fmt.Sprintf("%.2f°", a.Degrees())
	}
}

// KnownWords writes an uncertainty: tenths of arcseconds below 10 (0.3"), then
// as AngleWords does.
func KnownWords(a Angle) string {
	if a = a.Abs(); math.Round(a.Arcseconds()*10) < 100 {
		return fmt.Sprintf("%.1f\"", a.Arcseconds())
	}
	return AngleWords(a)
}
