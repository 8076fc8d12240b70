package match

import "fmt"

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
		len(s.image.At), likelyCause(s.index, s.image, s.hint))}
}
