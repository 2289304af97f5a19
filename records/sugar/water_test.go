package sugar

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// IAPWS R7-97(2012), section 8, region 4: the coefficients of Table 34.
var if97 = [...]float64{
	0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
	0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
}

var errSteam = errors.New("outside region 4")

func satHPa(tempC float64) (float64, error) {
	k := tempC + 273.15
	if !(k >= 273.15 && k <= 647.096) {
		return 0, errSteam
	}
	n := if97
	th := k + n[8]/(k-n[9])
	a := th*th + n[0]*th + n[1]
	b := n[2]*th*th + n[3]*th + n[4]
	c := n[5]*th*th + n[6]*th + n[7]
	return 1e4 * math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4), nil
}

func satC(hPa float64) (float64, error) {
	if !(hPa >= 6.11213 && hPa <= 220640) {
		return 0, errSteam
	}
	n := if97
	b := math.Pow(hPa/1e4, 0.25)
	e := b*b + n[2]*b + n[5]
	f := n[0]*b*b + n[3]*b + n[6]
	g := n[1]*b*b + n[4]*b + n[7]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (n[9]+d-math.Sqrt((n[9]+d)*(n[9]+d)-4*(n[8]+n[9]*d)))/2 - 273.15, nil
}

func testSyrup(t testing.TB) Syrup {
	t.Helper()
	s, err := New(Water{PressureHPa: satHPa, BoilingC: satC})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// table reads a CSV of testdata as maps from column to cell; its first line is
// the source.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	raw, err := os.ReadFile("testdata/" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	source, rest, _ := strings.Cut(string(raw), "\n")
	if !strings.HasPrefix(source, "# ") {
		t.Fatalf("%s: the first line does not name the source", name)
	}
	rows, err := csv.NewReader(strings.NewReader(rest)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, cell := range row {
			m[rows[0][i]] = cell
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		t.Fatalf("%s is empty", name)
	}
	return out
}

func num(t testing.TB, cell string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, tol)
	}
}

// The verification values of IAPWS R7-97, Tables 35 and 36 (read): the test's own
// saturation line is right before anything is judged by it.
func TestSaturationOfTheTests(t *testing.T) {
	for _, c := range []struct{ k, mpa float64 }{
		{300, 0.353658941e-2}, {500, 0.263889776e1}, {600, 0.123443146e2},
	} {
		p, err := satHPa(c.k - 273.15)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "psat", p/1e4/c.mpa, 1, 2e-9)
	}
	for _, c := range []struct{ mpa, k float64 }{
		{0.1, 0.372755919e3}, {1, 0.453035632e3}, {10, 0.584149488e3},
	} {
		k, err := satC(c.mpa * 1e4)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Tsat", (k+273.15)/c.k, 1, 2e-9)
	}
}
