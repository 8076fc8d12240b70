package main

import (
	"math"
	"strconv"
	"strings"

	"polard/mountmodel/setup"
	"polard/mountmodel/sky"

	"github.com/spf13/cobra"
)

// rigFlags are the options of the balance.
type rigFlags struct {
	parts, weights []string
	shaft          string
	sliding        float64
	saddle         float64
}

func (f *rigFlags) add(c *cobra.Command) {
	c.Flags().StringArrayVar(&f.parts, "part", nil, "something on the tube's side, `NAME,KG,SHAFT_MM[,TUBE_MM[,SIDE_MM]]`: its mass, how far its middle is from the right ascension axis, along the tube from the declination axis (sky end positive), and across; give it again for each")
	c.Flags().StringVar(&f.shaft, "shaft", "", "where the middle of a counterweight can sit on its shaft, `FROM_MM,TO_MM[,KG]` from the right ascension axis, and the shaft's own mass")
	c.Flags().Float64Var(&f.sliding, "sliding", 0, "mass in `KG` of the counterweight whose place is looked for")
	c.Flags().StringArrayVar(&f.weights, "counterweight", nil, "a counterweight that stays where it is, `KG,AT_MM`; give it again for each")
	c.Flags().Float64Var(&f.saddle, "saddle", 0, "how far the tube can be shifted in its saddle, either way, in `MM`")
}

// given tells whether any option of the balance was given.
func (f *rigFlags) given(c *cobra.Command) bool {
	for _, name := range []string{"part", "shaft", "sliding", "counterweight", "saddle"} {
		if c.Flags().Changed(name) {
			return true
		}
	}
	return false
}

// numbers reads between least and most numbers, separated by commas.
func numbers(text string, least, most int) ([]float64, bool) {
	fields := strings.Split(text, ",")
	if len(fields) < least || len(fields) > most {
		return nil, false
	}
	out := make([]float64, most)
	for i, field := range fields {
		v, err := strconv.ParseFloat(strings.TrimSpace(field), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, false
		}
		out[i] = v
	}
	return out, true
}

// rig makes the rig, for an axis that stands at the altitude.
func (f *rigFlags) rig(c *cobra.Command, altitude sky.Angle) (setup.Rig, error) {
	rig := setup.Rig{SlidingKg: f.sliding, TubeSlideMm: f.saddle, AxisAltitude: altitude}
	for _, text := range f.parts {
		name, rest, _ := strings.Cut(text, ",")
		v, ok := numbers(rest, 2, 4)
		if strings.TrimSpace(name) == "" || !ok {
			return rig, wrongCall("--part %q: give a name, its mass in kg and its distances in mm, such as tube,7.5,210,-20", text)
		}
		rig.Parts = append(rig.Parts, setup.Part{Name: strings.TrimSpace(name), MassKg: v[0], ShaftMm: v[1], TubeMm: v[2], SideMm: v[3]})
	}
	for _, text := range f.weights {
		v, ok := numbers(text, 2, 2)
		if !ok {
			return rig, wrongCall("--counterweight %q: give its mass in kg and its distance from the right ascension axis in mm, such as 5,180", text)
		}
		rig.Weights = append(rig.Weights, setup.Weight{MassKg: v[0], AtMm: v[1]})
	}
	if f.shaft != "" || c.Flags().Changed("shaft") {
		v, ok := numbers(f.shaft, 2, 3)
		if !ok {
			return rig, wrongCall("--shaft %q: give where a weight can sit, in mm from the right ascension axis, such as 110,380, and the shaft's own mass in kg if you know it", f.shaft)
		}
		rig.Shaft = setup.Shaft{NearestMm: v[0], FarthestMm: v[1], MassKg: v[2], MiddleMm: (v[0] + v[1]) / 2}
	} else if f.sliding > 0 {
		return rig, wrongCall("--sliding goes with --shaft: say where the weight can sit, such as --shaft 110,380")
	}
	if err := rig.Check(); err != nil {
		return rig, callError{err}
	}
	return rig, nil
}

// eyepieceFlags are the options of what one looks through.
type eyepieceFlags struct {
	telescope, eyepiece, apparent, stop float64
}

func (f *eyepieceFlags) add(c *cobra.Command) {
	c.Flags().Float64Var(&f.telescope, "telescope", 0, "focal length of the telescope or finder in `MM`, with --eyepiece")
	c.Flags().Float64Var(&f.eyepiece, "eyepiece", 0, "focal length of the eyepiece in `MM`, with --telescope")
	c.Flags().Float64Var(&f.apparent, "apparent-field", setup.DefaultApparentField.Degrees(), "apparent field of the eyepiece in `DEG`")
	c.Flags().Float64Var(&f.stop, "field-stop", 0, "diameter of the eyepiece's field stop in `MM`; then the apparent field is not needed")
}

// field is the eyepiece with its true field, or nil when none was given.
func (f *eyepieceFlags) field(c *cobra.Command) (*eyepieceField, error) {
	telescope, eyepiece := c.Flags().Changed("telescope"), c.Flags().Changed("eyepiece")
	switch {
	case telescope != eyepiece:
		return nil, wrongCall("--telescope and --eyepiece go together: give both focal lengths, in millimetres")
	case !telescope && (c.Flags().Changed("apparent-field") || c.Flags().Changed("field-stop")):
		return nil, wrongCall("--apparent-field and --field-stop need --telescope and --eyepiece: give both focal lengths, in millimetres")
	case !telescope:
		return nil, nil
	case !(f.apparent > 0):
		return nil, wrongCall("--apparent-field %g: give degrees, above 0, such as 50", f.apparent)
	}
	e := setup.Eyepiece{TelescopeFocalMm: f.telescope, FocalMm: f.eyepiece, ApparentField: sky.Angle(f.apparent) * sky.Degree, FieldStopMm: f.stop}
	width, err := e.TrueField()
	if err != nil {
		return nil, callError{err}
	}
	return &eyepieceField{e, width}, nil
}

type eyepieceField struct {
	setup.Eyepiece
	width sky.Angle
}
