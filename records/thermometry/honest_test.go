package thermometry_test

import (
	"go/parser"
	"go/token"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
	"testing"

	. "kettlebook/records/thermometry"
)

// The kitchens that count. The settings were tuned on other seeds (1 to 20).
const (
	countingSeed = 77_003
	batches      = 2000
)

// score is how honest the stated uncertainties were.
type score struct {
	inside, n        int
	stated, ideal    []float64
	stale, extended  int
	knocked, knockIn int
}

func (s score) coverage() float64 { return float64(s.inside) / float64(s.n) }
func (s score) ratio() float64    { return median(s.stated) / median(s.ideal) }

func median(values []float64) float64 {
	sorted := append([]float64(nil), values...)
	sort.Float64s(sorted)
	return sorted[len(sorted)/2]
}

// curveOf makes the correction from what is written on a sheet.
func curveOf(t testing.TB, s sheet) Curve {
	t.Helper()
	pressure, err := AssumedPressure(s.elevationM, 0)
	if !math.IsNaN(s.pressureHPa) {
		pressure, err = MeasuredPressure(s.pressureHPa, 0, 0)
	}
	if err != nil {
		t.Fatal(err)
	}
	quality := IceLooseCubes
	if s.crushed {
		quality = IceCrushedSlush
	}
	var points []Point
	for _, p := range s.points {
		var point Point
		switch p.kind {
		case "ice":
			point, err = IcePoint(IceOptions{ReadingC: p.readingC, ReadToC: s.readToC, Quality: quality, AgeHours: p.ageHours})
		case "boiling":
			point, err = BoilingPoint(BoilingOptions{ReadingC: p.readingC, ReadToC: s.readToC, Pressure: pressure, AgeHours: p.ageHours})
		case "comparison":
			point, err = ComparisonPoint(ComparisonOptions{ReadingC: p.readingC, ReadToC: s.readToC,
				ReferenceReadingC: p.referenceC, ReferenceReadToC: 0.01, CertificateExpandedC: 0.1, Certificate: "bath", AgeHours: p.ageHours})
		}
		if err != nil {
			t.Fatal(err)
		}
		points = append(points, point)
	}
	return must[Curve](t)(FitCurve(points, DefaultCurveOptions()))
}

func scoreKitchens(t testing.TB, w world, seed uint64, n int) score {
	r := rand.New(rand.NewPCG(seed, 1))
	s := score{n: n}
	for range n {
		sheet := w.batch(r)
		curve := curveOf(t, sheet)
		judge := must[*Corrector](t)(NewCorrector(curve, CookOptions{ReadToC: sheet.readToC}))
		got := judge.Correct(sheet.pullReadingC)
		u, err := RoundUpCentiC(got.ExpandedC)
		if err != nil {
			t.Fatal(err)
		}
		inside := math.Abs(got.CorrectedC-sheet.truthC) <= u.C()
		if inside {
			s.inside++
		}
		if sheet.knocked {
			s.knocked++
			if inside {
				s.knockIn++
			}
		}
		s.stated = append(s.stated, u.C())
		s.ideal = append(s.ideal, CoverageFactor*sheet.idealC)
		if curve.StaleC > 0 {
			s.stale++
		}
		if got.Extrapolated {
			s.extended++
		}
	}
	return s
}

// The corrected pull lies within its stated U of the truth in 93 to 98 % of the
// batches, and the median U is at most 1.3 times that of someone who knows the
// world. Figures: go test -run TestHonestUncertainty -v.
func TestHonestUncertainty(t *testing.T) {
	s := scoreKitchens(t, commonWorld(), countingSeed, batches)
	t.Logf("%d batches: %.1f %% within U; median U %.3f degC, ideal %.3f, ratio %.3f; %d extrapolated, %d with an older check doubted",
		s.n, 100*s.coverage(), median(s.stated), median(s.ideal), s.ratio(), s.extended, s.stale)
	if s.coverage() < 0.93 || s.coverage() > 0.98 {
		t.Errorf("coverage %.4f, want 0.93 to 0.98", s.coverage())
	}
	if s.ratio() > 1.3 {
		t.Errorf("median U is %.3f of the ideal, want at most 1.3", s.ratio())
	}
}

// Worlds that the settings were not made for: thermometers with half or nearly
// twice the slope, three times the bend, two and a half times the walk, no walk.
// The uncertainty bends but does not break.
func TestHonestUncertaintyInOtherWorlds(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*world)
	}{
		{"small slopes", func(w *world) { w.gainPerC = 0.001 }},
		{"large slopes", func(w *world) { w.gainPerC = 0.004 }},
		{"bent scales", func(w *world) { w.bendC = 0.15 }},
		{"restless instruments", func(w *world) { w.walkC = 0.05 }},
		{"steady instruments", func(w *world) { w.walkC = 0 }},
	} {
		w := commonWorld()
		c.change(&w)
		s := scoreKitchens(t, w, countingSeed, batches/2)
		t.Logf("%-20s %.1f %% within U, ratio %.3f", c.name, 100*s.coverage(), s.ratio())
		if s.coverage() < 0.93 || s.coverage() > 0.985 || s.ratio() > 1.3 {
			t.Errorf("%s: coverage %.4f, ratio %.3f", c.name, s.coverage(), s.ratio())
		}
	}
}

// An instrument that was knocked since its comparison: the newer ice and boiling
// points contradict the older comparison, and U must cover what follows.
func TestHonestUncertaintyAfterKnocks(t *testing.T) {
	w := commonWorld()
	w.knocks, w.knockC = 0.2, 1
	s := scoreKitchens(t, w, countingSeed, 2*batches)
	t.Logf("%.1f %% of all within U; of %d knocked %.1f %%; %d older checks doubted",
		100*s.coverage(), s.knocked, 100*float64(s.knockIn)/float64(s.knocked), s.stale)
	if s.coverage() < 0.93 || s.coverage() > 0.98 || s.knocked < 100 || float64(s.knockIn) < 0.9*float64(s.knocked) {
		t.Errorf("coverage %.4f, knocked %d of %d", s.coverage(), s.knockIn, s.knocked)
	}
}

// The generator must not know our rules.
func TestKitchensImportNothingOfOurs(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "kitchen_test.go", nil, parser.ImportsOnly)
	if err != nil {
		t.Fatal(err)
	}
	for _, spec := range file.Imports {
		if strings.Contains(spec.Path.Value, "kettlebook") {
			t.Errorf("the generator imports %s", spec.Path.Value)
		}
	}
}
