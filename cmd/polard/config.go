package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Options come from the command line, else from the environment, else from the
// configuration file, else they have their default. All three know an option by
// the same name: --allow-network, POLARD_ALLOW_NETWORK, allow_network.

// configured marks the commands that run unattended, whose options may stand in
// the environment and in a file.
const configured = "configured"

// fromAnnotation tells where the value of an option came from when it was not the
// command line.
const fromAnnotation = "from"

// notConfigured are options that make sense on the command line only.
var notConfigured = []string{"help", "config", "json"}

// envPrefix stands before the name of an option in the environment.
const envPrefix = "POLARD_"

func addConfig(root *cobra.Command) {
	root.PersistentFlags().String("config", "", "read options from this `FILE` (TOML); also POLARD_CONFIG")
	root.PersistentFlags().String("log-format", logText, "`WORD` for the form of the log on standard error: text, or json for one object a line")
	root.PersistentPreRunE = func(c *cobra.Command, _ []string) error {
		if c.Annotations[configured] != "" {
			if err := configure(c, os.LookupEnv); err != nil {
				return callError{err}
			}
		}
		return checkLogFormat(c)
	}
}

// configure fills in the options of a command that the command line does not
// give.
func configure(c *cobra.Command, env func(string) (string, bool)) error {
	path, _ := c.Flags().GetString("config")
	if path == "" {
		path, _ = env(envPrefix + "CONFIG")
	}
	file := configFile{}
	if path != "" {
		known := make(map[string]bool)
		for _, other := range append(c.Root().Commands(), c) {
			if other.Annotations[configured] != "" {
				for name := range configurable(other) {
					known[fileKey(name)] = true
				}
			}
		}
		var err error
		if file, err = readConfig(path, known); err != nil {
			return err
		}
	}
	var errs []error
	for _, name := range slices.Sorted(maps.Keys(configurable(c))) {
		flag := c.Flags().Lookup(name)
		if flag.Changed {
			continue
		}
		value, from := "", ""
		if v, ok := env(envName(name)); ok && v != "" {
			value, from = v, "the environment ("+envName(name)+")"
		} else if entry, ok := file[fileKey(name)]; ok {
			value, from = entry.value, fmt.Sprintf("%s, line %d", path, entry.line)
		} else {
			continue
		}
		if err := c.Flags().Set(name, value); err != nil {
			errs = append(errs, fmt.Errorf("%s: %q is no value for %s: give %s", from, value, fileKey(name), valueWords(flag.Value.Type())))
			continue
		}
		if err := c.Flags().SetAnnotation(name, fromAnnotation, []string{from}); err != nil {
			return err
		}
	}
	return errors.Join(errs...)
}

// configurable are a command's options that may stand in the environment and in
// a file.
func configurable(c *cobra.Command) map[string]*pflag.Flag {
	out := make(map[string]*pflag.Flag)
	take := func(f *pflag.Flag) {
		if !slices.Contains(notConfigured, f.Name) {
			out[f.Name] = f
		}
	}
	c.LocalFlags().VisitAll(take)
	c.InheritedFlags().VisitAll(take)
	return out
}

func envName(option string) string { return envPrefix + strings.ToUpper(fileKey(option)) }
func fileKey(option string) string { return strings.ReplaceAll(option, "-", "_") }

// withOrigin adds to what is wrong with options where their values came from, when
// that was not the command line.
func withOrigin(c *cobra.Command, err error) error {
	var notes []string
	c.Flags().VisitAll(func(f *pflag.Flag) {
		from := f.Annotations[fromAnnotation]
		if len(from) == 1 && regexp.MustCompile(`--`+regexp.QuoteMeta(f.Name)+`\b`).MatchString(err.Error()) {
			notes = append(notes, fmt.Sprintf("--%s comes from %s", f.Name, from[0]))
		}
	})
	if len(notes) == 0 {
		return err
	}
	return fmt.Errorf("%w (%s)", err, strings.Join(notes, "; "))
}

// configFile is what a configuration file gives, by key.
type configFile map[string]configEntry

type configEntry struct {
	value string
	line  int
}

// readConfig reads a configuration file. What is wrong with it is reported by line,
// and a key that no command knows is refused.
func readConfig(path string, known map[string]bool) (configFile, error) {
	text, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no configuration file %s: make it, or leave --config and POLARD_CONFIG out", path)
	case err != nil:
		return nil, fmt.Errorf("configuration: %w", err)
	}
	return parseConfig(path, text, known)
}

func parseConfig(path string, text []byte, known map[string]bool) (configFile, error) {
	var values map[string]any
	if err := toml.Unmarshal(text, &values); err != nil {
		var at toml.ParseError
		if errors.As(err, &at) {
			return nil, fmt.Errorf("%s, line %d: %s", path, at.Position.Line, at.Message)
		}
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	out := make(configFile)
	var errs []error
	for _, key := range slices.Sorted(maps.Keys(values)) {
		line := lineOf(text, key)
		if !known[key] {
			errs = append(errs, fmt.Errorf("%s, line %d: there is no option %q%s", path, line, key, keySuggestion(key, known)))
			continue
		}
		value, ok := optionText(values[key])
		if !ok {
			errs = append(errs, fmt.Errorf("%s, line %d: %s is a text, a number, true or false, or a list of texts", path, line, key))
			continue
		}
		out[key] = configEntry{value, line}
	}
	return out, errors.Join(errs...)
}

// lineOf is the line on which a key of the top level stands, from 1; 0 when it
// is written in a way of its own.
func lineOf(text []byte, key string) int {
	at := regexp.MustCompile(`^\s*(\[+\s*)?["']?` + regexp.QuoteMeta(key) + `["']?\s*[=.\]]`)
	for i, line := range bytes.Split(text, []byte("\n")) {
		if at.Match(line) {
			return i + 1
		}
	}
	return 0
}

// keySuggestion names a known key that a wrong one may have meant: one that is the same
// but for hyphens and case, or that shares its beginning.
func keySuggestion(key string, known map[string]bool) string {
	plain := strings.ToLower(fileKey(key))
	if known[plain] {
		return fmt.Sprintf("; did you mean %s?", plain)
	}
	const begin = 3 // letters
	for _, k := range slices.Sorted(maps.Keys(known)) {
		if len(plain) >= begin && strings.HasPrefix(k, plain[:begin]) {
			return fmt.Sprintf("; did you mean %s?", k)
		}
	}
	return ""
}

// optionText is a value as it would stand on the command line.
func optionText(v any) (string, bool) {
	switch v := v.(type) {
	case string:
		return v, true
	case bool:
		return strconv.FormatBool(v), true
	case int64:
		return strconv.FormatInt(v, 10), true
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64), true
	case []any:
		var words []string
		for _, e := range v {
			s, ok := e.(string)
			if !ok {
				return "", false
			}
			words = append(words, s)
		}
		var b strings.Builder
		w := csv.NewWriter(&b) // as pflag reads lists
		if w.Write(words) != nil {
			return "", false
		}
		w.Flush()
		return strings.TrimSuffix(b.String(), "\n"), true
	}
	return "", false
}
