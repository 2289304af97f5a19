package thermometry_test

import (
	"errors"
	"math"
	"testing"

	. "kettlebook/records/thermometry"
)

// NIST StRD linear regression, data set Norris: certified values to 10
// significant digits.
func TestNorris(t *testing.T) {
	var x, y []float64
	for _, row := range table(t, "norris.csv") {
		x, y = append(x, number(t, row, "x")), append(y, number(t, row, "y"))
	}
	line := must[Line](t)(FitLine(x, y))
	got := map[string]float64{
		"B0": line.Intercept, "B1": line.Slope, "sd_B0": line.InterceptStandard, "sd_B1": line.SlopeStandard,
		"residual_sd": line.Residual, "R_squared": line.RSquared,
		"SS_regression": line.SumOfSquaresRegression, "SS_residual": line.SumOfSquaresResidual,
		"MS_residual": line.Residual * line.Residual, "F": line.F, "df_residual": float64(line.Freedom),
	}
	rows := table(t, "norris_certified.csv")
	if len(rows) != len(got) {
		t.Errorf("%d certified values, %d computed", len(rows), len(got))
	}
	for _, row := range rows {
		want := number(t, row, "certified")
		if value, known := got[row["quantity"]]; !known || math.Abs(value/want-1) > 5e-11 {
			t.Errorf("%s = %.15g, certified %.15g", row["quantity"], value, want)
		}
	}
}

// JCGM 100:2008, H.3, as a line in t - 20: y1, y2, their standard uncertainties
// and correlation, b(30) and its uncertainty.
func TestGUMAnnexH3AsALine(t *testing.T) {
	var x, y []float64
	for _, row := range table(t, "gum_h3.csv") {
		x, y = append(x, number(t, row, "t_k_C")-20), append(y, number(t, row, "b_k_C"))
	}
	line := must[Line](t)(FitLine(x, y))
	got := map[string]float64{
		"t0_C": 20, "y1_C": line.Intercept, "s_y1_C": line.InterceptStandard, "y2": line.Slope, "s_y2": line.SlopeStandard,
		"r_y1_y2": line.Correlation, "s_C": line.Residual, "b_30C": line.At(10), "u_b_30C": line.StandardAt(10),
		"degrees_of_freedom": float64(line.Freedom),
	}
	for _, row := range table(t, "gum_h3_results.csv") {
		value, known := got[row["quantity"]]
		published, digits := number(t, row, "published"), number(t, row, "computed_here")
		if !known || math.Abs(value-digits) > 2e-5*math.Abs(digits) {
			t.Errorf("%s = %.8g, to more digits %.8g", row["quantity"], value, digits)
		}
		if math.Abs(value-published) > 0.02*math.Abs(published) {
			t.Errorf("%s = %.8g, published %v", row["quantity"], value, published)
		}
	}
	// The lesson of H.3: without the covariance u(b(30)) would be 0.00727.
	if wrong := math.Hypot(line.InterceptStandard, 10*line.SlopeStandard); math.Abs(wrong-0.00727) > 5e-6 {
		t.Errorf("without covariance %v, want 0.00727", wrong)
	}
}

// Student's t, 95 % two-sided: 3.182 for 3 and 2.228 for 10 degrees of freedom
// (any statistical table).
func TestPredictionInterval(t *testing.T) {
	for _, c := range []struct {
		n    int
		want float64
	}{{5, 3.182}, {12, 2.228}} {
		var x, y []float64
		for i := range c.n {
			x, y = append(x, float64(i)), append(y, float64(i%3))
		}
		line := must[Line](t)(FitLine(x, y))
		low, high, err := line.PredictionInterval(20, 0.95)
		if err != nil || math.Abs((high-low)/2/line.PredictionStandardAt(20)-c.want) > 0.0006 {
			t.Errorf("%d pairs: %v to %v, %v", c.n, low, high, err)
		}
		if _, _, err := line.PredictionInterval(20, 1); !errors.Is(err, ErrOutOfRange) {
			t.Errorf("certainty: %v", err)
		}
	}
}

func TestFitLineRefusals(t *testing.T) {
	for _, c := range []struct {
		x, y []float64
		want error
	}{
		{[]float64{1, 2}, []float64{1, 2}, ErrTooFew},
		{[]float64{1, 2, 3}, []float64{1, 2}, ErrInconsistent},
		{[]float64{1, 1, 1}, []float64{1, 2, 3}, ErrInconsistent},
		{[]float64{1, 2, math.NaN()}, []float64{1, 2, 3}, ErrNotFinite},
		{[]float64{1, 2, 3}, []float64{1, 2, math.Inf(-1)}, ErrNotFinite},
	} {
		if _, err := FitLine(c.x, c.y); !errors.Is(err, c.want) {
			t.Errorf("%v, %v: %v, want %v", c.x, c.y, err, c.want)
		}
	}
}
