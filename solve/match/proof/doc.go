// Package proof weighs what was found in an image against chance. In go predictions, places where catalogue
// stars must be and what was detected there; out come the odds.
//
// A candidate says where every catalogue star of the field must be
// in the image. Against it stands chance: detections lie anywhere, with the
// local density that this image has, and a catalogue star finds one within the
// tolerance with probability p. Of n stars with expected chance hits mu = sum
// p, at least k hit by chance with a probability of at most
//
//	exp(-mu) mu^k / k! / (1 - mu/(k+1))      for k >= mu + 1
//
// The hits are a sum of independent yes-or-no trials, which need not be equally
// likely. Above its mean such a sum is spread no wider than were they (Hoeffding 1956, Annals
// of Mathematical Statistics 27, 713, theorem 4), and that no wider than Poisson's
// distribution of the same mean (Anderson and Samuels 1967, Proc. 5th Berkeley Symposium 1, 1; both from
// memory, and held against exact sums in TestTailBoundsTheExactProbability), whose tail is at most its
// first term times a geometric series. The candidate was not the only one tried: by the union
// bound the odds are multiplied by
//
//   - the number of candidates in this frame so far: catalogue patterns that
//     fitted an image pattern, whether or not any other star was asked for;
//   - the number of depths (how many of the brightest stars count, and among how many of the
//     brightest detections), of tolerances and of starts among which the best was chosen;
//   - the volume of the fit: from the tolerance t of its start to the final one
//     r, the fit's 4 parameters may have picked the best of about (t/r)^4
//     distinguishable places, and of (t/r)^6 where a lens's radial term, a complex
//     number as well, was free. A lens assumed beforehand is counted by its candidates.
//
// The four stars of the pattern brought the candidate about and do not count.
// What stays is a bound on the expected number of wrong solutions for the whole
// frame at this strength of evidence; its negative logarithm is what is
// reported as log10_odds.
//
// Files, from the top:
//
//	proof.go  evidence, and the tail of chance
//	field.go  detections by place, and how dense they are
package proof
