package sugar

import (
	"fmt"
	"math"
	"strings"
)

// Product is a finished sweet as far as its water activity goes.
type Product struct {
	// Solids are its dry solids, kilograms (fat may be among them).
	Solids []Component
	// WaterKg is the water in it, kilograms: moisture times mass.
	WaterKg float64
	// Crystallised is true for fondant, fudge and the like: part of the sucrose
	// is crystal and takes no part.
	Crystallised bool
}

// Route is one way to a water activity.
type Route struct {
	// Name is "Norrish/Ross", "Grover" or "Starzak-Peacock".
	Name string
	// Aw is its figure, 0..1, and Valid false where the route does not hold:
	// the figure is shown but not used.
	Aw    float64
	Valid bool
	// Note says what it rests on, or why it is not valid.
	Note string
}

// WaterActivityResult are the routes side by side at 25 degC.
type WaterActivityResult struct {
	Routes []Route
	// Aw is the middle of the valid routes, LowAw and HighAw their ends, widened
	// to at least AwSpread on either side: the spread is the uncertainty.
	Aw, LowAw, HighAw float64
	// MoisturePct is water in the whole product, per cent by mass.
	MoisturePct float64
	// SimpleWrong says that a figure for everything dissolved would be wrong:
	// more sucrose than the water can hold at 25 degC. The routes above count the
	// dissolved part only when the product is crystallised.
	SimpleWrong bool
	// SimpleAw is that wrong figure by the Starzak-Peacock route, beside the
	// right one, when the product is crystallised; zero otherwise.
	SimpleAw float64
	// CrystalKg is the sucrose counted as crystal, kilograms.
	CrystalKg float64
	// Notes are sentences for the qualified person.
	Notes []string
}

// AwSpread is the least half-width that is claimed for a water activity: how far
// the routes differ for pure sucrose, 0.01 at 0.85, 0.03 at 0.7, 0.07 at 0.55 (our
// inference), and on to 0.15 at 0.25 and below, where hardly a route holds.
func AwSpread(aw float64) float64 {
	points := [...][2]float64{{0.85, 0.01}, {0.7, 0.03}, {0.55, 0.07}, {0.25, 0.15}}
	if aw >= points[0][0] {
		return points[0][1]
	}
	for i := 1; i < len(points); i++ {
		p, q := points[i-1], points[i]
		if aw >= q[0] {
			return p[1] + (q[1]-p[1])*(p[0]-aw)/(p[0]-q[0])
		}
	}
	return points[len(points)-1][1]
}

// AwNotice goes with every water activity.
const AwNotice = "An estimate for a qualified person. It does not say that a food is safe or may be kept out of time and temperature control."

// saturationPct25 is the solubility of sucrose at 25 degC, per cent by mass
// (Mohos 2010 table A2.2 after Antokolskaya 1964, read).
const saturationPct25 = 67.89

// norrishOf is Norrish's constant and the molar mass in g/mol of a kind. Read:
// sucrose, sorbitol, glycerol. From memory: glucose and fructose (mean 2.2), lactose.
// Glucose syrup takes maltose's 4.54 (from memory) with its number-average molar mass
// 18016/DE (from memory); that pairing is our inference.
func norrishOf(c Component) (k, molar float64, ok bool) {
	switch c.Kind {
	case Sucrose:
		return 6.47, 342.3, true
	case Lactose:
		return 10.2, 342.3, true
	case GlucoseSyrup:
		de := c.DE
		if de == 0 {
			de = defaultDE
		}
		if de >= 90 {
			return 2.25, 180.16, true
		}
		return 4.54, 18016 / de, true
	case InvertSugar, HoneySolids:
		return 2.2, 180.16, true
	case Sorbitol:
		return 1.65, 182.17, true
	case Glycerol:
		return 1.16, 92.09, true
	}
	return 0, 0, false
}

// EstimateWaterActivity is the water activity of a product by three routes at
// 25 degC: Norrish for each solute alone in all the water multiplied after Ross
// 1975; Grover 1947, a_w = 1.04 - 0.10 E + 0.0045 E^2, valid for E from 0.6 to 9;
// Starzak-Peacock on the sucrose-equivalent solids, up to 98 %. It informs and decides nothing:
// AwNotice goes with it. Errors: ErrNotANumber, ErrMass, ErrBeyondSucroseData when
// no route holds (too dry).
func EstimateWaterActivity(p Product) (WaterActivityResult, error) {
	if err := checkMass("water", p.WaterKg); err != nil {
		return WaterActivityResult{}, err
	}
	all, err := NewBlend(p.Solids)
	if err != nil {
		return WaterActivityResult{}, err
	}
	var out WaterActivityResult
	total := p.WaterKg
	var sucrose float64
	for _, c := range p.Solids {
		total += c.Kg
		if c.Kind == Sucrose {
			sucrose += c.Kg
		}
	}
	if math.IsInf(total, 0) {
		return WaterActivityResult{}, fmt.Errorf("a product of %g kg: %w", total, ErrMass)
	}
	out.MoisturePct = 100 * p.WaterKg / total
	dissolved := p.Solids
	room := p.WaterKg * saturationPct25 / (100 - saturationPct25)
	if sucrose > room {
		out.SimpleWrong = p.Crystallised
		if p.Crystallised {
			out.CrystalKg = sucrose - room
			dissolved = withSucrose(p.Solids, room/sucrose)
			out.SimpleAw = starzakRoute(all, p.WaterKg).Aw
			out.Notes = append(out.Notes,
				"Part of the sucrose is crystal: only what is dissolved lowers the water activity. The figure for everything dissolved would be wrong.",
				"The dissolved sucrose is taken at its solubility in water alone; other sugars hold some of it back (our inference).")
		} else {
			out.Notes = append(out.Notes, "The syrup is supersaturated at 25 degC. If it grains, its water activity rises: ask again as crystallised.")
		}
	}
	b, err := NewBlend(dissolved)
	if err != nil {
		return WaterActivityResult{}, err
	}
	out.Routes = []Route{norrishRoute(dissolved, p.WaterKg), groverRoute(b, p.WaterKg), starzakRoute(b, p.WaterKg)}
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range out.Routes {
		if r.Valid {
			low, high = math.Min(low, r.Aw), math.Max(high, r.Aw)
		}
	}
	if math.IsInf(low, 0) {
		return WaterActivityResult{}, fmt.Errorf("no route holds for a product of %.2f %% moisture: %w", out.MoisturePct, ErrBeyondSucroseData)
	}
	out.Aw = 0.5 * (low + high)
	spread := AwSpread(out.Aw)
	out.LowAw = math.Max(math.Min(low, out.Aw-spread), 0)
	out.HighAw = math.Min(math.Max(high, out.Aw+spread), 1)
	out.Notes = append(out.Notes, AwNotice)
	return out, nil
}

// withSucrose is the list with its sucrose cut to a share.
func withSucrose(solids []Component, share float64) []Component {
	list := append([]Component(nil), solids...)
	for i := range list {
		if list[i].Kind == Sucrose {
			list[i].Kg *= share
		}
	}
	return list
}

// norrishLowest is the water activity down to which Norrish's equation has been
// confirmed (Baeza et al. 2010, abstract read: 0.99 down to about 0.3).
const norrishLowest = 0.3

func norrishRoute(solids []Component, waterKg float64) Route {
	r := Route{Name: "Norrish/Ross", Aw: 1, Valid: true, Note: "Norrish 1966 for each solute alone in all the water, multiplied after Ross 1975"}
	water := waterKg / molWater
	var left []string
	for _, c := range solids {
		if c.Kg == 0 || c.Kind == Fat {
			continue
		}
		k, molar, ok := norrishOf(c)
		if !ok {
			left = append(left, c.Kind.String())
			continue
		}
		n := c.Kg / molar
		x := n / (n + water)
		r.Aw *= (1 - x) * math.Exp(-k*x*x)
	}
	if r.Aw < norrishLowest {
		r.Valid = false
		r.Note = "not valid: below 0.3, where Norrish's equation has not been tried"
	}
	if len(left) > 0 && r.Valid {
		r.Note += "; no constant for " + strings.Join(left, ", ") + ", left out, so the figure is high"
	}
	return r
}

func groverRoute(b Blend, waterKg float64) Route {
	e := b.SucroseEquivalentKg / waterKg
	r := Route{
		Name: "Grover", Aw: 1.04 - 0.10*e + 0.0045*e*e, Valid: e >= 0.6 && e <= 9,
		Note: "Grover 1947; factors from memory",
	}
	if !r.Valid {
		r.Aw = math.Min(math.Max(r.Aw, 0), 1)
		r.Note = fmt.Sprintf("not valid: %.2f g sucrose equivalent per g of water is outside 0.6 to 9", e)
	}
	return r
}

func starzakRoute(b Blend, waterKg float64) Route {
	pct := 100 * b.SucroseEquivalentKg / (b.SucroseEquivalentKg + waterKg)
	r := Route{Name: "Starzak-Peacock", Valid: pct <= MaxSolidsPct, Note: "Starzak and Peacock 1997 at 25 degC on sucrose-equivalent solids"}
	if !r.Valid {
		r.Note = fmt.Sprintf("not valid: %.1f %% sucrose equivalent is beyond the data", pct)
		pct = MaxSolidsPct
	}
	r.Aw = math.Exp(lnActivity(moleFraction(pct), 25))
	return r
}
