package fits

import (
	"math"

	"polard/mountmodel/sky"
)

// Weather is what a header tells of the air at the telescope; NaN where it tells
// nothing. No standard fixes the keywords or their units, see KEYWORDS.md.
type Weather struct {
	TemperatureC float64
	// AtFocuser: the temperature is that of the focuser, some degrees from the air's.
	AtFocuser bool
	Pressure  float64 // in a unit that [Weather.Fill] finds out
	Humidity  float64 // relative, 0 to 1
}

// Temperatures in degrees Celsius that air has, and the number from which one is
// meant in kelvin.
const (
	coldestC, warmestC = -60, 50
	kelvinFrom         = 180
	kelvinAtZeroC      = 273.15
)

// readWeather reads it; nil when the header tells nothing that can be.
func readWeather(h *header) *Weather {
	w := Weather{TemperatureC: math.NaN(), Pressure: math.NaN(), Humidity: math.NaN()}
	celsius := func(v float64, ok bool) bool {
		if v >= kelvinFrom {
			v -= kelvinAtZeroC
		}
		if ok = ok && v >= coldestC && v <= warmestC; ok {
			w.TemperatureC = v
		}
		return ok
	}
	if v, _, ok := h.number("AMBTEMP", "AMB-TEMP", "AMB_TEMP", "AIRTEMP", "OUTTEMP"); !celsius(v, ok) {
		v, _, ok = h.number("FOCTEMP", "FOCUSTEM")
		w.AtFocuser = celsius(v, ok)
	}
	if v, _, ok := h.number("PRESSURE", "AIRPRESS", "AMBPRES", "BAROPRES", "ATMPRES"); ok && v > 0 {
		w.Pressure = v
	}
	if v, _, ok := h.number("HUMIDITY", "AMBHUM", "RELHUM", "OUTHUM"); ok && v > 0 && v <= 100 {
		if v > 1 {
			v /= 100
		}
		w.Humidity = v
	}
	if math.IsNaN(w.TemperatureC) && math.IsNaN(w.Pressure) && math.IsNaN(w.Humidity) {
		return nil
	}
	return &w
}

// weatherMoves is by what part weather moves the pressure from the standard
// atmosphere's: at sea level 950 to 1060 hPa are seldom left (common knowledge).
const weatherMoves = 0.06

// pressureUnits are units in hPa: hPa itself, kPa, Pa, the millimetre and the inch
// of mercury (BIPM, The International System of Units, 8th ed. 2006, table 9;
// ISO 80000-4).
var pressureUnits = [...]float64{1, 10, 0.01, 1.333224, 33.86389}

// pressure is the one that the number must mean at an elevation: in the one unit in
// which it is near the standard atmosphere's, or, reduced to sea level as weather
// services do, near that of sea level.
func (w Weather) pressure(elevationM float64) (hPa float64, ok bool) {
	here, sea := sky.StandardAir(elevationM).PressureHPa, sky.StandardAir(0).PressureHPa
	near := func(v, standard float64) bool { return math.Abs(v-standard) <= weatherMoves*standard }
	for _, unit := range pressureUnits {
		if v := w.Pressure * unit; near(v, here) {
			return v, true
		}
	}
	for _, unit := range pressureUnits {
		if v := w.Pressure * unit; near(v, sea) {
			return v * here / sea, true
		}
	}
	return 0, false
}

// Fill gives the air at an elevation with what the header tells of it in the place
// of what nobody measured. Nil tells nothing.
func (w *Weather) Fill(air sky.Air, elevationM float64) sky.Air {
	if w == nil {
		return air
	}
	if p, ok := w.pressure(elevationM); ok && air.PressureSigmaHPa == 0 {
		air.PressureHPa, air.PressureSigmaHPa = p, sky.MeasuredPressureSigmaHPa
	}
	if !math.IsNaN(w.TemperatureC) && air.TemperatureSigmaC == 0 {
		air.TemperatureC, air.TemperatureSigmaC = w.TemperatureC, sky.MeasuredSigmaC
		if w.AtFocuser {
			air.TemperatureSigmaC = sky.FocuserSigmaC
		}
	}
	if !math.IsNaN(w.Humidity) && air.Humidity == sky.DefaultHumidity {
		air.Humidity = w.Humidity
	}
	return air
}
