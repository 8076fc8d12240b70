package sky

import "fmt"

// Saying is a sentence for a person: its code and what stands in it, from which a
// catalogue of any language says it, and the sentence in English. An argument is a
// string (a name), an int (a count), a [Angle] as [Amount], [Known] or [Whole], or a Saying.
type Saying struct {
	Code string
	Args []any
	Text string
}

// Say makes a sentence. The format is that of the English one; it takes the
// arguments in their order.
func Say(code, format string, args ...any) Saying {
	return Saying{Code: code, Args: args, Text: fmt.Sprintf(format, args...)}
}

// String is the sentence in English.
func (s Saying) String() string { return s.Text }

// Amount is an angle that is said by its size, as [AngleWords] does.
type Amount Angle

// String is the angle in words.
func (a Amount) String() string { return AngleWords(Angle(a)) }

// Known is an uncertainty, said as [KnownWords] does.
type Known Angle

// String is the uncertainty in words.
func (k Known) String() string { return KnownWords(Angle(k)) }

// Whole is an angle said in whole degrees.
type Whole Angle

// String is the angle in words.
func (w Whole) String() string { return fmt.Sprintf("%.0f°", Angle(w).Degrees()) }

// English gives the sentences as text.
func English(said []Saying) []string {
	var out []string
	for _, s := range said {
		out = append(out, s.Text)
	}
	return out
}
