package sugar

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Reading is one corrected temperature of a running cook.
type Reading struct {
	// Minutes on any clock that runs through the cook.
	Minutes float64
	// TempC is the corrected temperature, degC.
	TempC float64
}

// Cook is a running batch as its thermometer shows it.
type Cook struct {
	// Readings in the order of time.
	Readings []Reading
	// PressureHPa is the kitchen's pressure, 50..1200 hPa, and UPressureHPa its
	// standard uncertainty.
	PressureHPa, UPressureHPa float64
	// UC is the standard uncertainty in degC of the correction that all readings
	// share.
	UC float64
	// ResolutionC is what the thermometer is read to, degC; 0 when it is fine.
	ResolutionC float64
	// StartSolidsPct is the formula's solids content in the pan at the start, per
	// cent by mass; 0 when it is not known.
	StartSolidsPct float64
	// UStartSolidsPct is its standard uncertainty in percentage points; 0 takes
	// DefaultUStartSolidsPct.
	UStartSolidsPct float64
	// DrySolidsKg is the mass of dry solids; 0 when it is not known.
	DrySolidsKg float64
}

// DefaultUStartSolidsPct is the standard uncertainty of a formula's starting
// solids, percentage points: weighing, wet sugar and what evaporates before the
// boil (our inference, no source).
const DefaultUStartSolidsPct = 1.5

// readingNoiseC is how far one reading in a stirred boiling pan wanders of itself,
// degC (our inference, no source).
const readingNoiseC = 0.15

func (c Cook) check() error {
	if err := checkPressure(c.PressureHPa); err != nil {
		return err
	}
	for _, u := range [...]float64{c.UC, c.UPressureHPa, c.ResolutionC, c.UStartSolidsPct} {
		if err := checkU(u); err != nil {
			return err
		}
	}
	if err := checkSolids(c.StartSolidsPct); err != nil {
		return err
	}
	if c.StartSolidsPct != 0 && c.StartSolidsPct < curveFromPct {
		return fmt.Errorf("%g %% solids at the start: %w", c.StartSolidsPct, ErrMass)
	}
	if c.DrySolidsKg != 0 {
		if err := checkMass("dry solids", c.DrySolidsKg); err != nil {
			return err
		}
	}
	for i, r := range c.Readings {
		if err := finite("time", r.Minutes); err != nil {
			return err
		}
		if math.Abs(r.Minutes) > 1e8 {
			return fmt.Errorf("minute %g: %w", r.Minutes, ErrReadings)
		}
		if err := checkTemp(r.TempC); err != nil {
			return err
		}
		if i > 0 && r.Minutes < c.Readings[i-1].Minutes+1e-4 {
			return fmt.Errorf("minute %g after minute %g: %w", r.Minutes, c.Readings[i-1].Minutes, ErrReadings)
		}
	}
	return nil
}

func (c Cook) uStart() float64 {
	if c.UStartSolidsPct > 0 {
		return c.UStartSolidsPct
	}
	return DefaultUStartSolidsPct
}

// sigma is the standard deviation of one reading, degC, apart from UC.
func (c Cook) sigma() float64 { return math.Hypot(readingNoiseC, c.ResolutionC/math.Sqrt(12)) }

// Onset is where the heating of a cook ended and its boil began.
type Onset struct {
	// Minutes is when, on the readings' clock.
	Minutes float64
	// TempC is the corrected temperature there, degC, and UTempC the standard
	// uncertainty that the readings' own scatter leaves on it.
	TempC, UTempC float64
	// HeatingCPerMin is the rise before it, degC a minute.
	HeatingCPerMin float64
	// FirstBoiling is the index of the first reading of the boil.
	FirstBoiling int
}

// How the onset is told: the rise falls to less than two fifths of what it was,
// no lower than 15 degC under the boiling point of water, so that a thermometer
// with a gross error shows its onset too.
const (
	onsetDrop  = 0.4
	onsetSlack = 15.0
)

// Onset finds where the boil starts: the break between the steady heating of the
// syrup and the plateau on which it boils off water. Errors: ErrNoOnset when the
// readings show no such break (they may start in the boil, or not reach it), and
// those of a bad Cook: ErrNotANumber, ErrPressure, ErrTemperature, ErrUncertainty,
// ErrReadings, ErrMass.
func (s Syrup) Onset(c Cook) (Onset, error) {
	if err := s.ready(); err != nil {
		return Onset{}, err
	}
	if err := c.check(); err != nil {
		return Onset{}, err
	}
	waterC, err := s.waterBoils(c.PressureHPa)
	if err != nil {
		return Onset{}, err
	}
	r := c.Readings
	rate := func(i, j int) float64 { return (r[j].TempC - r[i].TempC) / (r[j].Minutes - r[i].Minutes) }
	var rises []float64
	for k := 0; k+1 < len(r); k++ {
		if len(rises) >= 2 && r[k].TempC >= waterC-onsetSlack {
			heating := median(rises)
			limit := onsetDrop * heating
			if heating > 0 && rate(k, k+1) <= limit && rate(k, min(k+2, len(r)-1)) <= limit {
				return onsetAt(r, k, heating, c.ResolutionC), nil
			}
		}
		rises = append(rises, rate(k, k+1))
	}
	return Onset{}, fmt.Errorf("%d readings: %w", len(r), ErrNoOnset)
}

// onsetAt sharpens a break near reading k: where the line of the heating meets
// the line of the first minutes of the boil.
func onsetAt(r []Reading, k int, heating, resolution float64) Onset {
	o := Onset{FirstBoiling: k, HeatingCPerMin: heating}
	plateau := r[k:min(k+5, len(r))]
	if len(plateau) > 3 {
		// A first step that stands out of the two after it by more than a division
		// and the noise still belongs to the heating: the break fell inside it.
		first, later := plateau[1].TempC-plateau[0].TempC, (plateau[3].TempC-plateau[1].TempC)/2
		if first-later > resolution+2*readingNoiseC {
			o.FirstBoiling = k + 1
			plateau = r[k+1 : min(k+6, len(r))]
		}
	}
	xs, ys := columns(plateau)
	mean, slope := stat.Mean(ys, nil), 0.0
	if len(plateau) > 2 {
		_, slope = stat.LinearRegression(xs, ys, nil, false)
	}
	at := stat.Mean(xs, nil)
	// Times and levels from the last reading that was surely heating.
	before := r[max(o.FirstBoiling-1, 0)]
	first := r[o.FirstBoiling]
	o.Minutes = first.Minutes
	if gap := heating - slope; o.FirstBoiling > 0 && gap > 0 {
		lift := mean + slope*(before.Minutes-at) - before.TempC
		o.Minutes = math.Min(math.Max(before.Minutes+lift/gap, before.Minutes), first.Minutes)
	}
	o.TempC = mean + slope*(o.Minutes-at)
	n := float64(len(plateau))
	var sxx float64
	for _, x := range xs {
		sxx += (x - at) * (x - at)
	}
	scatter := readingNoiseC / math.Sqrt(n)
	if sxx > 0 && len(plateau) > 2 {
		scatter = readingNoiseC * math.Sqrt(1/n+sq(o.Minutes-at)/sxx)
	}
	// A display that stands still shows the same mark again: repeating it does
	// not average the division away.
	o.UTempC = math.Hypot(scatter, resolution/math.Sqrt(12))
	return o
}

func columns(readings []Reading) (minutes, temps []float64) {
	for _, r := range readings {
		minutes = append(minutes, r.Minutes)
		temps = append(temps, r.TempC)
	}
	return minutes, temps
}

func median(v []float64) float64 {
	sorted := slices.Clone(v)
	slices.Sort(sorted)
	n := len(sorted)
	return 0.5 * (sorted[(n-1)/2] + sorted[n/2])
}

// OnsetHint sets the onset of a batch's boil against the model: a free look at
// the instrument in every cook. It is a hint and never a check: a formula weighed
// wrong or boiled down before the first reading gives the same sign.
type OnsetHint struct {
	Onset Onset
	// ExpectedC is where the formula's solids start to boil at this pressure,
	// degC (Starzak-Peacock).
	ExpectedC float64
	// GapC is the onset seen minus ExpectedC, degC: positive when the instrument
	// seems to read high.
	GapC float64
	// UC is the expanded uncertainty (k = 2) of the gap, degC, and Terms what it
	// is made of, each a standard uncertainty in degC.
	UC    float64
	Terms []UTerm
	// Beyond says that the gap is larger than UC: worth a look at the instrument.
	Beyond bool
}

// UTerm is one line of an uncertainty table: a standard uncertainty, in the unit
// of what it belongs to.
type UTerm struct {
	Name string
	U    float64
}

// OnsetHint compares the onset of the boil with the boiling point of the formula's
// starting solids. The cook must have StartSolidsPct and PressureHPa. For syrups
// with glucose or invert sugar pass sucrose-equivalent solids (Blend). Errors: those
// of Onset, and ErrMass when StartSolidsPct is not given.
func (s Syrup) OnsetHint(c Cook) (OnsetHint, error) {
	o, err := s.Onset(c)
	if err != nil {
		return OnsetHint{}, err
	}
	if c.StartSolidsPct == 0 {
		return OnsetHint{}, fmt.Errorf("the formula's solids are not known: %w", ErrMass)
	}
	h := OnsetHint{Onset: o}
	if h.ExpectedC, err = s.BoilingC(c.StartSolidsPct, c.PressureHPa); err != nil {
		return OnsetHint{}, err
	}
	slope, err := s.slope(moleFraction(c.StartSolidsPct), h.ExpectedC)
	if err != nil {
		return OnsetHint{}, err
	}
	// dT/dp of the syrup from a step of 1 hPa.
	higher, err := s.boilsAt(moleFraction(c.StartSolidsPct), c.PressureHPa+1)
	if err != nil {
		return OnsetHint{}, err
	}
	h.Terms = []UTerm{
		{"readings of the plateau", o.UTempC},
		{"correction of the instrument", c.UC},
		{"solids of the formula", c.uStart() * slope},
		{"kitchen pressure", c.UPressureHPa * (higher - h.ExpectedC)},
		{"spread of the published boiling tables", literatureU(c.StartSolidsPct, slope) * slope},
	}
	var sum float64
	for _, t := range h.Terms {
		sum += t.U * t.U
	}
	h.GapC = o.TempC - h.ExpectedC
	h.UC = 2 * math.Sqrt(sum)
	h.Beyond = math.Abs(h.GapC) > h.UC
	return h, nil
}
