package main

import (
	"fmt"
	"io"
	"strings"

	"polard/catalogs/deep"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel/sky"

	"github.com/dustin/go-humanize"
	"github.com/spf13/cobra"
)

type planFlags struct {
	field, dec, within float64
	near               string
	asJSON             bool
}

func newCataloguePlan() *cobra.Command {
	var f planFlags
	c := &cobra.Command{
		Use:   "plan --field DEG",
		Short: "how deep stars must be known for a field, and how to ask for them",
		Long: `plan says to which magnitude stars must be known for a field with the longer side given, and prints the
query that gives them, in the language of the Gaia archive (ADQL). Without --dec or --near for the
whole sky; --within says how far on either side of them.`,
		Example: "  polard catalogue plan --field 0.3\n  polard catalogue plan --field 0.3 --dec 60 --within 10\n  polard catalogue plan --field 0.2 --near 83.8,-5.4 --within 3",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			return f.plan(c)
		},
	}
	c.Flags().Float64Var(&f.field, "field", 0, "length of the frame's longer side in degrees (`DEG`)")
	c.Flags().Float64Var(&f.dec, "dec", 0, "declination of what will be looked at (`DEG`)")
	c.Flags().StringVar(&f.near, "near", "", "place of what will be looked at: right ascension and declination in degrees, or as 5:35:17,-5:23:28 (`RA,DEC`)")
	c.Flags().Float64Var(&f.within, "within", 5, "how far around it (`DEG`)")
	c.Flags().BoolVar(&f.asJSON, "json", false, "print one JSON object")
	return c
}

func (f *planFlags) plan(c *cobra.Command) error {
	if !(f.field > 0 && f.field <= largestFieldDeg) {
		return wrongCall("--field: give the longer side of the frame in degrees, above 0 and up to %d, such as 0.3", largestFieldDeg)
	}
	if !(f.within > 0 && f.within <= 90) {
		return wrongCall("--within %g: give degrees, above 0 and up to 90", f.within)
	}
	region := deep.Region{South: -90 * sky.Degree, North: 90 * sky.Degree}
	where := "anywhere"
	switch belt := c.Flags().Changed("dec"); {
	case belt && f.near != "":
		return wrongCall("--dec and --near say the same thing: give one of them")
	case belt:
		if !(f.dec >= -90 && f.dec <= 90) {
			return wrongCall("--dec %g: give a declination, -90 to 90 degrees", f.dec)
		}
		region.South, region.North = sky.Angle(max(f.dec-f.within, -90))*sky.Degree, sky.Angle(min(f.dec+f.within, 90))*sky.Degree
		where = fmt.Sprintf("between declinations %+.1f and %+.1f", region.South.Degrees(), region.North.Degrees())
	case f.near != "":
		at, err := parsePlace(f.near)
		if err != nil {
			return err
		}
		region = deep.Region{Center: at, Radius: sky.Angle(f.within) * sky.Degree}
		where = fmt.Sprintf("within %g degrees of there", f.within)
	case c.Flags().Changed("within"):
		return wrongCall("--within goes with --dec or --near")
	}
	cat, err := pipeline.Catalogue()
	if err != nil {
		return err
	}
	p := deep.PlanFor(cat, sky.Angle(f.field)*sky.Degree, region)
	if f.asJSON {
		return writeJSON(c.OutOrStdout(), planJSON{f.field, p.Enough, p.Short, p.G, p.InField, p.Stars, p.Queries})
	}
	return printPlan(c.OutOrStdout(), f.field, where, p)
}

type planJSON struct {
	FieldDeg float64  `json:"field_deg"`
	Enough   bool     `json:"bundled_enough"`
	Short    bool     `json:"too_few_even_so"`
	Depth    float64  `json:"depth_g_mag"`
	InField  float64  `json:"stars_in_field"`
	Stars    float64  `json:"stars"`
	Queries  []string `json:"queries"`
}

func printPlan(out io.Writer, field float64, where string, p deep.Plan) error {
	var s strings.Builder
	ra, dec := sky.RADecFromICRS(p.Sparse)
	fmt.Fprintf(&s, "A field of %g degrees, %s: stars are sparsest about right ascension %.0f, declination %+.0f.\n", field, where, ra.Degrees(), dec.Degrees())
	if p.Enough {
		s.WriteString("The bundled stars do for it. Nothing need be added.\n")
		_, err := io.WriteString(out, s.String())
		return err
	}
	fmt.Fprintf(&s, "Stars to magnitude G = %.1f put about %.0f into it there. ", p.G, p.InField)
	if p.Short {
		s.WriteString("That is as deep as Gaia goes, and fewer than are wanted: take a larger field, or look where stars are denser. ")
	}
	fmt.Fprintf(&s, "That is %s stars in all, %s MB when added.\n", roughly(p.Stars), roughly(deep.BytesFor(p.Stars)/1e6))
	what := "this query"
	if len(p.Queries) > 1 {
		what = fmt.Sprintf("these %d queries one by one (each gives less than the archive's limit of rows)", len(p.Queries))
	}
	fmt.Fprintf(&s, "Give the Gaia archive (https://gea.esac.esa.int/archive) %s, save the answer as CSV, gzipped if you like:\n\n", what)
	const mostShown = 12
	shown := p.Queries
	if len(shown) > mostShown {
		shown = shown[:2]
	}
	for _, q := range shown {
		s.WriteString(q + "\n\n")
	}
	if more := len(p.Queries) - len(shown); more > 0 {
		fmt.Fprintf(&s, "... and %d more, which --json prints. Better ask for so many stars only where you look: --dec or --near.\n\n", more)
	}
	s.WriteString("Then: polard catalogue add FILE ...\n")
	_, err := io.WriteString(out, s.String())
	return err
}

// roughly writes a number of which two digits are known.
func roughly(x float64) string {
	unit := 1.0
	for x/unit >= 100 {
		unit *= 10
	}
	return humanize.Comma(int64((x/unit)+0.5) * int64(unit))
}
