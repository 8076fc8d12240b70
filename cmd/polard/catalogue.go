package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/catalogs/deep"
	"polard/catalogs/extract"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel/sky"

	"github.com/dustin/go-humanize"
	"github.com/spf13/cobra"
)

func newCatalogue() *cobra.Command {
	var folder string
	var asJSON bool
	c := &cobra.Command{
		Use:   "catalogue",
		Short: "the stars that are known: list them, add deeper ones for narrow fields",
		Long: `catalogue lists the stars that frames are matched against: the bundled ones, and those that were
added, with the part of the sky they cover and how deep they go.

The bundled stars do for fields from about one degree. For narrower ones, 'polard catalogue plan'
says how deep stars must be known and which query to give an open archive, and 'polard catalogue add'
takes the answer.`,
		Example: "  polard catalogue\n  polard catalogue plan --field 0.3\n  polard catalogue add gaia.csv.gz",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			return listCatalogues(c.OutOrStdout(), folder, asJSON)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	c.PersistentFlags().StringVar(&folder, "folder", "", "`DIR` of the added stars, instead of the user's data folder; for all users of a machine /usr/local/share/polard")
	c.AddCommand(newCatalogueAdd(&folder), newCataloguePlan())
	return c
}

// addedPath is where the added catalogue of a call lies; to be read, it may be that of the machine.
func addedPath(folder string, toRead bool) (string, error) {
	if folder != "" {
		return filepath.Join(folder, pipeline.AddedFile), nil
	}
	if toRead {
		for _, path := range pipeline.AddedPaths() {
			if _, err := os.Stat(path); err == nil {
				return path, nil
			}
		}
	}
	own, err := pipeline.DataFolder()
	return filepath.Join(own, pipeline.AddedFile), err
}

// gaiaCredit is the acknowledgement that Gaia's data ask for (Gaia archive, credits and citation; from memory).
const gaiaCredit = "This work has made use of data from the European Space Agency (ESA) mission Gaia (https://www.cosmos.esa.int/gaia), " +
	"processed by the Gaia Data Processing and Analysis Consortium (DPAC, https://www.cosmos.esa.int/web/gaia/dpac/consortium). " +
	"Funding for the DPAC has been provided by national institutions, in particular the institutions participating in the Gaia Multilateral Agreement."

// gaiaYear is the epoch of Gaia DR3.
const gaiaYear = 2016.0

type addFlags struct {
	columns, query, credit string
	epoch                  float64
}

func newCatalogueAdd(folder *string) *cobra.Command {
	var f addFlags
	c := &cobra.Command{
		Use:   "add FILE ...",
		Short: "add stars of an open deep catalogue",
		Long: `add merges tables of stars with the bundled ones and with those that were added before, no star twice,
into one file in the user's data folder. Tables may be CSV, also gzipped, ECSV, FITS or VOTable.

Columns are those of the Gaia archive: ra, dec (degrees, ICRS), pmra, pmdec (mas/yr), parallax (mas),
phot_g_mean_mag, phot_bp_mean_mag, phot_rp_mean_mag, ref_epoch; the places are for 2016.0 unless
ref_epoch says another year. Of another catalogue, say with --columns which is which and with --epoch
for which year its places are.

An error names the line, and then nothing is changed; neither is it when the call is interrupted.`,
		Example: "  polard catalogue add gaia-part1.csv.gz gaia-part2.csv.gz\n  polard catalogue add --columns ra=RAJ2000,dec=DEJ2000,mag=Rmag --epoch 2000 stars.csv",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return wrongCall("name at least one table: 'polard catalogue add gaia.csv.gz'; 'polard catalogue plan --field DEG' says how to get one")
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			path, err := addedPath(*folder, false)
			if err != nil {
				return callError{err}
			}
			return f.add(c, path, args)
		},
	}
	c.Flags().StringVar(&f.columns, "columns", "", "which column is what, such as ra=RAJ2000,dec=DEJ2000,mag=Rmag (`LIST`)")
	c.Flags().Float64Var(&f.epoch, "epoch", 0, "Julian `YEAR` of the places, such as 2000")
	c.Flags().StringVar(&f.query, "query", "", "the query or other origin to keep beside the stars (`TEXT`)")
	c.Flags().StringVar(&f.credit, "acknowledge", "", "the acknowledgement that the archive asks for (`TEXT`)")
	return c
}

func (f *addFlags) add(c *cobra.Command, path string, files []string) error {
	var columns extract.Columns
	if c.Flags().Changed("columns") {
		var err error
		if columns, err = extract.ParseColumns(f.columns); err != nil {
			return wrongCall("--columns %w", err)
		}
	}
	_, otherPlaces := columns["ra"]
	switch {
	case c.Flags().Changed("epoch"):
		if !(f.epoch >= 1800 && f.epoch <= 2200) {
			return wrongCall("--epoch %g: give the Julian year of the places, such as 2000 or 2016", f.epoch)
		}
	case otherPlaces && columns["epoch"] == "":
		return wrongCall("say with --epoch for which year the places of these columns are, such as 2000")
	default:
		f.epoch = gaiaYear
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	dropUnfinished(filepath.Dir(path), time.Now())
	done, err := f.merge(c.Context(), path, files, columns, terminal{c.ErrOrStderr()})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(terminal{c.OutOrStdout()}, "%s rows read, %s of them twice or without a magnitude; %s now holds %s stars over %s square degrees.\n%s",
		humanize.Comma(done.rows), humanize.Comma(done.left), shownName(path), humanize.Comma(int64(done.stars)), squareDegrees(done.area), done.credits)
	return err
}

// unfinishedFor is how old the folder of an import must be to be that of one that was killed.
const unfinishedFor = 24 * time.Hour

func dropUnfinished(folder string, now time.Time) {
	old, _ := filepath.Glob(filepath.Join(folder, deep.Unfinished+"*"))
	for _, path := range old {
		if info, err := os.Stat(path); err == nil && info.IsDir() && now.Sub(info.ModTime()) > unfinishedFor {
			os.RemoveAll(path)
		}
	}
}

// merged says what came of adding.
type merged struct {
	rows, left int64
	stars      int
	area       float64
	credits    string
}

func (f *addFlags) merge(ctx context.Context, path string, files []string, columns extract.Columns, log io.Writer) (done merged, err error) {
	cat, err := pipeline.Catalogue()
	if err != nil {
		return done, err
	}
	b, err := deep.NewBuilder(filepath.Dir(path), cat)
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, b.Discard()) }()
	var sources []deep.Source
	old, err := deep.Open(path)
	switch {
	case err == nil:
		sources = old.Sources()
		if err := errors.Join(old.Verify(), b.Keep(ctx, old)); err != nil {
			return done, errors.Join(err, old.Close())
		}
		if err := old.Close(); err != nil {
			return done, err
		}
	case !errors.Is(err, fs.ErrNotExist):
		return done, fmt.Errorf("%w; or take the file away", err)
	}
	for _, file := range files {
		source, err := f.addFile(ctx, b, file, columns, log)
		if err != nil {
			return done, err
		}
		done.rows += source.Rows
		done.left += source.Rows - source.Stars
		sources = slices.DeleteFunc(sources, func(s deep.Source) bool { return s.SHA256 == source.SHA256 })
		sources = append(sources, source)
		if credit := source.Credit + "\n"; source.Credit != "" && !strings.Contains(done.credits, credit) {
			done.credits += credit
		}
	}
	if len(done.credits) > 0 {
		done.credits = "Where results are published, the archive asks for:\n" + done.credits
	}
	dropped, err := b.Finish(ctx, path, sources)
	if err != nil {
		return done, err
	}
	done.left += dropped
	whole, err := deep.Open(path)
	if err != nil {
		return done, err
	}
	defer whole.Close()
	done.stars, done.area = whole.Len(), whole.Area()
	return done, nil
}

// progressEach is how often a long import says how far it is.
const progressEach = 10 * time.Second

func (f *addFlags) addFile(ctx context.Context, b *deep.Builder, file string, columns extract.Columns, log io.Writer) (s deep.Source, err error) {
	in, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return s, fmt.Errorf("%s: there is no such file; nothing was added", shownName(file))
	} else if err != nil {
		return s, err
	}
	defer in.Close()
	defer func() {
		if err != nil && ctx.Err() == nil {
			err = fmt.Errorf("%s: %w; nothing was added", shownName(file), err)
		}
	}()
	sum := sha256.New()
	bytes := io.TeeReader(in, sum)
	table, err := extract.Open(bytes, columns)
	if err != nil {
		return s, err
	}
	last := time.Now()
	n, err := b.AddTable(ctx, table, f.epoch, func(rows int64) {
		if now := time.Now(); now.Sub(last) >= progressEach {
			last = now
			fmt.Fprintf(log, "%s: %s rows read\n", shownName(file), humanize.Comma(rows))
		}
	})
	if err != nil {
		return s, err
	}
	if _, err := io.Copy(io.Discard, bytes); err != nil {
		return s, err
	}
	s = deep.Source{
		File: filepath.Base(file), SHA256: hex.EncodeToString(sum.Sum(nil)), Added: time.Now().UTC().Format(time.DateOnly), Format: table.Format,
		Query: cmp.Or(f.query, table.Query), Credit: cmp.Or(f.credit, table.Credit), Epoch: f.epoch, Rows: n.Rows, Stars: n.Stars,
	}
	if f.credit == "" && columns["mag"] == "" {
		s.Credit = gaiaCredit
	}
	return s, nil
}

func squareDegrees(area float64) string {
	if area < 10 {
		return fmt.Sprintf("%.2g", area)
	}
	return humanize.Comma(int64(area))
}

// What is listed, with units in the keys.
type (
	cataloguesJSON struct {
		Bundled bundledJSON `json:"bundled"`
		Added   *addedJSON  `json:"added"`
	}
	bundledJSON struct {
		Name  string `json:"name"`
		Stars int    `json:"stars"`
	}
	addedJSON struct {
		Path    string        `json:"path"`
		Stars   int           `json:"stars"`
		AreaDeg float64       `json:"area_deg2"`
		Deepest float64       `json:"deepest_mag"`
		Sources []deep.Source `json:"sources"`
	}
)

func listCatalogues(w io.Writer, folder string, asJSON bool) error {
	cat, err := pipeline.Catalogue()
	if err != nil {
		return err
	}
	path, err := addedPath(folder, true)
	if err != nil {
		return callError{err}
	}
	out := cataloguesJSON{Bundled: bundledJSON{"Tycho-2 with supplement 1 (Hog et al. 2000, A&A 355, L27)", cat.Len()}}
	added, err := deep.Open(path)
	if err == nil {
		defer added.Close()
		if err = added.Verify(); err != nil {
			err = fmt.Errorf("%s: %w", shownName(path), err)
		}
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err == nil {
		out.Added = &addedJSON{Path: path, Stars: added.Len(), AreaDeg: added.Area(), Sources: added.Sources()}
		added.Covered(func(_ sky.ICRS, depth float64) { out.Added.Deepest = max(out.Added.Deepest, depth) })
	}
	if asJSON {
		return writeJSON(w, out)
	}
	return printCatalogues(terminal{w}, out, added)
}

func printCatalogues(w io.Writer, out cataloguesJSON, added *deep.Catalogue) error {
	var s strings.Builder
	fmt.Fprintf(&s, "bundled: %s, %s stars to about V = 12 over the whole sky\n", out.Bundled.Name, humanize.Comma(int64(out.Bundled.Stars)))
	if out.Added == nil {
		s.WriteString("added:   none; for fields below about a degree, 'polard catalogue plan --field DEG' says which stars would help\n")
		_, err := io.WriteString(w, s.String())
		return err
	}
	a := out.Added
	fmt.Fprintf(&s, "added:   %s: %s stars with the bundled ones, to magnitude %.1f, over %s square degrees. Take the file away to be without them.\n",
		shownName(a.Path), humanize.Comma(int64(a.Stars)), a.Deepest, squareDegrees(a.AreaDeg))
	for _, f := range a.Sources {
		fmt.Fprintf(&s, "  %s (%s), added on %s: %s rows, places of %.1f, SHA-256 %s\n", oneLine(f.File), f.Format, f.Added, humanize.Comma(f.Rows), f.Epoch, f.SHA256)
		if f.Query != "" {
			fmt.Fprintf(&s, "    query: %s\n", oneLine(f.Query))
		}
		if f.Credit != "" {
			fmt.Fprintf(&s, "    acknowledgement: %s\n", oneLine(f.Credit))
		}
	}
	s.WriteString(depthMap(added))
	_, err := io.WriteString(w, s.String())
	return err
}

// Patches of the map: an hour of right ascension by 15 degrees of declination.
const mapColumns, mapRows = 24, 12

// depthMap draws where stars were added, and how deep: the sky as it is seen, right ascension growing to the left.
func depthMap(added *deep.Catalogue) string {
	var cells, all [mapRows][mapColumns]int
	var sum [mapRows][mapColumns]float64
	patch := func(d sky.ICRS) (row, column int) {
		ra, dec := sky.RADecFromICRS(d)
		return min(int((90-dec.Degrees())/15), mapRows-1), min(int(ra.Positive().Hours()), mapColumns-1)
	}
	deep.Cells(func(middle sky.ICRS) {
		row, column := patch(middle)
		all[row][column]++
	})
	added.Covered(func(middle sky.ICRS, depth float64) {
		row, column := patch(middle)
		cells[row][column]++
		sum[row][column] += depth
	})
	var s strings.Builder
	s.WriteString("faintest magnitude added, by declination (degrees) and right ascension (hours); * where less than half of a patch was, . none\n     ")
	for h := mapColumns - 1; h >= 0; h-- {
		fmt.Fprintf(&s, "%3d", h)
	}
	for row := range mapRows {
		fmt.Fprintf(&s, "\n%+4d ", 90-15*row-15)
		for h := mapColumns - 1; h >= 0; h-- {
			switch n := cells[row][h]; {
			case n == 0:
				s.WriteString("  .")
			case 2*n < all[row][h]:
				s.WriteString("  *")
			default:
				fmt.Fprintf(&s, "%3.0f", sum[row][h]/float64(n))
			}
		}
	}
	s.WriteString("\n")
	return s.String()
}
