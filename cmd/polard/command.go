package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"runtime/debug"
	"strings"

	"polard/cmd/polard/internal/pipeline"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Exit statuses.
const (
	exitDone  = 0 // everything asked for was found
	exitNot   = 1 // some of it was not, and the output says why
	exitUsage = 2 // the call itself was wrong
)

// notFound is an outcome that was already reported to the user: only the exit
// status is left.
var errNotFound = errors.New("not everything was found")

// callError is a call that was wrong; the message says what to do.
type callError struct{ error }

func (e callError) Unwrap() error { return e.error }

func wrongCall(format string, args ...any) error { return callError{fmt.Errorf(format, args...)} }

// execute runs the program with its arguments and gives the exit status.
func execute(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := newRoot(stdout, stderr)
	root.SetArgs(args)
	ran, err := root.ExecuteContextC(ctx)
	if err != nil {
		err = withOrigin(ran, err)
	}
	var call callError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errNotFound):
		return exitNot
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(stderr, "polard: stopped before everything was done")
		return exitNot
	case errors.As(err, &call) || strings.HasPrefix(err.Error(), "unknown command"):
		fmt.Fprintf(terminal{stderr}, "polard: %v\n", err)
		fmt.Fprintln(stderr, "'polard help' lists the commands, 'polard COMMAND --help' tells about one.")
		return exitUsage
	default:
		fmt.Fprintf(terminal{stderr}, "polard: %v\n", err)
		return exitNot
	}
}

const about = `polard finds out where the right ascension axis of an equatorial mount points,
from pictures of any open patch of sky taken while the axis turns, and says
which bolt to turn, which way and how far, until the axis points at the
refracted pole.

For a first look without a telescope:    polard rehearse
Beside the mount, with a camera's folder: polard serve FOLDER --lat 46.3 --lon 13.1`

func newRoot(stdout, stderr io.Writer) *cobra.Command {
	root := &cobra.Command{
		Use: "polard", Short: "align an equatorial mount on the pole", Long: about,
		SilenceUsage: true, SilenceErrors: true,
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
		// Two letters changed make any short name of any other.
		SuggestionsMinimumDistance: 1,
	}
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SetFlagErrorFunc(wrongFlag)
	root.AddCommand(newSite(), newSolve(), newAxis(), newMeasure(), newDevices(), newTrail(), newServe(), newWatch(), newCheck(), newOverview(), newReport(), newRehearse(), newCatalogue(), newLog(), newVersion())
	for _, c := range root.Commands() {
		c.SuggestFor = swapped(c.Name())
	}
	root.SetHelpCommand(newHelp())
	addConfig(root)
	return root
}

// swapped are a word with two neighbouring letters swapped, which is one slip (Damerau 1964), though two
// letters are changed.
func swapped(word string) (out []string) {
	for i := range len(word) - 1 {
		out = append(out, word[:i]+word[i+1:i+2]+word[i:i+1]+word[i+2:])
	}
	return out
}

// wrongFlag says what is wrong with an option, in words for a person.
func wrongFlag(c *cobra.Command, err error) error {
	var value *pflag.InvalidValueError
	var missing *pflag.ValueRequiredError
	var unknown *pflag.NotExistError
	switch {
	case errors.As(err, &value):
		f := value.GetFlag()
		return wrongCall("--%s %q: give %s", f.Name, value.GetValue(), valueWords(f.Value.Type()))
	case errors.As(err, &missing):
		f := missing.GetFlag()
		return wrongCall("--%s stands without its value: give %s", f.Name, valueWords(f.Value.Type()))
	case errors.As(err, &unknown):
		return wrongCall("'%s' has no option --%s; '%s --help' lists those it has", c.CommandPath(), unknown.GetSpecifiedName(), c.CommandPath())
	}
	return wrongCall("%w; '%s --help' lists the options", err, c.CommandPath())
}

// valueWords says what an option of a type wants to be given.
func valueWords(kind string) string {
	switch kind {
	case "float64":
		return "a number, with a point for the decimals, such as 46.32"
	case "angle":
		return `degrees, such as 46.32 or -30.2, or with the side, such as "46 19 12 N" or "13 4 12 E"`
	case "int":
		return "a whole number"
	case "uint64":
		return "a whole number, 0 or more"
	case "duration":
		return "a time with its unit, such as 30m or 2h"
	case "bool":
		return "nothing, or true or false after an equals sign"
	}
	return "a word"
}

func newHelp() *cobra.Command {
	return &cobra.Command{
		Use: "help [COMMAND]", Short: "tell about a command",
		RunE: func(c *cobra.Command, args []string) error {
			about, _, err := c.Root().Find(args)
			if err != nil {
				return wrongCall("there is no command %q", strings.Join(args, " "))
			}
			return about.Help()
		},
	}
}

func newVersion() *cobra.Command {
	var terms bool
	c := &cobra.Command{
		Use: "version", Short: "print the version and what is bundled",
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			if terms {
				_, err := io.WriteString(c.OutOrStdout(), licences)
				return err
			}
			cat, err := pipeline.Catalogue()
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s\ncatalogue: Tycho-2 with supplement 1, %d stars (Hog et al. 2000, A&A 355, L27)\n", programName(), cat.Len())
			return err
		},
	}
	c.Flags().BoolVar(&terms, "licences", false, "print the licences of everything that is linked in")
	return c
}

// licences is made by 'make licences'.
//
//go:embed licences.txt
var licences string

// version is set by the linker for a release.
var version = "0.1.0"

// programName is the name and version, with the revision it was built from
// where that is known.
func programName() string {
	name := "polard " + version
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" && len(s.Value) >= 10 {
				name += " (" + s.Value[:10] + ")"
			}
		}
	}
	return name
}

func noArguments(c *cobra.Command, args []string) error {
	if len(args) > 0 {
		return wrongCall("'%s' takes no argument, but was given %q", c.CommandPath(), args[0])
	}
	return nil
}

func someFrames(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return wrongCall("name at least one FITS file: '%s FRAME.fits ...'", c.CommandPath())
	}
	return nil
}
