package reports

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	kb "kettlebook/proto/kettlebook/v1"
)

// value works out printed arithmetic: + - x / and brackets, as a pocket calculator does.
type value struct {
	t    *testing.T
	rest string
}

func (v *value) peek() byte {
	v.rest = strings.TrimLeft(v.rest, " ")
	if v.rest == "" {
		return 0
	}
	return v.rest[0]
}

func (v *value) sum() float64 {
	x := v.product()
	for {
		switch v.peek() {
		case '+':
			v.rest = v.rest[1:]
			x += v.product()
		case '-':
			v.rest = v.rest[1:]
			x -= v.product()
		default:
			return x
		}
	}
}

func (v *value) product() float64 {
	x := v.factor()
	for {
		switch v.peek() {
		case 'x':
			v.rest = v.rest[1:]
			x *= v.factor()
		case '/':
			v.rest = v.rest[1:]
			x /= v.factor()
		default:
			return x
		}
	}
}

var number = regexp.MustCompile(`^[+-]?[0-9.]+`)

func (v *value) factor() float64 {
	if v.peek() == '(' {
		v.rest = v.rest[1:]
		x := v.sum()
		if v.peek() != ')' {
			v.t.Fatalf("no closing bracket before %q", v.rest)
		}
		v.rest = v.rest[1:]
		return x
	}
	digits := number.FindString(v.rest)
	x, err := strconv.ParseFloat(digits, 64)
	if err != nil {
		v.t.Fatalf("no number at %q", v.rest)
	}
	v.rest = v.rest[len(digits):]
	return x
}

func worked(t *testing.T, expression string) float64 {
	t.Helper()
	v := &value{t, expression}
	x := v.sum()
	if v.peek() != 0 {
		t.Fatalf("%q is left of %q", v.rest, expression)
	}
	return x
}

// The printed example is read back and worked out anew from its printed figures alone.
func TestExampleCanBeRedoneFromPaper(t *testing.T) {
	offset := plainDay(1)
	line := plainDay(0)
	line.Instruments = []*kb.InstrumentDay{failedF()}
	line.Batches = []*kb.BatchDay{notMetF()}
	one := plainDay(1)
	c := one.Batches[0].Pull.Pull
	c.Points, c.Form, c.ErrorMicroC, c.CorrectedMicroC = c.Points[:1], "offset", 200_000, ptr[int64](117_000_000)
	for name, content := range map[string]*kb.DayContent{"mean offset": offset, "line": line, "offset": one} {
		text := oneLine(tool(t, "poppler-utils", "pdftotext", "-raw", onDisk(t, drawn(t, sealLog(t, content))), "-"))
		_, text, ok := strings.Cut(text, "One example by hand")
		if !ok {
			t.Fatalf("%s: no example", name)
		}
		find := func(pattern string) []string {
			t.Helper()
			m := regexp.MustCompile(pattern).FindStringSubmatch(text)
			if m == nil {
				t.Fatalf("%s: %s does not match %.1200s", name, pattern, text)
			}
			return m
		}
		near := func(expression, printed string, within float64) {
			t.Helper()
			if got, want := worked(t, expression), worked(t, printed); math.Abs(got-want) > within+1e-9 {
				t.Errorf("%s: %s is %.6f, printed is %s", name, expression, got, printed)
			}
		}
		if m := regexp.MustCompile(`boils there at ([0-9.]+) °C x 1\.8 \+ 32 = ([0-9.]+) °F`).FindStringSubmatch(text); m != nil {
			near(m[1]+" x 1.8 + 32", m[2], 0)
		}
		boiling := find(`error = as read - expected = ([0-9.]+) °[CF] - ([0-9.]+) °[CF] = ([+-][0-9.]+) °[CF]`)
		near(boiling[1]+" - "+boiling[2], boiling[3], 0)
		if m := regexp.MustCompile(`As read [0-9.]+ °F = (\([0-9.]+ - 32\) / 1\.8) = ([0-9.]+) °C`).FindStringSubmatch(text); m != nil {
			near(m[1], m[2], 0.0005)
		}
		corrected := find(`corrected = as read - error = ([0-9.]+ - \([+-][0-9.]+\)) = ([0-9.]+) °C`)
		near(corrected[1], corrected[2], 0.005)
		switch name {
		case "mean offset":
			m := find(`the mean of the points, (\(.+\) / 2) = ([+-][0-9.]+) °C`)
			near(m[1], m[2], 0.0005)
		case "line":
			m := find(`on the line through the points .+?\): (\(.+?\)\)) = ([+-][0-9.]+) °C`)
			near(m[1], m[2], 0.0015) // its figures are printed to 0.001 °C
		case "offset":
			find(`the one point known = \+0\.200 °C`)
		}
		if m := regexp.MustCompile(`2 x square root of \((.+?)\) = ([0-9.]+), rounded up ([0-9.]+) °C`).FindStringSubmatch(text); m != nil {
			sum := 0.0
			for _, term := range strings.Split(m[1], " + ") {
				u := worked(t, strings.TrimSuffix(term, "²"))
				sum += u * u
			}
			u, printed := 2*math.Sqrt(sum), worked(t, m[3])
			if math.Abs(u-worked(t, m[2])) > 0.00005 || printed < u-1e-9 || printed > u+0.01 {
				t.Errorf("%s: U is %.5f, printed are %s and %s", name, u, m[2], m[3])
			}
		} else if name == "mean offset" {
			t.Error("the budget of U is not printed")
		}
	}
}

// A correction that does not follow from its points by hand is stated, not derived.
func TestExampleDoesNotDeriveWhatDoesNotFollow(t *testing.T) {
	c := plainBatch("x", "K-1", 7, 0).Pull.Pull
	if words, _ := errorByHand(c); words == "" {
		t.Fatal("the plain mean is not derived")
	}
	c.CorrectedMicroC = ptr(c.GetCorrectedMicroC() + 20_000)
	if words, _ := errorByHand(c); words != "" {
		t.Errorf("derived %q", words)
	}
	c.Form = "least squares"
	if words, _ := errorByHand(c); words != "" {
		t.Errorf("derived %q", words)
	}
	if words := budgetByHand([]*kb.UncertaintyTerm{{Name: "a", StandardMicroC: 300_000}, {Name: "b", StandardMicroC: 400_000}}, 1_000_000); !strings.Contains(words, "= 1.0000, rounded up 1.00 °C") {
		t.Errorf("budget: %q", words)
	}
	if words := budgetByHand([]*kb.UncertaintyTerm{{Name: "a", StandardMicroC: 300_000}}, 900_000); words != "" {
		t.Errorf("budget that does not add up: %q", words)
	}
}
