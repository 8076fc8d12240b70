package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/web"

	"github.com/spf13/cobra"
)

func newLog() *cobra.Command {
	var state stateFlags
	var asJSON, asCSV, all bool
	c := &cobra.Command{
		Use:   "log [SESSION]",
		Short: "list the sessions in the logbook, or write one out as CSV or JSON",
		Long: `log lists the sessions that 'polard serve' kept, newest first. With the number of one it
shows its entries as a table: frames, what was reported and set, and where the axis was after
each. --csv writes one line an entry, with a heading that names columns and units; --json one object a
line. With --all instead of a number the entries of every session are written.

Exit status: 0, or 1 when there is no such session or the logbook cannot be read.`,
		Example: "  polard log\n  polard log 12 --csv > night.csv\n  polard log --all --json",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 1 || len(args) == 1 && all {
				return wrongCall("name one session by its number, or give --all: 'polard log' lists them")
			}
			return nil
		},
		Annotations: map[string]string{configured: "yes"},
		RunE: func(c *cobra.Command, args []string) error {
			if asJSON && asCSV {
				return wrongCall("give --json or --csv, not both")
			}
			id := int64(0)
			if len(args) == 1 {
				var err error
				if id, err = strconv.ParseInt(args[0], 10, 64); err != nil || id <= 0 {
					return wrongCall("%q is no number of a session: 'polard log' lists them", args[0])
				}
			}
			book, err := state.openToRead(c.Context())
			if err != nil {
				return err
			}
			defer book.Close()
			sessions, err := wantedSessions(c.Context(), book, id)
			if err != nil {
				return err
			}
			var to lineWriter[entryLine]
			switch {
			case id == 0 && !all:
				return listSessions(c.Context(), c.OutOrStdout(), book, sessions, asJSON, asCSV)
			case asCSV:
				to = newCSVLines[entryLine](c.OutOrStdout())
			case asJSON:
				to = jsonLines[entryLine]{json.NewEncoder(c.OutOrStdout())}
			default:
				to = newTableEntries(terminal{c.OutOrStdout()})
			}
			for _, s := range sessions {
				if err := book.Entries(c.Context(), s.ID, false, func(e logbook.Entry) error { return to.write(entryLineOf(s, e)) }); err != nil {
					return err
				}
			}
			return to.flush()
		},
	}
	state.addFolder(c)
	state.addServer(c)
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON object a line")
	c.Flags().BoolVar(&asCSV, "csv", false, "comma-separated values (RFC 4180)")
	c.Flags().BoolVar(&all, "all", false, "the entries of every session")
	return c
}

// wantedSessions is one session, or all with 0.
func wantedSessions(ctx context.Context, book *logbook.Book, id int64) ([]logbook.Session, error) {
	if id == 0 {
		return book.Sessions(ctx, time.Time{}, 0)
	}
	s, err := book.Session(ctx, id)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return nil, fmt.Errorf("the logbook has no session %d: 'polard log' lists those it has", id)
	}
	return []logbook.Session{*s}, nil
}

// sessionLine is a session as it is written out.
type sessionLine struct {
	Session  int64  `json:"session"`
	Program  string `json:"program"`
	Source   string `json:"source"`
	Folder   string `json:"folder"`
	BeganUTC string `json:"began_utc"`
	HeardUTC string `json:"heard_utc"`
	Entries  int64  `json:"entries"`

	Phase       string     `json:"phase,omitempty"`
	LatDeg      web.Number `json:"lat_deg"`
	LonDeg      web.Number `json:"lon_deg"`
	FirstArcmin web.Number `json:"first_total_arcmin"` // when first measured
	LastArcmin  web.Number `json:"last_total_arcmin"`  // at the end
}

func listSessions(ctx context.Context, out io.Writer, book *logbook.Book, sessions []logbook.Session, asJSON, asCSV bool) error {
	var to lineWriter[sessionLine]
	switch {
	case asCSV:
		to = newCSVLines[sessionLine](out)
	case asJSON:
		to = jsonLines[sessionLine]{json.NewEncoder(out)}
	case len(sessions) == 0:
		_, err := fmt.Fprintln(out, "no session is kept yet")
		return err
	default:
		to = newTableSessions(out)
	}
	for _, s := range sessions {
		o, err := book.Outcome(ctx, s)
		if err != nil {
			return err
		}
		if err := to.write(sessionLineOf(s, o)); err != nil {
			return err
		}
	}
	return to.flush()
}

func sessionLineOf(s logbook.Session, o logbook.Outcome) sessionLine {
	l := sessionLine{
		Session: s.ID, Program: s.Program, Source: s.Source, Folder: s.Folder, BeganUTC: web.UTC(s.Begun), HeardUTC: web.UTC(s.Heard), Entries: s.Count,
		LatDeg: web.Unknown, LonDeg: web.Unknown, FirstArcmin: web.Unknown, LastArcmin: web.Unknown,
	}
	if o.Config != nil {
		l.LatDeg, l.LonDeg = web.Number(o.Config.Site.Latitude.Degrees()), web.Number(o.Config.Site.Longitude.Degrees())
	}
	if o.Last != nil {
		l.Phase, l.FirstArcmin, l.LastArcmin = string(o.Last.Phase), web.Number(o.First.OffsetTotalArcmin), web.Number(o.Last.OffsetTotalArcmin)
	}
	return l
}

func arcminWords(n web.Number) string {
	if n != n {
		return "-"
	}
	return fmt.Sprintf("%.2f'", n)
}

// digits is a number in CSV: empty when it is not known.
func digits(n web.Number) string {
	if n != n {
		return ""
	}
	return strconv.FormatFloat(float64(n), 'g', -1, 64)
}

// entryLine is an entry as it is written out.
type entryLine struct {
	Session int64  `json:"session"`
	Entry   int64  `json:"entry"`
	AtUTC   string `json:"at_utc"`
	Kind    string `json:"kind"`    // config, frame, event, stroke, choice, plan, lens, note
	Content string `json:"content"` // the event, the stroke, the choice, the note, or a configuration, a plan or a lens as JSON with units in its keys

	Set  *writtenConfig `json:"-"` // what Content holds of a configuration
	Lens *writtenLens   `json:"-"` // and of a lens

	File      string     `json:"file,omitempty"`
	MidUTC    string     `json:"mid_utc,omitempty"`
	Refused   string     `json:"refused,omitempty"` // why the frame could not be used
	Detected  int        `json:"detected,omitempty"`
	Matched   int        `json:"matched,omitempty"`
	RMSArcsec web.Number `json:"rms_arcsec"`
	RADeg     web.Number `json:"ra_deg"`
	DecDeg    web.Number `json:"dec_deg"`

	Phase             string     `json:"phase,omitempty"`
	Pole              string     `json:"pole,omitempty"`
	AxisAltDeg        web.Number `json:"axis_alt_deg"`
	AxisAzDeg         web.Number `json:"axis_az_deg"`
	OffsetAltArcmin   web.Number `json:"offset_alt_arcmin"`
	OffsetAzArcmin    web.Number `json:"offset_az_arcmin"`
	OffsetTotalArcmin web.Number `json:"offset_total_arcmin"`
	SigmaAltArcsec    web.Number `json:"sigma_alt_arcsec"`
	SigmaAzArcsec     web.Number `json:"sigma_az_arcsec"`
	Correlation       web.Number `json:"correlation"`
	ToleranceArcmin   web.Number `json:"tolerance_arcmin"`
	Within            bool       `json:"within"`
	Doubt             bool       `json:"doubt"`
	TurnDeg           web.Number `json:"turn_deg"`
	Chi2Dof           web.Number `json:"chi2_dof"`
	LockTotalArcmin   web.Number `json:"lock_total_arcmin"`
	LockSigmaArcsec   web.Number `json:"lock_sigma_arcsec"`
}

func entryLineOf(s logbook.Session, e logbook.Entry) entryLine {
	l := entryLine{
		Session: s.ID, Entry: e.Seq, AtUTC: web.UTC(e.At), RMSArcsec: web.Unknown, RADeg: web.Unknown, DecDeg: web.Unknown,
		AxisAltDeg: web.Unknown, AxisAzDeg: web.Unknown, OffsetAltArcmin: web.Unknown, OffsetAzArcmin: web.Unknown, OffsetTotalArcmin: web.Unknown,
		SigmaAltArcsec: web.Unknown, SigmaAzArcsec: web.Unknown, Correlation: web.Unknown, ToleranceArcmin: web.Unknown, TurnDeg: web.Unknown,
		Chi2Dof: web.Unknown, LockTotalArcmin: web.Unknown, LockSigmaArcsec: web.Unknown,
	}
	asJSON := func(v any) string {
		b, err := json.Marshal(v)
		if err != nil {
			return err.Error()
		}
		return string(b)
	}
	switch {
	case e.Config != nil:
		set := writtenConfigOf(*e.Config)
		l.Kind, l.Content, l.Set = "config", asJSON(set), &set
	case e.Event != "":
		l.Kind, l.Content = "event", string(e.Event)
	case e.Stroke != nil:
		l.Kind, l.Content = "stroke", fmt.Sprintf("%s bolt by %g turns", e.Stroke.Bolt, e.Stroke.Turns)
	case e.Choice != nil:
		l.Kind, l.Content = "choice", choiceWords(*e.Choice)
	case e.Plan != nil:
		l.Kind, l.Content = "plan", asJSON(writtenPlanOf(*e.Plan))
	case e.Lens != nil:
		lens := writtenLensOf(*e.Lens)
		l.Kind, l.Content, l.Lens = "lens", asJSON(lens), &lens
	case e.Note != nil:
		l.Kind, l.Content = "note", e.Note.Key+": "+e.Note.Value
	}
	if f := e.Frame; f != nil {
		l.Kind, l.File, l.MidUTC, l.Refused, l.Detected, l.Matched = "frame", f.Sighting.Name, web.UTC(f.Sighting.Mid), f.Sighting.Refused, f.Detected, f.Matched
		if f.Matched > 0 {
			l.RMSArcsec, l.RADeg, l.DecDeg = web.Number(f.RMSArcsec), web.Number(f.RADeg), web.Number(f.DecDeg)
		}
	}
	if r := e.Result; r != nil {
		l.Phase, l.Pole, l.Within, l.Doubt = string(r.Phase), r.Pole.String(), r.Within, r.Doubt
		l.AxisAltDeg, l.AxisAzDeg = web.Number(r.AltDeg), web.Number(r.AzDeg)
		l.OffsetAltArcmin, l.OffsetAzArcmin, l.OffsetTotalArcmin = web.Number(r.OffsetAltArcmin), web.Number(r.OffsetAzArcmin), web.Number(r.OffsetTotalArcmin)
		l.SigmaAltArcsec, l.SigmaAzArcsec, l.Correlation = web.Number(r.SigmaAltArcsec), web.Number(r.SigmaAzArcsec), web.Number(r.Correlation)
		l.ToleranceArcmin, l.TurnDeg, l.Chi2Dof = web.Number(r.ToleranceArcmin), web.Number(r.TurnDeg), web.Number(r.Chi2Dof)
		l.LockTotalArcmin, l.LockSigmaArcsec = web.Number(r.LockTotalArcmin), web.Number(r.LockSigmaArcsec)
	}
	return l
}

// choiceWords says which frame the person left out or took back.
func choiceWords(c mountmodel.FrameChoice) string {
	if c.Counts {
		return c.Name + " counts again"
	}
	return c.Name + " left out"
}

// lineWriter writes lines out in one format.
type lineWriter[L any] interface {
	write(L) error
	flush() error
}

type jsonLines[L any] struct{ *json.Encoder }

func (j jsonLines[L]) write(l L) error { return j.Encode(l) }
func (j jsonLines[L]) flush() error    { return nil }

// csvLines writes the same members as jsonLines, in the same order, below a heading.
type csvLines[L any] struct{ *csv.Writer }

func newCSVLines[L any](out io.Writer) csvLines[L] {
	c := csvLines[L]{csv.NewWriter(out)}
	names, _ := columnsOf(*new(L))
	_ = c.Write(names) // an error stays until flush
	return c
}

func (c csvLines[L]) write(l L) error {
	_, values := columnsOf(l)
	return c.Write(values)
}

func (c csvLines[L]) flush() error {
	c.Flush()
	return c.Error()
}

// columnsOf gives the names and the values of the members of a struct, in CSV.
func columnsOf(line any) (names, values []string) {
	v := reflect.ValueOf(line)
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		if name == "-" {
			continue
		}
		names = append(names, name)
		switch x := v.Field(i).Interface().(type) {
		case web.Number:
			values = append(values, digits(x))
		case string:
			// A spreadsheet takes these for a formula, and names of files are
			// anybody's (OWASP, CSV Injection).
			if x != "" && strings.ContainsRune("=+-@\t\r", rune(x[0])) {
				x = "'" + x
			}
			values = append(values, x)
		default:
			values = append(values, fmt.Sprint(x))
		}
	}
	return names, values
}
