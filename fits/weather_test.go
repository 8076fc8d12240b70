package fits

import (
	"math"
	"testing"

	"polard/mountmodel/sky"
)

// Units: 760 mm and 29.92 inches of mercury are a standard atmosphere, 1013.25 hPa
// (BIPM, The International System of Units; ISO 2533 for the atmosphere: 795.0 hPa
// at 2000 m). Reduced to sea level, weather services tell 1013 hPa at 2000 m too.
func TestWeather(t *testing.T) {
	told := func(hPa, celsius, humidity float64, hPaSigma, sigma float64) sky.Air {
		return sky.Air{PressureHPa: hPa, TemperatureC: celsius, Humidity: humidity, WavelengthUm: sky.DefaultWavelengthUm, PressureSigmaHPa: hPaSigma, TemperatureSigmaC: sigma}
	}
	const usualC, usual = sky.DefaultTemperatureC, sky.DefaultHumidity
	sea, high := sky.StandardAir(0), sky.StandardAir(2000)
	for _, c := range []struct {
		name      string
		elevation float64
		cards     []string
		want      sky.Air
	}{
		{"all", 0, []string{"AMBTEMP = -3.5", "PRESSURE= 1021.4", "HUMIDITY= 71"}, told(1021.4, -3.5, 0.71, 1, 1)},
		{"kelvin, kilopascal, a part of 1", 0, []string{"AIRTEMP = 283.15", "AIRPRESS= 98.7", "RELHUM  = 0.4"}, told(987, 10, 0.4, 1, 1)},
		{"millimetres of mercury", 0, []string{"PRESSURE= 760"}, told(1013.25, usualC, usual, 1, 0)},
		{"inches of mercury", 0, []string{"PRESSURE= 29.921"}, told(1013.25, usualC, usual, 1, 0)},
		{"pascal", 2000, []string{"PRESSURE= 79500"}, told(795, usualC, usual, 1, 0)},
		{"reduced to sea level", 2000, []string{"PRESSURE= 1013.25"}, told(795, usualC, usual, 1, 0)},
		{"the focuser's", 0, []string{"FOCTEMP = 4.5"}, told(1013.25, 4.5, usual, 0, 3)},
		{"the air's before the focuser's", 0, []string{"FOCTEMP = 4.5", "AMBTEMP = 2"}, told(1013.25, 2, usual, 0, 1)},
		{"as text", 0, []string{"AMBTEMP = '2.5'"}, told(1013.25, 2.5, usual, 0, 1)},
		{"no such air", 0, []string{"AMBTEMP = -273.15", "PRESSURE= 13", "HUMIDITY= 400"}, sea},
		{"not filled in", 2000, []string{"PRESSURE= 0", "HUMIDITY= 0"}, high},
		{"the camera's", 0, []string{"CCD-TEMP= -20"}, sea},
	} {
		f := mustDecode(t, small(append(c.cards, "DATE-OBS= '2026-03-07T04:00:00'")...))
		got := f.Weather.Fill(sky.StandardAir(c.elevation), c.elevation)
		for _, d := range []float64{
			(got.PressureHPa - c.want.PressureHPa) / 0.1, (got.TemperatureC - c.want.TemperatureC) / 1e-9, (got.Humidity - c.want.Humidity) / 1e-9,
			got.PressureSigmaHPa - c.want.PressureSigmaHPa, got.TemperatureSigmaC - c.want.TemperatureSigmaC,
		} {
			if math.Abs(d) > 1 || math.IsNaN(d) {
				t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
				break
			}
		}
		if err := got.Check(); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	// What somebody said goes before the header.
	f := mustDecode(t, small("AMBTEMP = 2", "PRESSURE= 1021", "DATE-OBS= '2026-03-07T04:00:00'"))
	said := told(1000, 15, usual, 1, 1)
	if got := f.Weather.Fill(said, 0); got != said {
		t.Errorf("the header overrode what was said: %+v", got)
	}
}
