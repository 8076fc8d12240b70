package main

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/web"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// suggestionJSON is the likeliest mistake about place or clock, with the call that does
// without it.
type suggestionJSON struct {
	web.Suggestion
	Command string `json:"command"`
}

// calledAxis is a call of 'polard axis'.
type calledAxis struct {
	command *cobra.Command
	ahead   time.Duration // what was taken off the frames' times
}

// corrected is the call again with what is suggested, as a POSIX shell reads it.
func (a calledAxis) corrected(s mountmodel.Suggested, frames []pipeline.Outcome) string {
	var words []string
	if s.Ahead != 0 {
		words = append(a.options("clock-ahead"), fmt.Sprintf("--clock-ahead=%s", a.ahead+s.Ahead))
	} else {
		words = append(a.options("lat", "lon"), fmt.Sprintf("--lat=%.4f", s.Site.Latitude.Degrees()), fmt.Sprintf("--lon=%.4f", s.Site.Longitude.Signed().Degrees()))
	}
	for _, o := range frames {
		words = append(words, shellWord(o.Path))
	}
	return "polard axis " + strings.Join(words, " ")
}

// options are those of the call as they were given, but for those left out.
func (a calledAxis) options(without ...string) (out []string) {
	a.command.Flags().Visit(func(f *pflag.Flag) {
		if !slices.Contains(without, f.Name) {
			out = append(out, shellWord("--"+f.Name+"="+f.Value.String()))
		}
	})
	return out
}

// plainWord needs no quotes.
var plainWord = regexp.MustCompile(`^[A-Za-z0-9_@%+=:,./-]+$`)

// shellWord is a word in single quotes where it needs them: POSIX.1-2024, Shell Command
// Language, 2.2.2.
func shellWord(s string) string {
	if plainWord.MatchString(s) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
