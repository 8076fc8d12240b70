package sky

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Saying is a sentence for a person: its code and what stands in it, from which a
// catalogue of any language says it, and the sentence in English. An argument is a
// string (a name), an int (a count), a [Angle] as [Amount], [Known] or [Whole], a [Decimal], or a Saying.
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

// Decimal is a number with so many digits behind the point; the sentence has its unit.
type Decimal struct {
	Value  float64
	Digits int
}

// String is the number with a decimal point.
func (d Decimal) String() string { return strconv.FormatFloat(d.Value, 'f', d.Digits, 64) }

// Refusal is an error that a catalogue of any language can say.
type Refusal struct {
	Why  Saying
	Kind error // which it is besides; nil for none
}

// Refuse makes one as [Say] does. In English the words of its kind go before its own.
func Refuse(kind error, code, format string, args ...any) error {
	r := &Refusal{Say(code, format, args...), kind}
	if kind != nil {
		r.Why.Text = kind.Error() + ": " + r.Why.Text
	}
	return r
}

// Error is the sentence in English.
func (r *Refusal) Error() string { return r.Why.Text }

// Unwrap gives the kind.
func (r *Refusal) Unwrap() error { return r.Kind }

// Saying is the sentence.
func (r *Refusal) Saying() Saying { return r.Why }

// SayingOf is an error's sentence, without a code where the error holds none. In English it is the
// whole error; by its code what was put before it is left out, and what follows is one more argument.
func SayingOf(err error) Saying {
	if err == nil {
		return Saying{}
	}
	whole := Saying{Text: err.Error()}
	var says interface{ Saying() Saying }
	if errors.As(err, &says) {
		s := says.Saying()
		whole.Code, whole.Args = s.Code, s.Args
		if _, more, found := strings.Cut(whole.Text, s.Text+": "); found {
			whole.Args = append(slices.Clone(s.Args), more)
		}
	}
	return whole
}

// English gives the sentences as text.
func English(said []Saying) []string {
	var out []string
	for _, s := range said {
		out = append(out, s.Text)
	}
	return out
}
