package sugar

import "sort"

// Heat of the boil, per kilogram of dry solids. The balance (derived from first
// principles, no single published rule) is
//
//	P dt = m cp dT + h dm,  m = S/w
//
// so that with a steady net power the energy taken up rises in a straight line
// with time, whatever the shape of the temperature curve. An energyCurve holds
// that energy against solids and temperature at one pressure.
type energyCurve struct {
	inverse []float64 // 1/w, kg of syrup per kg of dry solids, falling
	tempC   []float64 // rising
	energy  []float64 // kJ per kg of dry solids, rising to zero at 98 % solids
	topC    float64   // temperature at 98 % solids
}

// latentHeat is the heat of evaporation of water in kJ/kg at tempC: a parabola
// through the IAPWS figures at 100, 120 and 160 degC (2256.6, 2202.3, 2082.1),
// within 0.1 % of them from 80 to 165 degC.
func latentHeat(tempC float64) float64 {
	d := tempC - 100
	return 2256.6 - 2.618*d - 0.00483*d*d
}

// liquorHeat is the specific heat of sugar liquor in kJ/(kg K) at solids mass
// fraction w: 4.19 - 2.35 w (Geankoplis, read).
func liquorHeat(w float64) float64 { return 4.19 - 2.35*w }

const (
	curveFromPct = 10.0
	curveStepPct = 0.25
)

// energyCurve integrates the balance from 98 % solids downward in steps of a
// quarter per cent.
func (s Syrup) energyCurve(pressureHPa float64) (energyCurve, error) {
	n := int((MaxSolidsPct-curveFromPct)/curveStepPct) + 1
	c := energyCurve{inverse: make([]float64, n), tempC: make([]float64, n), energy: make([]float64, n)}
	for i := range n {
		pct := curveFromPct + float64(i)*curveStepPct
		t, err := s.boilsAt(moleFraction(pct), pressureHPa)
		if err != nil {
			return energyCurve{}, err
		}
		c.inverse[i], c.tempC[i] = 100/pct, t
	}
	for i := n - 2; i >= 0; i-- {
		midC := 0.5 * (c.tempC[i] + c.tempC[i+1])
		midInverse := 0.5 * (c.inverse[i] + c.inverse[i+1])
		step := latentHeat(midC)*(c.inverse[i]-c.inverse[i+1]) +
			liquorHeat(1/midInverse)*midInverse*(c.tempC[i+1]-c.tempC[i])
		c.energy[i] = c.energy[i+1] - step
	}
	c.topC = c.tempC[n-1]
	return c, nil
}

// Above 98 % solids there are no data. What is left is heated as dry sugar (1.84
// kJ/(kg K), the liquor rule at 100 %) while half of the 2 % of water goes off over
// the next 16 degC: no source, our inference, and the forecast widens for it.
const (
	dryHeat       = 1.84
	lastWaterKJ   = 23.0
	lastWaterOver = 16.0
)

// at is the energy at a temperature, and its slope kJ/(kg K).
func (c energyCurve) at(tempC float64) (energy, slope float64) {
	if tempC >= c.topC {
		d := tempC - c.topC
		if d < lastWaterOver {
			slope = dryHeat + lastWaterKJ/lastWaterOver
			return slope * d, slope
		}
		return dryHeat*d + lastWaterKJ, dryHeat
	}
	i := sort.SearchFloat64s(c.tempC, tempC) - 1
	i = min(max(i, 0), len(c.tempC)-2)
	slope = (c.energy[i+1] - c.energy[i]) / (c.tempC[i+1] - c.tempC[i])
	return c.energy[i] + slope*(tempC-c.tempC[i]), slope
}

// temp is the temperature at an energy, and its slope K kg/kJ.
func (c energyCurve) temp(energy float64) (tempC, slope float64) {
	if energy >= 0 {
		steep := dryHeat + lastWaterKJ/lastWaterOver
		if energy < steep*lastWaterOver {
			return c.topC + energy/steep, 1 / steep
		}
		return c.topC + (energy-lastWaterKJ)/dryHeat, 1 / dryHeat
	}
	i := sort.SearchFloat64s(c.energy, energy) - 1
	i = min(max(i, 0), len(c.energy)-2)
	slope = (c.tempC[i+1] - c.tempC[i]) / (c.energy[i+1] - c.energy[i])
	return c.tempC[i] + slope*(energy-c.energy[i]), slope
}

// atSolids is the energy at a solids content in per cent, inside the curve, and
// its slope per percentage point.
func (c energyCurve) atSolids(pct float64) (energy, slope float64) {
	i := int((pct - curveFromPct) / curveStepPct)
	i = min(max(i, 0), len(c.energy)-2)
	slope = (c.energy[i+1] - c.energy[i]) / (c.inverse[i+1] - c.inverse[i])
	return c.energy[i] + slope*(100/pct-c.inverse[i]), -slope * 100 / (pct * pct)
}
