package web

import (
	"fmt"

	"polard/mountmodel/sky"
)

// SaidFrom is a sentence in wire form; nil for none.
func SaidFrom(s sky.Saying) *Said { return said(s) }

// said is a sentence in wire form; nil for none.
func said(s sky.Saying) *Said {
	if s.Text == "" {
		return nil
	}
	out := &Said{Code: s.Code, Text: s.Text}
	number := func(x float64) *Number { n := Number(x); return &n }
	for _, a := range s.Args {
		var arg SaidArg
		switch a := a.(type) {
		case int:
			arg.Count = &a
		case sky.Amount:
			arg.SizeArcsec = number(sky.Angle(a).Arcseconds())
		case sky.Whole:
			arg.WholeDeg = number(sky.Angle(a).Degrees())
		case sky.Known:
			arg.KnownArcsec = number(sky.Angle(a).Arcseconds())
		case sky.Decimal:
			arg.Number, arg.Digits = number(a.Value), a.Digits
		case sky.Saying:
			arg.Said = said(a)
		default:
			arg.Text = fmt.Sprint(a)
		}
		out.Args = append(out.Args, arg)
	}
	return out
}

func saidAll(all []sky.Saying) []Said {
	var out []Said
	for _, s := range all {
		if w := said(s); w != nil {
			out = append(out, *w)
		}
	}
	return out
}
