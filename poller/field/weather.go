package field

import (
	"math"
	"math/rand/v2"
	"time"
)

// Figures of the air inside and outside.
const (
	atmosphere  = 101325.0 // Pa, standard, at sea level
	zeroCelsius = 273.15
	indoor      = 21.0 // C
)

// stackEffect returns the draught, in Pa, of a column of air h metres high
// with the temperatures outside and inside in degrees Celsius: above zero where
// the column is the warmer one and draws upwards.
//
// Source: ASHRAE Handbook, Fundamentals, chapter 16:
// dp = 0.0342 p_atm h (1/To - 1/Ti), kelvin.
func stackEffect(h, outside, inside float64) float64 {
	return 0.0342 * atmosphere * h * (1/(outside+zeroCelsius) - 1/(inside+zeroCelsius))
}

// Weather of an invented place with cold winters and mild summers.
// (Engineering choices.)
const (
	yearMean   = 11.0 // C
	yearSwing  = 12.0 // C, half of it, coldest in the middle of January
	daySwing   = 4.0  // C, half of it, coldest at five in the morning
	spells     = 3.0  // C, standard deviation of cold and warm spells
	spellTime  = 2 * 86400.0
	windMean   = 3.2 // m/s
	windSpread = 1.6 // m/s, standard deviation over hours
	windTime   = 2 * 3600.0
	gustTime   = 12.0 // s
	gustShare  = 0.2  // standard deviation of gusts, of the wind
)

// weather is the air over the campus, the same for all its fans.
type weather struct {
	rnd     *rand.Rand
	spell   float64
	wander  float64
	gust    float64
	outdoor float64 // C
	wind    float64 // m/s, gusts included
	dynamic float64 // Pa: rho U^2 / 2
}

func newWeather(seed uint64) weather {
	rnd := rand.New(rand.NewPCG(seed, 0x77656174686572))
	return weather{rnd: rnd, spell: rnd.NormFloat64() * spells, wander: rnd.NormFloat64() * windSpread}
}

// step moves the weather on by a second. Spells, wind and gusts are noise
// with a memory (first-order, each with its time).
func (w *weather) step(day int, hour float64) {
	w.spell += wander(w.rnd, w.spell, spells, spellTime)
	w.wander += wander(w.rnd, w.wander, windSpread, windTime)
	w.gust += wander(w.rnd, w.gust, 1, gustTime)
	w.outdoor = yearMean - yearSwing*math.Cos(2*math.Pi*float64(day-15)/365) -
		daySwing*math.Cos(2*math.Pi*(hour-5)/24) + w.spell
	mean := max(0, windMean+w.wander)
	w.wind = max(0, mean*(1+gustShare*w.gust))
	w.dynamic = velocityPressure(standardAir, w.wind)
}

// wander is one second's change of noise of a standard deviation and a
// correlation time (s): the exact difference scheme is not needed where the
// time is long beside a second.
func wander(rnd *rand.Rand, value, deviation, time float64) float64 {
	return -value/time + rnd.NormFloat64()*deviation*math.Sqrt(2/time)
}

// clock returns the day of the year, from 1, and the hour of the day.
func clock(now time.Time) (day int, hour float64) {
	return now.YearDay(), float64(now.Hour()) + float64(now.Minute())/60 + float64(now.Second())/3600
}
