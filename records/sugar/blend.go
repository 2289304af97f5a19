package sugar

import (
	"fmt"
	"math"
)

// Kind is a dissolved solid of a syrup.
type Kind int

// The kinds, with their Grover factors: sucrose-equivalent mass per mass of dry
// solid (Grover 1947, J. Soc. Chem. Ind. 66:201; factors from memory).
const (
	Sucrose      Kind = iota // 1.0
	GlucoseSyrup             // by DE: 0.8 at 42 DE, 1.0 at 62 DE
	InvertSugar              // 1.3; dextrose and fructose too
	HoneySolids              // 1.3, taken as invert sugar (our inference)
	Lactose                  // 1.0: milk sugar
	MilkProtein              // 1.3
	GelStarch                // 0.8: starch, gums, pectin, agar, by dry mass
	Sorbitol                 // 2.0
	Glycerol                 // 4.0
	Salt                     // 9.0
	Acid                     // 2.5: organic acids and their salts
	Fat                      // 0: does not dissolve
)

var kindNames = [...]string{
	"sucrose", "glucose syrup", "invert sugar", "honey", "lactose", "milk protein",
	"starch or gum", "sorbitol", "glycerol", "salt", "organic acid", "fat",
}

// String is the kind's name in lower case.
func (k Kind) String() string {
	if k < 0 || int(k) >= len(kindNames) {
		return fmt.Sprintf("kind %d", int(k))
	}
	return kindNames[k]
}

// Component is one dry solid of a blend.
type Component struct {
	Kind Kind
	// Kg is its dry mass, kilograms: glucose syrup and honey without their water.
	Kg float64
	// DE is the dextrose equivalent of a glucose syrup, 20..100; 0 takes 42.
	DE float64
}

// defaultDE is a confectioner's syrup.
const defaultDE = 42.0

// Factor is the sucrose-equivalent mass per mass of this solid. Errors:
// ErrNotANumber, ErrMass for a DE outside 20..100 or an unknown kind.
func (c Component) Factor() (float64, error) {
	switch c.Kind {
	case Sucrose, Lactose:
		return 1, nil
	case GlucoseSyrup:
		return glucoseFactor(c.DE)
	case InvertSugar, HoneySolids, MilkProtein:
		return 1.3, nil
	case GelStarch:
		return 0.8, nil
	case Sorbitol:
		return 2, nil
	case Glycerol:
		return 4, nil
	case Salt:
		return 9, nil
	case Acid:
		return 2.5, nil
	case Fat:
		return 0, nil
	}
	return 0, fmt.Errorf("%v: %w", c.Kind, ErrMass)
}

// glucoseFactor joins Grover's points, 42 DE 0.8, 62 DE ("high conversion") 1.0
// and dextrose 1.3, by straight lines, and goes down from 42 DE with the number of
// moles per gram (our inference).
func glucoseFactor(de float64) (float64, error) {
	if err := finite("DE", de); err != nil {
		return 0, err
	}
	if de == 0 {
		de = defaultDE
	}
	switch {
	case de < 20 || de > 100:
		return 0, fmt.Errorf("%g DE is outside 20 to 100: %w", de, ErrMass)
	case de <= 42:
		return 0.8 * de / 42, nil
	case de <= 62:
		return 0.8 + 0.2*(de-42)/20, nil
	}
	return 1 + 0.3*(de-62)/38, nil
}

// Blend is the dissolved solids of a syrup that is not all sucrose, reduced to
// sucrose by the Grover factors. What it says is an estimate: no boiling table of
// sucrose with glucose syrup was found.
type Blend struct {
	// Factor is the sucrose-equivalent mass per mass of dissolved solids.
	Factor float64
	// SucroseShare is sucrose by mass of the dissolved solids, 0..1.
	SucroseShare float64
	// DissolvedKg is the mass of dissolved dry solids; fat is left out.
	DissolvedKg float64
	// SucroseEquivalentKg is their sucrose-equivalent mass.
	SucroseEquivalentKg float64
	// Estimate is false for sucrose alone.
	Estimate bool
}

// NewBlend adds up components. Errors: ErrNotANumber, ErrMass for a negative mass,
// for nothing dissolved or for a bad DE.
func NewBlend(components []Component) (Blend, error) {
	var b Blend
	var sucrose float64
	for _, c := range components {
		if err := finite(c.Kind.String(), c.Kg); err != nil {
			return Blend{}, err
		}
		if c.Kg < 0 {
			return Blend{}, fmt.Errorf("%v %g kg: %w", c.Kind, c.Kg, ErrMass)
		}
		f, err := c.Factor()
		if err != nil {
			return Blend{}, err
		}
		if f == 0 {
			continue
		}
		b.DissolvedKg += c.Kg
		b.SucroseEquivalentKg += f * c.Kg
		if c.Kind == Sucrose {
			sucrose += c.Kg
		}
	}
	if !(b.DissolvedKg > 0) || math.IsInf(b.SucroseEquivalentKg, 0) {
		return Blend{}, fmt.Errorf("%g kg dissolved: %w", b.DissolvedKg, ErrMass)
	}
	b.Factor = b.SucroseEquivalentKg / b.DissolvedKg
	b.SucroseShare = sucrose / b.DissolvedKg
	b.Estimate = b.SucroseShare < 1
	return b, nil
}

// EquivalentPct turns dissolved solids in per cent of syrup (0..100) into
// sucrose-equivalent solids: E/(1+E) with E the equivalent mass per mass of water.
func (b Blend) EquivalentPct(solidsPct float64) float64 {
	e := b.Factor * solidsPct
	return 100 * e / (e + 100 - solidsPct)
}

// TotalPct is the inverse of EquivalentPct.
func (b Blend) TotalPct(equivalentPct float64) float64 {
	t := equivalentPct / b.Factor
	return 100 * t / (t + 100 - equivalentPct)
}

// estimateU is the standard uncertainty in degC of the boiling point of a blend:
// half-widths of 2 degC below 90 % solids and 5 degC above (our inference), joined
// between 88 and 92 % so that no figure jumps, as rectangles.
func (b Blend) estimateU(solidsPct float64) float64 {
	if !b.Estimate {
		return 0
	}
	f := math.Min(math.Max((solidsPct-88)/4, 0), 1)
	return (2 + 3*f) / math.Sqrt(3)
}

// BlendBoiling is a boiling point with its uncertainty.
type BlendBoiling struct {
	// TempC is the boiling point, degC.
	TempC float64
	// UC is its standard uncertainty, degC: the literature's spread on sucrose
	// and, for a blend, the estimate's own.
	UC float64
	// EquivalentPct is the sucrose-equivalent solids used, per cent.
	EquivalentPct float64
	// Estimate is true for anything but sucrose alone.
	Estimate bool
}

// BlendBoilingC is the estimated boiling point of a blend of solidsPct dissolved
// solids (0..98 %) under pressureHPa. Errors: those of BoilingC; the sucrose-equivalent
// solids too must stay within 98 %.
func (s Syrup) BlendBoilingC(b Blend, solidsPct, pressureHPa float64) (BlendBoiling, error) {
	if err := b.check(); err != nil {
		return BlendBoiling{}, err
	}
	if err := checkSolids(solidsPct); err != nil {
		return BlendBoiling{}, err
	}
	eq := b.EquivalentPct(solidsPct)
	t, err := s.BoilingC(eq, pressureHPa)
	if err != nil {
		return BlendBoiling{}, err
	}
	slope, err := s.slope(moleFraction(eq), t)
	if err != nil {
		return BlendBoiling{}, err
	}
	return BlendBoiling{
		TempC: t, EquivalentPct: eq, Estimate: b.Estimate,
		UC: math.Hypot(literatureU(eq, slope)*slope, b.estimateU(solidsPct)),
	}, nil
}

// BlendSolidsPct is the estimated dissolved solids of a blend boiling at tempC
// under pressureHPa. Errors: those of SolidsPct.
func (s Syrup) BlendSolidsPct(b Blend, tempC, pressureHPa float64) (Solids, error) {
	if err := b.check(); err != nil {
		return Solids{}, err
	}
	eq, err := s.SolidsPct(tempC, pressureHPa)
	if err != nil {
		return Solids{}, err
	}
	total := b.TotalPct(eq.Pct)
	if total > MaxSolidsPct {
		return Solids{}, fmt.Errorf("%.2f %% of a blend: %w", total, ErrBeyondSucroseData)
	}
	// d total / d equivalent.
	const step = 1e-4
	gain := (b.TotalPct(eq.Pct) - b.TotalPct(eq.Pct-step)) / step
	slope := eq.CPerPct / gain
	return Solids{
		Pct: total, CPerPct: slope,
		UPct: math.Hypot(eq.UPct*gain, b.estimateU(total)/slope),
	}, nil
}

func (b Blend) check() error {
	if err := finite("blend", b.Factor); err != nil {
		return err
	}
	if b.Factor <= 0 || b.Factor > 10 {
		return fmt.Errorf("factor %g, not a blend made by NewBlend: %w", b.Factor, ErrMass)
	}
	return nil
}
