package report

import (
	"embed"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"strings"
	"sync"

	"polard/mountmodel/sky"
	"polard/web"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/message/catalog"
)

// Languages of the page; the first stands where no other is wanted.
var Languages = []string{"en", "de", "fr", "es", "it", "ja", "zh"}

//go:embed words/*.json
var catalogues embed.FS

// sentences reads the catalogues: a sentence by its code, in each language.
var sentences = sync.OnceValues(func() (catalog.Catalog, error) {
	b := catalog.NewBuilder()
	for _, l := range Languages {
		text, err := catalogues.ReadFile(path.Join("words", l+".json"))
		if err != nil {
			return nil, err
		}
		var all map[string]string
		if err := json.Unmarshal(text, &all); err != nil {
			return nil, fmt.Errorf("words/%s.json: %w", l, err)
		}
		for code, sentence := range all {
			if err := b.SetString(language.Make(l), code, sentence); err != nil {
				return nil, err
			}
		}
	}
	return b, nil
})

// words say the page in one language.
type words struct {
	language string
	printer  *message.Printer
}

func wordsOf(l string) (words, error) {
	if !slices.Contains(Languages, l) {
		return words{}, fmt.Errorf("the report is not written in %q: choose one of %s", l, strings.Join(Languages, ", "))
	}
	all, err := sentences()
	if err != nil {
		return words{}, err
	}
	return words{l, message.NewPrinter(language.Make(l), message.Catalog(all))}, nil
}

// english are the words of the JSON form.
func english() words {
	w, err := wordsOf("en")
	if err != nil {
		panic(err) // the catalogues are embedded
	}
	return w
}

// say is the sentence of a code; numbers are written as the language does, but for the minus sign, which is that of the
// page.
func (w words) say(code string, args ...any) string {
	text := w.printer.Sprintf(code, args...)
	if slices.ContainsFunc(args, func(a any) bool { number, is := a.(float64); return is && number < 0 }) {
		return strings.ReplaceAll(text, "-", "−") // such a sentence has no names in it
	}
	return text
}

// has tells whether there is a sentence of that code.
func (w words) has(code string) bool { return w.say(code) != code }

// tag is the language of the page as HTML names it.
func (w words) tag() string {
	if w.language == "zh" {
		return "zh-Hans"
	}
	return w.language
}

func (w words) angle(arcmin web.Number) string {
	return w.comma(sky.AngleWords(sky.Angle(arcmin) * sky.Arcminute))
}
func (w words) known(arcsec web.Number) string {
	return w.comma(sky.KnownWords(sky.Angle(arcsec) * sky.Arcsecond))
}

// primes are the signs of minutes and seconds of arc, and of numbers below nothing, as on the page.
var primes = strings.NewReplacer("'", "′", "\"", "″", "-", "−")

// comma writes decimals as the language does.
func (w words) comma(number string) string {
	number = primes.Replace(number)
	if slices.Contains([]string{"de", "fr", "es", "it"}, w.language) {
		return strings.ReplaceAll(number, ".", ",")
	}
	return number
}
