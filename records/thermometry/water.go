package thermometry

import "math"

// Coefficients n1..n10 of the saturation line: IAPWS R7-97(2012), section 8,
// Table 34.
const (
	if97n1  = 0.11670521452767e4
	if97n2  = -0.72421316703206e6
	if97n3  = -0.17073846940092e2
	if97n4  = 0.12020824702470e5
	if97n5  = -0.32325550322333e7
	if97n6  = 0.14915108613530e2
	if97n7  = -0.48232657361591e4
	if97n8  = 0.40511340542057e6
	if97n9  = -0.23855557567849
	if97n10 = 0.65017534844798e3
)

// Range of the saturation line in kitchen units: IAPWS R7-97(2012), section
// 8.1, from 273.15 K (611.213 Pa) to the critical point.
const (
	lowestSaturationHPa   = 6.11213
	highestSaturationHPa  = 220640.0
	highestSaturationC    = 647.096 - kelvin
	kelvin                = 273.15
	hPaPerMPa             = 1e4
	standardAtmosphereHPa = 1013.25
)

// BoilingPointC is the temperature in degC at which water boils under an
// absolute pressure in hPa (kitchen pressure, not reduced to sea level).
// Source: IAPWS R7-97(2012), region 4, eq. 31. Range 6.11213 to 220640 hPa;
// outside it, or for a value that is not finite, an InputError.
func BoilingPointC(pressureHPa float64) (float64, error) {
	if err := within("pressureHPa", pressureHPa, lowestSaturationHPa, highestSaturationHPa); err != nil {
		return 0, err
	}
	return saturationK(pressureHPa/hPaPerMPa) - kelvin, nil
}

// saturationK is IAPWS R7-97(2012) eq. 31, in K from MPa.
func saturationK(pressureMPa float64) float64 {
	b := math.Sqrt(math.Sqrt(pressureMPa))
	e := b*b + if97n3*b + if97n6
	f := if97n1*b*b + if97n4*b + if97n7
	g := if97n2*b*b + if97n5*b + if97n8
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (if97n10 + d - math.Sqrt((if97n10+d)*(if97n10+d)-4*(if97n9+if97n10*d))) / 2
}

// SaturationPressureHPa is the absolute pressure in hPa under which water
// boils at a temperature in degC. Source: IAPWS R7-97(2012), region 4, eq. 30.
// Range 0 to 373.946 degC; outside it, or for a value that is not finite, an
// InputError.
func SaturationPressureHPa(tempC float64) (float64, error) {
	if err := within("tempC", tempC, 0, highestSaturationC); err != nil {
		return 0, err
	}
	t := tempC + kelvin
	th := t + if97n9/(t-if97n10)
	a := th*th + if97n1*th + if97n2
	b := if97n3*th*th + if97n4*th + if97n5
	c := if97n6*th*th + if97n7*th + if97n8
	root := 2 * c / (-b + math.Sqrt(b*b-4*a*c))
	return root * root * root * root * hPaPerMPa, nil
}

// BoilingSlopeCPerHPa is how far the boiling point of water moves for one hPa,
// in degC per hPa, at an absolute pressure in hPa. It is the derivative of the
// implicit saturation equation, IAPWS R7-97(2012) eq. 29. Range and errors as
// for BoilingPointC.
func BoilingSlopeCPerHPa(pressureHPa float64) (float64, error) {
	if err := within("pressureHPa", pressureHPa, lowestSaturationHPa, highestSaturationHPa); err != nil {
		return 0, err
	}
	p := pressureHPa / hPaPerMPa
	b := math.Sqrt(math.Sqrt(p))
	t := saturationK(p)
	th := t + if97n9/(t-if97n10)
	byRoot := 2*b*th*th + 2*if97n1*b*th + 2*if97n2*b + if97n3*th*th + if97n4*th + if97n5
	byTheta := 2*b*b*th + if97n1*b*b + 2*if97n3*b*th + if97n4*b + 2*if97n6*th + if97n7
	thetaByT := 1 - if97n9/((t-if97n10)*(t-if97n10))
	rootByP := b / (4 * p)
	return -byRoot / byTheta * rootByP / thetaByT / hPaPerMPa, nil
}
