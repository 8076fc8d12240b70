package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"polard/mountmodel/setup"
	"polard/mountmodel/sky"
	"polard/web"

	"github.com/spf13/cobra"
)

// dateForms are how --date can be written; those without a zone mean UTC.
var dateForms = []string{time.RFC3339, "2006-01-02T15:04Z07:00", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02"}

func parseDate(text string) (time.Time, error) {
	for _, form := range dateForms {
		if t, err := time.Parse(form, text); err == nil {
			return t, nil
		}
	}
	return time.Time{}, wrongCall("--date %q: give it as 2026-03-07T21:30:00Z or, with the zone of your clock, 2026-03-07T22:30:00+01:00; without a zone it is UTC", text)
}

func newSite() *cobra.Command {
	var site siteFlags
	var rig rigFlags
	var eyepiece eyepieceFlags
	var date string
	var asJSON bool
	var mount string
	c := &cobra.Command{
		Use:   "site --lat DEG --lon DEG",
		Short: "tell what to set at a place before the first frame",
		Long: `site prints the set-up for a place and a night, in the order in which it is done:
what the latitude scale should read, how the tripod stands, where true north or
south is by compass and by the Sun's shadow, how to balance, how the mount stands at
the start, and where the pole star is seen against the pole.

With --part, --sliding and --shaft it works out where the counterweight goes. With
--telescope and --eyepiece it tells how wide the field is and whether the pole star is
in it.

Exit status: 0 printed, 2 the call was wrong.`,
		Example: `  polard site --lat 46.32 --lon 13.07 --elevation 640
  polard site --lat -31.4 --lon 149.1 --date 2026-03-07T22:30:00+11:00 --telescope 200 --eyepiece 20
  polard site --lat 46.32 --lon 13.07 --part tube,7.5,210,15 --part camera,0.9,210,-420 --shaft 110,380,1.2 --sliding 5`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			when := time.Now()
			if c.Flags().Changed("date") {
				var err error
				if when, err = parseDate(date); err != nil {
					return err
				}
			}
			cfg, err := site.config(c, nil, nil)
			if err != nil {
				return err
			}
			var report siteReport
			kind := setup.Mount(mount)
			if !slices.Contains(setup.Mounts(), kind) {
				return wrongCall("--mount %q: give german, fork or tracker", mount)
			}
			if report.eyepiece, err = eyepiece.field(c); err != nil {
				return err
			}
			if report.data, err = setup.NewData(cfg.Site, cfg.Air, cfg.Pole, when); err != nil {
				// The place was checked: the date is all that is left to be wrong.
				return wrongCall("the date %s cannot be computed: give --date in the years 1972 to 2099", when.Format("2006-01-02"))
			}
			report.data = report.data.For(kind)
			if rig.given(c) {
				if kind == setup.Fork {
					return wrongCall("a fork has no counterweight shaft: leave out --part, --shaft, --sliding, --counterweight and --saddle with --mount fork")
				}
				r, err := rig.rig(c, report.data.Place.LatitudeScale)
				if err != nil {
					return err
				}
				balance, err := setup.NewBalance(r)
				if err != nil {
					return callError{err}
				}
				report.rig, report.balance = r, &balance
			}
			return report.print(c.OutOrStdout(), asJSON)
		},
	}
	site.add(c)
	c.Flags().StringVar(&date, "date", "", "the `TIME` to compute for, such as 2026-03-07T21:30:00Z; without it now")
	c.Flags().StringVar(&mount, "mount", string(setup.German), "`KIND` of mount: german, fork on a wedge, or tracker on a ball head")
	eyepiece.add(c)
	rig.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// siteReport is what the site command prints.
type siteReport struct {
	data     setup.Data
	eyepiece *eyepieceField
	rig      setup.Rig
	balance  *setup.Balance
}

// wire is the report as JSON has it.
func (r siteReport) wire() (web.SetupData, error) {
	var through *setup.Eyepiece
	if r.eyepiece != nil {
		through = &r.eyepiece.Eyepiece
	}
	out, err := web.SetupDataFrom(r.data, through)
	if r.balance != nil {
		out.Balance = web.BalanceFromSetup(*r.balance)
	}
	return out, err
}

func (r siteReport) print(w io.Writer, asJSON bool) error {
	if asJSON {
		data, err := r.wire()
		if err != nil {
			return err
		}
		return writeJSON(w, data)
	}
	_, err := io.WriteString(w, r.text())
	return err
}

// lineWidth is where lines of prose are broken.
const lineWidth = 78

// page collects text for a person.
type page struct{ strings.Builder }

func (p *page) heading(format string, args ...any) {
	title := fmt.Sprintf(format, args...)
	fmt.Fprintf(p, "\n%s\n%s\n", title, strings.Repeat("-", len([]rune(title))))
}

// item writes a paragraph that hangs from a dash.
func (p *page) item(format string, args ...any) { p.wrap("- ", "  ", fmt.Sprintf(format, args...)) }

func (p *page) wrap(first, rest, text string) {
	line, width := first, len([]rune(first))
	empty := true
	for _, word := range strings.Fields(text) {
		n := len([]rune(word))
		if !empty && width+1+n > lineWidth {
			fmt.Fprintln(p, line)
			line, width, empty = rest, len([]rune(rest)), true
		}
		if !empty {
			line += " "
			width++
		}
		line += word
		width += n
		empty = false
	}
	fmt.Fprintln(p, line)
}

func (p *page) items(texts []string) {
	for _, t := range texts {
		p.item("%s", t)
	}
}

// sided writes an angle with one of two words for its sign.
func sided(a sky.Angle, decimals int, positive, negative string) string {
	word := positive
	if a < 0 {
		word = negative
	}
	return fmt.Sprintf("%.*f degrees %s", decimals, a.Abs().Degrees(), word)
}

// clockText writes hours on a clock's face as one reads them: 0.5 is 12:30.
func clockText(hours float64) string {
	minutes := int(math.Round(hours*60)) % 720
	h := minutes / 60
	if h == 0 {
		h = 12
	}
	return fmt.Sprintf("%d:%02d", h, minutes%60)
}

func (r siteReport) text() string {
	var p page
	s := r.data
	zone := s.Time.Location()
	clock := func(t time.Time) string { return t.In(zone).Round(time.Minute).Format("15:04") }
	fmt.Fprintf(&p, "Set-up at %s, %s, %.0f m above the sea\nfor %s\n",
		sided(s.Site.Latitude, 4, "north", "south"), sided(s.Site.Longitude.Signed(), 4, "east", "west"), s.Site.ElevationM,
		s.Time.Format("Monday 2006-01-02 15:04:05 (UTC-07:00); all times below are of this zone"))

	p.heading("Before you begin")
	for _, c := range setup.Cautions(s.SunUp, s.Mount) {
		p.item("%s. %s", c.Title, c.Text)
	}
	for _, warning := range web.SetupWarnings(s) {
		p.item("Note: %s", warning.Message)
	}

	p.heading("1. Place: the latitude scale")
	p.items(setup.LatitudeSteps(s.Place, s.Mount))
	p.item("Usual air pressure at this height: %.0f hPa. The air lifts the pole by %s, known to %s; the %s pole is aimed at. For exposures that are planned another place may be better: 'polard trail' tells.", s.Place.PressureHPa, sky.AngleWords(s.Place.Lift), sky.KnownWords(s.Place.LiftSigma), s.Pole)

	p.heading("2. Ground: tripod and level")
	p.item("Legs towards the true directions %.0f, %.0f and %.0f degrees (0 north, 90 east, 180 south, 270 west).", s.Legs[0].Degrees(), s.Legs[1].Degrees(), s.Legs[2].Degrees())
	p.items(setup.GroundSteps(s.Site, s.Mount))
	if s.LevelProblem == nil {
		p.item("Here, with the base leaning by %.0f degree to the east: turning the mount by 1 degree in azimuth changes the altitude by %.1f', and changing the altitude by 1 degree takes the axis %.1f' sideways.",
			setup.LevelNear.Degrees(), 60*math.Abs(s.Level.AltitudePerAzimuth), 60*math.Abs(s.Level.AcrossPerAltitude))
	}

	r.compassText(&p)
	r.shadowText(&p, clock)

	p.heading("4. Balance")
	p.items(setup.BalanceSteps(s.Mount))
	r.balanceText(&p)

	p.heading("5. Starting position")
	p.items(setup.MountSteps(s.Mount, s.Place))

	r.starText(&p)
	return p.String()
}

func (r siteReport) compassText(p *page) {
	side := "north"
	if r.data.Place.South {
		side = "south"
	}
	p.heading("3. True %s by compass", side)
	c := r.data.Compass
	if c == nil || c.Use == setup.CompassNone {
		p.item("No bearing: see the note at the top.")
		return
	}
	p.item("Compass bearing to true %s: %.1f degrees.", side, c.Bearing.Degrees())
	p.item("Magnetic declination: %s, known to %.1f degrees (one standard deviation, without iron nearby), changing by %s a year. World Magnetic Model 2025.",
		sided(c.Declination, 1, "east", "west"), c.Sigma.Degrees(), sided(c.Field.DeclinationPerYear(), 2, "eastwards", "westwards"))
	p.items(setup.CompassSteps())
}

func (r siteReport) shadowText(p *page, clock func(time.Time) string) {
	s := r.data
	p.heading("   By day: the Sun's shadow")
	p.items(setup.ShadowSteps())
	crosses := func(m setup.SunMoment) bool { return m.Event == setup.Sunrise || m.Event == setup.Sunset }
	if !slices.ContainsFunc(s.SunDay, crosses) {
		if s.SunUp {
			p.item("The Sun does not set in the next 24 hours.")
		} else {
			p.item("The Sun does not rise in the next 24 hours.")
		}
	}
	for _, m := range s.SunDay {
		switch m.Event {
		case setup.SunHigh:
			side := "north"
			if m.Shadow != 0 {
				side = "south"
			}
			p.item("At %s the Sun is highest: the shadow points to true %s.", clock(m.Time), side)
		default:
			p.item("At %s the Sun %s.", clock(m.Time), m.Event)
		}
	}
	if s.Shadow != nil {
		p.item("Now the shadow points to %.1f degrees, and turns by %.2f degrees a minute.", s.Shadow.Azimuth.Degrees(), s.Shadow.PerMinute.Degrees())
	}
	first := true
	for _, shadow := range s.Shadows {
		local := shadow.Time.In(s.Time.Location())
		if local.Minute() >= 30 {
			continue
		}
		if first {
			fmt.Fprintf(p, "\n  time   shadow points to   length for a string of 1 m\n")
			first = false
		}
		fmt.Fprintf(p, "  %s  %8.1f degrees   %8.2f m\n", local.Format("15:04"), shadow.Azimuth.Degrees(), shadow.Length)
	}
}

// What is not worth loosening a clamp for (common practice): a shift of a
// millimetre, and half a kilogram a centimetre to the side.
const (
	smallShiftMm  = 1.0
	smallTorqueNm = 0.05
)

func (r siteReport) balanceText(p *page) {
	b := r.balance
	if b == nil && r.data.Mount != setup.German {
		return
	}
	if b == nil {
		p.item("To have the counterweight's place worked out, give masses and distances: 'polard site --help', options --part, --shaft and --sliding.")
		return
	}
	fmt.Fprintf(p, "\n  %.2f kg on the tube's side.\n", b.TubeKg)
	ra := b.RA
	switch {
	case ra.Verdict == setup.Balanced && r.rig.SlidingKg > 0:
		p.item("Right ascension: the middle of the sliding counterweight (%.2f kg) goes %.0f mm from the right ascension axis.", r.rig.SlidingKg, ra.AtMm)
	case ra.Verdict == setup.Balanced:
		p.item("Right ascension: balanced as it is.")
	case ra.Verdict == setup.ShaftShort:
		p.item("Right ascension: the shaft is too short. The weight would have to sit at %.0f mm, the shaft ends at %.0f. At its end %.2f N m are left over on the tube's side. A sliding weight of at least %.2f kg would do.",
			ra.WantedMm, r.rig.Shaft.FarthestMm, ra.LeftOverNm, ra.LeastKg)
	case ra.Verdict == setup.WeightsHeavy:
		p.item("Right ascension: the weights are too heavy. With the sliding one as near as it goes, %.2f N m are left over on the shaft's side. Take a lighter one, or one off.", math.Abs(ra.LeftOverNm))
	default:
		p.item("Right ascension: %.2f N m (%.0f kg mm) are left over on the tube's side.", ra.LeftOverNm, ra.LeftOverKgMm)
		if ra.LeastKg > 0 {
			p.item("A sliding weight of at least %.2f kg on this shaft would do.", ra.LeastKg)
		}
	}
	d := b.Dec
	direction := "sky"
	if d.ShiftMm < 0 {
		direction = "ground"
	}
	switch {
	case d.Verdict == setup.SaddleShort:
		p.item("Declination: the tube with all on it would have to go %.0f mm towards its %s end, the saddle allows %.0f. %.2f N m are left over then.",
			math.Abs(d.ShiftMm), direction, r.rig.TubeSlideMm, math.Abs(d.LeftOverNm))
	case math.Abs(d.ShiftMm) < smallShiftMm:
		p.item("Declination: balanced as it is.")
	default:
		p.item("Declination: shift the tube with all on it by %.0f mm towards its %s end.", math.Abs(d.ShiftMm), direction)
	}
	if math.Abs(d.SideNm) >= smallTorqueNm {
		p.item("Something sits to the side: %.2f N m about the declination axis, which no shift of the tube takes away. Put something as heavy on the other side.", math.Abs(d.SideNm))
	}
	p.item("Law of the lever: kg x mm on the tube's side = kg x mm on the shaft's side, from the right ascension axis; 1 kg mm is 0.0098 N m on a level axis, times the cosine of the latitude on this one.")
}

// starLow is the altitude below which a star is easily hidden: common practice.
const starLow = 10 * sky.Degree

func (r siteReport) starText(p *page) {
	s := r.data
	title := "6. The pole star by eye"
	if s.Place.South {
		title = "6. The stars about the southern pole by eye"
	}
	p.heading("%s", title)
	first := s.Stars[0]
	p.item("Not needed for the frames. It helps to turn the tripod the right way, or to begin with a finder or an eyepiece.")
	if s.Place.South {
		p.item("sigma Octantis is faint (magnitude %.1f): it takes a dark sky, or binoculars. With chi, tau and upsilon .", first.Star.V)
	}
	against := first.From(s.Pole)
	p.item("%s is seen %s from the %s pole now (without air, %s from the true one). An axis that is simply pointed at the star is %s off.",
		first.Star.Name, sky.AngleWords(against.Distance), s.Pole, sky.AngleWords(first.PolarDistance), sky.AngleWords(against.Distance))
	if alt, _ := sky.AltAzFromLocal(first.Seen); alt < 0 {
		p.item("It is below the horizon now.")
	} else if alt < starLow {
		p.item("It stands only %.1f degrees above the horizon now: haze, trees or hills may hide it.", alt.Degrees())
	}
	p.item("Facing the pole, with a clock's face about it, 12 straight up. A finder that shows things upside down turns the clock by half; an eyepiece with a star diagonal exchanges left and right (head upright, the eyepiece on top).")
	fmt.Fprintf(p, "\n  %-16s %9s %6s %7s", "star", "from pole", "angle", "hour")
	for _, through := range setup.AllOptics() {
		fmt.Fprintf(p, "  %s", columnOf(through))
	}
	fmt.Fprintf(p, "\n  %-16s %9s %6s %7s\n", "", "", "deg", "angle")
	for _, star := range s.Stars {
		standing := star.From(s.Pole)
		fmt.Fprintf(p, "  %-16s %9s %6.1f %4dh%02d", star.Star.Name, sky.AngleWords(standing.Distance), standing.PositionAngle.Degrees(),
			int(math.Round(star.HourAngle.Hours()*60))/60%24, int(math.Round(star.HourAngle.Hours()*60))%60)
		for _, v := range star.Views(s.Pole, s.Place.South) {
			fmt.Fprintf(p, "  %*s", len(columnOf(v.Through)), clockText(v.Clock))
		}
		fmt.Fprintln(p)
	}
	fmt.Fprintln(p)
	p.item("angle: at the pole, from straight up through east. The sky turns by 1 degree in 4 minutes; compute again when you stand there.")
	if e := r.eyepiece; e != nil {
		inside := "inside the field while the pole is in its middle"
		if !setup.Holds(e.width, against.Distance) {
			inside = "outside the field while the pole is in its middle"
		}
		p.item("Your eyepiece shows a field of %s, %.0f times enlarged: %s is %s. From the middle to the edge it is %s.",
			sky.AngleWords(e.width), e.Magnification(), first.Star.Name, inside, sky.AngleWords(e.width/2))
	}
}

// columnOf is the heading of a column of clock readings.
func columnOf(through setup.Optics) string {
	switch through {
	case setup.NakedEye:
		return "eye"
	case setup.UprightFinder:
		return "upright"
	case setup.InvertingFinder:
		return "inverting"
	}
	return "mirrored"
}
